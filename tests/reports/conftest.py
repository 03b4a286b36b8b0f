"""Lets the tests of this room import the care room's made-up dogs and their own (``*_dogs.py``)."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent / "care"), str(Path(__file__).parent)]
