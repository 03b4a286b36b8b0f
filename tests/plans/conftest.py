"""Lets the tests of this room import the made-up dogs of the care room and what reads a presentation."""

import sys
from pathlib import Path

ROOMS = Path(__file__).parent.parent
sys.path[:0] = [str(ROOMS / "care"), str(ROOMS / "presentation")]
