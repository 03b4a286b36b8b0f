"""Getting the bytes of a picture, within the ceiling."""

from __future__ import annotations

import os
from pathlib import Path

from coatclass.errors import PhotoError

_SEND = "Send a photo as JPEG, PNG or WebP."


def read_source(source: str | os.PathLike[str] | bytes, name: str, max_bytes: int) -> bytes:
    """The whole picture file.

    Raises:
        PhotoError: ``missing``, ``directory``, ``unreadable``, ``empty`` or ``too_many_bytes``.
    """
    data = source if isinstance(source, bytes) else _read_file(Path(source), name, max_bytes)
    if not data:
        raise PhotoError(name, "is empty (0 bytes).", "Copy or download the photo again.", code="empty")
    if len(data) > max_bytes:
        raise PhotoError(
            name,
            f"is larger than {max_bytes / 1e6:g} MB.",
            "Save it smaller, for example as a JPEG of 12 megapixels.",
            code="too_many_bytes",
        )
    return data


def _read_file(path: Path, name: str, max_bytes: int) -> bytes:
    """At most one byte more than the ceiling, so that a huge file is never read in full."""
    try:
        if path.is_dir():
            raise PhotoError(name, "is a folder, not a photo.", "Name a photo inside it.", code="directory")
        if path.exists() and not path.is_file():
            raise PhotoError(name, "is a device or a pipe, not a file.", _SEND, code="unreadable")
        with path.open("rb") as stream:
            return stream.read(max_bytes + 1)
    except FileNotFoundError as error:
        raise PhotoError(name, "does not exist.", "Check the name and the folder.", code="missing") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(
            name, f"can't be read ({reason}).", "Check that you may open this file.", code="unreadable"
        ) from error
