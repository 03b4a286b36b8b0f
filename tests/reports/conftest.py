"""Lets the tests of this room import the care room's made-up dogs (``care_dogs.py``)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "care"))
