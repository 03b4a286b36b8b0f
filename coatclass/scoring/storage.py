"""Files by URL: on object storage, on the web, or on this machine, through what pyarrow and fsspec can read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from time import sleep
from typing import Any

from coatclass.errors import InputError, require
from coatclass.photo import default_limits

__all__ = ["Remote", "is_url", "storage"]


def is_url(text: str) -> bool:
    """Whether a text names something by URL, such as ``s3://bucket/dogs``."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text) is not None


_TRIES, _PAUSE_S = 3, 2.0


@dataclass(frozen=True)
class Remote:
    """A photo at a URL; it travels to whoever reads it."""

    url: str

    def read(self) -> bytes:
        """Its bytes. What fails is tried again: storage far away has its moods."""
        for attempt in range(_TRIES):
            try:
                system, path = storage(self.url)
                with system.open_input_stream(path) as stream:
                    return bytes(stream.read(default_limits().max_bytes + 1))
            except FileNotFoundError:
                return b""
            except OSError:
                if attempt + 1 < _TRIES:
                    sleep(_PAUSE_S * (attempt + 1))
        return b""


def storage(url: str) -> tuple[Any, str]:
    """The file system behind a URL or path, as pyarrow has it or else fsspec, and the path in it.

    Raises:
        InputError: if nothing installed can read it.
    """
    base, _, rest = url.partition("://") if is_url(url) else ("file", "", str(Path(url).absolute()))
    place, _, path = rest.partition("/") if is_url(url) else ("", "", rest)
    system, root = _system(f"{base}://{place}" if is_url(url) else "")
    return system, f"{root}{path}" if root else path


@cache
def _system(base: str) -> tuple[Any, str]:
    require("Reading from storage", "parquet", "pyarrow")
    from pyarrow import fs

    if not base:
        return fs.LocalFileSystem(), ""
    protocol, _, place = base.partition("://")
    if protocol == "file":
        return fs.LocalFileSystem(), "/"
    try:
        system, root = fs.FileSystem.from_uri(base)
        return system, f"{root.rstrip('/')}/"
    except (ValueError, NotImplementedError, OSError):
        pass
    try:
        import fsspec

        system = fsspec.filesystem(protocol)
        root = f"{base}/" if protocol.startswith("http") else (f"{place}/" if place else "")
        return fs.PyFileSystem(fs.FSSpecHandler(system)), root
    except (ImportError, ValueError) as error:
        raise InputError(base, f"can't be read ({error}).", "Install the part of fsspec that reads it.") from error
