"""Files that are complete or absent after a crash or a power cut, never half written."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO
from uuid import uuid4

__all__ = ["new_file", "write_whole"]

PART = ".part"
"""Ending of a file that is still being written; one found later was left by a crash and may be removed."""


@contextmanager
def new_file(path: Path) -> Iterator[IO[bytes]]:
    """A file that appears under its name, replacing what is there, only once it is whole and on the disk.

    Raises:
        OSError: if it can't be written; then nothing has changed.
    """
    part = path.with_name(f".{path.name}.{uuid4().hex}{PART}")
    try:
        with open(part, "xb", opener=_private) as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    sync_folder(path.parent)


def _private(path: str, flags: int) -> int:
    """Readable by its owner only: such files hold people's data."""
    return os.open(path, flags, 0o600)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file by :func:`new_file`."""
    with new_file(path) as stream:
        stream.write(data)


def sync_folder(folder: Path) -> None:
    """Make a rename outlast a power cut; systems that can't open folders do so by themselves."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
