"""Lets the tests of this room import their dogs (``shown.py``)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
