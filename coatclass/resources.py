"""Where the released files are: beside the code in a checkout, inside the package in an installed copy."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.errors import ModelFilesError

__all__ = ["read_toml", "released"]

_PACKAGE = Path(__file__).resolve().parent
_ROOTS = (_PACKAGE.parent, _PACKAGE / "_released")


def released(relative: str) -> Path:
    """Return the path of a released file, such as ``models/manifest.json`` or ``datasets/breeds.csv``.

    Raises:
        ModelFilesError: if this copy of coatclass does not hold the file.
    """
    for root in _ROOTS:
        candidate = root / relative
        if candidate.exists():
            return candidate
    raise ModelFilesError(
        relative, "is missing from this copy of coatclass.", "Install coatclass again.", code="missing_file"
    )


@cache
def read_toml(path: Path) -> dict[str, Any]:
    """Read a data file of the package once; callers must not change what they get."""
    with path.open("rb") as stream:
        return tomllib.load(stream)
