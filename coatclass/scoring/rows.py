"""One row of the table: its columns, and what one photo puts into them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote_to_bytes

from coatclass.errors import CoatclassError
from coatclass.taxonomy import BANDS, CATEGORIES

if TYPE_CHECKING:
    from coatclass.contract import CoatEstimate, Decision, PhotoReport
    from coatclass.estimating import PhotoSource

__all__ = [
    "COLUMNS",
    "FAILED",
    "NUMBERS",
    "PROBLEM",
    "Row",
    "made_by",
    "read_path",
    "row_of",
    "score_photo",
    "written_path",
]

COLUMNS = (
    "file",
    "status",
    "dog_probability",
    *(f"p_{category}" for category in CATEGORIES),
    "category",
    "category_set",
    *(f"b_{band}" for band in BANDS),
    "length_band",
    "verdict",
)
NUMBERS = frozenset(name for name in COLUMNS if name == "dog_probability" or name[:2] in ("p_", "b_"))
"""Columns of probabilities; all others hold text."""
FAILED = "failed"
"""Status of a photo on which the program itself failed, whatever the photo is."""
PROBLEM = "problem"
"""Of a failed row, beside the columns: what went wrong. The table has no such column."""
Row = dict[str, Any]

_ENCODED = "file:"


def written_path(path: Path | str) -> str:
    """A photo's path as a table holds it: :func:`read_path` leads back to the same file.

    A spreadsheet must not take a name for a formula: such a path begins with ``./``. A name that is not UTF-8 is
    written as ``file:`` and percent signs (RFC 3986).
    """
    text = str(path)
    if (text.startswith(_ENCODED) and "://" not in text) or not _is_utf8(text):
        return _ENCODED + quote(os.fsencode(text))
    return f"./{text}" if text[:1] in "=+-@\t\r" else text


def read_path(text: str) -> Path:
    """The path that :func:`written_path` wrote, or any other path."""
    if text.startswith(_ENCODED):
        return Path(os.fsdecode(unquote_to_bytes(text.removeprefix(_ENCODED))))
    return Path(text)


def _is_utf8(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def made_by() -> str:
    """What the rows depend on, beside the photo: the versions of program, image model and ensemble.

    Raises:
        ModelFilesError: if released files are missing or damaged.
    """
    from coatclass import __version__, ensemble, vision

    return f"coatclass {__version__}, {vision.read_manifest().model_version}, ensemble {ensemble.load().version}"


def score_photo(file: str, source: PhotoSource) -> Row:
    """One row of the table. Never raises for a bad photo: the row says ``refused``.

    Where the program itself fails, the row says ``failed`` and, under :data:`PROBLEM`, how: one photo must not cost the
    rows of all others.

    Args:
        file: how the table names the photo.
        source: its path or its bytes.

    Raises:
        ModelFilesError: if released files are missing or damaged: then no photo could be scored.
    """
    try:
        return _scored(source, file)
    except CoatclassError:
        raise
    except Exception as error:
        return dict.fromkeys(COLUMNS) | {"file": file, "status": FAILED, PROBLEM: f"{type(error).__name__}: {error}"}


def _scored(source: PhotoSource, file: str) -> Row:
    from coatclass.estimating import estimate_photo

    return row_of(file, *estimate_photo(source, name=file if isinstance(source, bytes) else None))


def row_of(file: str, estimate: CoatEstimate | None, decision: Decision | None, report: PhotoReport | None) -> Row:
    """The row of a photo of which it is known what the program says."""
    row: Row = dict.fromkeys(COLUMNS) | {"file": file}
    if report is not None:
        row |= {"status": str(report.status), "dog_probability": report.dog_probability}
    if decision is not None:
        row["verdict"] = str(decision.verdict)
    if estimate is not None:
        row |= {f"p_{category}": p for category, p in zip(CATEGORIES, estimate.category, strict=True)}
        row |= {f"b_{band}": p for band, p in zip(BANDS, estimate.band, strict=True)}
        row["category"] = str(CATEGORIES[max(range(len(CATEGORIES)), key=estimate.category.__getitem__)])
        row["length_band"] = str(BANDS[max(range(len(BANDS)), key=estimate.band.__getitem__)])
        row["category_set"] = " ".join(decision.categories) if decision else None
    return row
