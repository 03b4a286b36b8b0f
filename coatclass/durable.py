"""Files that are complete or absent after a crash or a power cut, never half written; one writer at a time."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO
from uuid import uuid4

__all__ = ["new_file", "only_one", "write_whole"]

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


@contextmanager
def only_one(path: Path) -> Iterator[None]:
    """Hold the lock file ``path``, which goes with the work. A killed process holds nothing, though its file stays.

    On file systems that know no locks nobody is kept out.

    Raises:
        BlockingIOError: if another process holds it. OSError: if it can't be made.
    """
    stream = _held(path)
    try:
        yield
    finally:
        if sys.platform != "win32":  # before it is free: whoever waited on this very file sees that it is gone
            path.unlink(missing_ok=True)
        stream.close()
        if sys.platform == "win32":
            with suppress(OSError):  # somebody has opened it meanwhile
                path.unlink(missing_ok=True)


def _held(path: Path) -> IO[bytes]:
    while True:
        stream = path.open("ab")
        try:
            _lock(stream)
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(stream.fileno()), path.stat()):
                    return stream
        except OSError:
            stream.close()
            raise
        stream.close()  # its holder has just removed it


def _lock(stream: IO[bytes]) -> None:
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            raise BlockingIOError(errno.EAGAIN, "another process holds it", stream.name) from error
