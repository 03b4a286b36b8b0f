"""Lets the tests of this room import the made-up dogs of the care room (``care_dogs.py``)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "care"))
