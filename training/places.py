"""What the commands share: where photos, released files and aims lie, tables in CSV, and what files were made from."""

from __future__ import annotations

import argparse
import csv
import hashlib
import os
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from coatclass import resources
from coatclass.errors import InputError

ROOT = Path(__file__).resolve().parent.parent
EVIDENCE = {
    "group": "evidence.npz",
    "breed": "evidence_unseen_breeds.npz",
    "source": "evidence_unseen_sources.npz",
}
"""Released evidence by what was held out: the dog (``group``), every dog of its breed, every photo of its source."""


@cache
def aims() -> dict[str, Any]:
    """What was hoped for, by part of the report: ``configs/aims.toml``."""
    return tomllib.loads((ROOT / "training" / "configs" / "aims.toml").read_text(encoding="utf-8"))


def photos_folder() -> Path:
    """Where the labelled photos lie: COATCLASS_PHOTOS, or the folder beside the checkout."""
    return Path(os.environ.get("COATCLASS_PHOTOS", ROOT.parent / "shared" / "photos"))


def add_photos_argument(parser: argparse.ArgumentParser) -> None:
    """Declare ``--photos``."""
    parser.add_argument(
        "--photos",
        type=Path,
        default=photos_folder(),
        help="folder with manifest.csv (default: COATCLASS_PHOTOS, or ../shared/photos)",
    )


def read_csv(path: Path, *, optional: bool = False, hint: str = "Name another file or folder.") -> list[dict[str, str]]:
    """Rows of a table in UTF-8; none if it is missing and ``optional``.

    Raises:
        InputError: if it is missing otherwise; ``hint`` says what to do.
    """
    if path.is_file():
        return list(resources.read_csv(path))
    if optional:
        return []
    raise InputError(str(path), "is not there.", hint, code="missing")


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write rows as CSV in UTF-8, by way of a file beside it, so that nothing is left half-written.

    Columns that a row lacks stay empty, others than ``columns`` are left out.
    """
    half = path.with_suffix(path.suffix + ".part")
    with half.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(columns), extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    half.replace(path)


def sha256(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def code_sha256(root: Path = ROOT) -> str:
    """One SHA-256 over the code and data that shape a release, in hexadecimal: any checkout can count it again.

    A commit can't be named: while a release is made its code is often not committed yet, and commits are rebased.
    """
    files = sorted(path for room in ("coatclass", "training") for kind in ("py", "toml", "csv")
                   for path in (root / room).rglob(f"*.{kind}"))  # fmt: skip
    lines = (f"{sha256(path)} {path.relative_to(root).as_posix()}\n" for path in files)
    return hashlib.sha256("".join(lines).encode()).hexdigest()
