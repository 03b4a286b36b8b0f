"""Where the released files are: beside the code in a checkout, inside the package in an installed copy."""

from __future__ import annotations

import csv
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from hashlib import blake2b
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from coatclass.errors import ModelFilesError

__all__ = ["damage_told", "read_csv", "read_json", "read_toml", "released"]

_PACKAGE = Path(__file__).resolve().parent
_INSIDE = _PACKAGE / "_released"
# Beside an installed copy lies what belongs to other packages, so nothing is ever looked for there.
_ROOT = _INSIDE if _INSIDE.is_dir() else _PACKAGE.parent


def released(relative: str) -> Path:
    """Return the path of a released file, such as ``models/manifest.json`` or ``datasets/breeds.csv``.

    Raises:
        ModelFilesError: if this copy of coatclass does not hold the file.
    """
    path = _ROOT / relative
    if path.exists():
        return path
    raise ModelFilesError(
        relative, "is missing from this copy of coatclass.", "Install coatclass again.", code="missing_file"
    )


@contextmanager
def damage_told(relative: str) -> Iterator[None]:
    """While a released file is read, turn any error that damage causes into one plain error.

    Raises:
        ModelFilesError: ``missing_file`` or ``damaged_file``.
    """
    try:
        yield
    except OSError as error:
        raise ModelFilesError(relative, "can't be read.", "Install coatclass again.", code="missing_file") from error
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError, csv.Error) as error:
        raise ModelFilesError(
            relative, "is damaged or from another release.", "Install coatclass again.", code="damaged_file"
        ) from error


def read_json(relative: str) -> dict[str, Any]:
    """A released JSON file that holds an object.

    Raises:
        ModelFilesError: if it is missing, damaged or no object.
    """
    with damage_told(relative):
        content = json.loads(released(relative).read_bytes())
        if not isinstance(content, dict):
            raise TypeError("no object")
        return content


@cache
def read_toml(path: Path) -> dict[str, Any]:
    """Read a data file of the package once; callers must not change what they get.

    What was parsed is kept as JSON where Python keeps what it compiled (``__pycache__``), with the digest of the file
    it was parsed from: reading that is ten times faster, and never out of date.
    """
    content = path.read_bytes()
    digest = blake2b(content).hexdigest()
    kept = Path(cache_from_source(str(path))).with_name(f"{path.name}.json")
    with suppress(OSError, ValueError, TypeError):
        written, table = json.loads(kept.read_bytes())
        if written == digest and isinstance(table, dict):
            return table
    import tomllib  # only for a file that changed

    table = tomllib.loads(content.decode())
    if not sys.dont_write_bytecode:
        _keep(kept, [digest, table])
    return table


def _keep(path: Path, content: list[Any]) -> None:
    """Write it whole or not at all; a folder that can't be written and values that JSON lacks (dates) are no fault."""
    with suppress(OSError, TypeError):
        text = json.dumps(content)
        path.parent.mkdir(exist_ok=True)
        draft = path.with_name(f"{path.name}.{os.getpid()}")
        draft.write_text(text)
        draft.replace(path)


def read_csv(path: Path) -> tuple[dict[str, str], ...]:
    """The rows of a table with a header, by column."""
    with path.open(encoding="utf-8", newline="") as stream:
        return tuple(csv.DictReader(stream))
