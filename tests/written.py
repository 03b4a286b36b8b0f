"""Tables that a test writes."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any


def write_csv(path: Path, rows: Sequence[dict[str, Any]]) -> Path:
    """Rows as a CSV file with the columns of the first; return its path."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path
