"""Lets the tests of this room import their small words (``kits.py``) and the care room's dogs."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "care")]
