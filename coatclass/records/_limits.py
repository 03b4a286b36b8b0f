"""Ceilings of the records room, read from ``data/limits.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coatclass.resources import read_toml

_DATA = read_toml(Path(__file__).with_name("data") / "limits.toml")
WAIT_S: int = _DATA["database"]["wait_s"]
"""How long to wait for the database, s."""


@dataclass(frozen=True)
class ArchiveLimits:
    """What an archive may unpack to.

    Attributes:
        manifest_bytes, line_bytes, photo_bytes: largest list of contents, record and picture, bytes.
        rows_bytes: all records together, unpacked, bytes.
        entries: files inside.
        ratio: of unpacked records to their packed size.
    """

    manifest_bytes: int
    line_bytes: int
    photo_bytes: int
    rows_bytes: int
    entries: int
    ratio: float


def _archive(who: str) -> ArchiveLimits:
    single: dict[str, Any] = {name: value for name, value in _DATA["archive"].items() if isinstance(value, int)}
    return ArchiveLimits(**single, **_DATA["archive"][who])


BY_UPLOAD = _archive("upload")
BY_COMMAND = _archive("command")
