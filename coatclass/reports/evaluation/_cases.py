"""What is evaluated: labelled photos, what the program said of each, and a table of them read from a CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coatclass.answers import Answers
from coatclass.contract import CoatEstimate, Decision, PhotoEvidence, PhotoReport
from coatclass.errors import InputError
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = ["NOT_A_DOG", "UNKNOWN", "Case", "Cases", "read_table"]

UNKNOWN = -1
NOT_A_DOG = "not_a_dog"
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One labelled photo. Labels are places in CATEGORIES and BANDS, UNKNOWN (-1) where nobody said.

    ``categories_by``, ``bands_by``: both annotators' labels. ``confidence``: the less sure annotator's, None if none.
    ``traits``: numbers measured on the picture, such as lightness.
    """

    file: str
    path: Path
    group: str
    category: int
    band: int
    is_dog: bool = True
    usable: bool = True
    categories_by: tuple[int, int] = (UNKNOWN, UNKNOWN)
    bands_by: tuple[int, int] = (UNKNOWN, UNKNOWN)
    confidence: float | None = None
    breed: str = ""
    source: str = ""
    answers: Answers | None = None
    report: PhotoReport | None = None
    evidence: PhotoEvidence | None = None
    estimate: CoatEstimate | None = None
    decision: Decision | None = None
    traits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Cases:
    """Many cases, and their numbers as arrays."""

    rows: tuple[Case, ...]

    def __len__(self) -> int:
        return len(self.rows)

    def where(self, keep: Callable[[Case], bool]) -> Cases:
        """The cases that ``keep`` says."""
        return Cases(tuple(case for case in self.rows if keep(case)))

    def estimated(self, estimates: Sequence[CoatEstimate | None]) -> Cases:
        """The same cases with other estimates."""
        return Cases(tuple(replace(case, estimate=e) for case, e in zip(self.rows, estimates, strict=True)))

    @property
    def judged(self) -> Cases:
        """Dogs with a known category on which the program said something."""
        return self.where(lambda case: case.is_dog and case.category != UNKNOWN and case.estimate is not None)

    @property
    def measured(self) -> Cases:
        """Judged dogs with a coat whose length could be seen."""
        return self.judged.where(lambda case: case.band != UNKNOWN and case.usable)

    @property
    def groups(self) -> list[str]:
        """Group of each case."""
        return [case.group for case in self.rows]

    @property
    def truth(self) -> Ints:
        """Category of each case."""
        return np.array([case.category for case in self.rows], dtype=np.int64)

    @property
    def band(self) -> Ints:
        """Band of each case."""
        return np.array([case.band for case in self.rows], dtype=np.int64)

    @property
    def shares(self) -> Floats:
        """How the annotators split, (N, 7); the agreed label where only one or none is on record."""
        shares = np.eye(len(CATEGORIES))[self.truth]
        for row, case in enumerate(self.rows):
            if UNKNOWN not in case.categories_by:
                shares[row] = np.eye(len(CATEGORIES))[list(case.categories_by)].mean(axis=0)
        return shares

    @property
    def p_category(self) -> Floats:
        """P(category), (N, 7); cases without an estimate are not allowed."""
        return np.array([case.estimate.category for case in self.rows if case.estimate]).reshape(-1, len(CATEGORIES))

    @property
    def p_band(self) -> Floats:
        """P(band), (N, 4)."""
        return np.array([case.estimate.band for case in self.rows if case.estimate]).reshape(-1, len(BANDS))


def read_table(table: Path) -> Cases:
    """Read a researcher's CSV.

    Columns: ``file`` (relative to the CSV), ``category`` and ``band`` by coatclass's names (``not_a_dog`` for other
    pictures; empty where unknown); optional ``group`` (photos of one dog share it), ``breed``, ``answers`` (a JSON
    file), ``source``, ``category_1``, ``band_1``, ``category_2``, ``band_2``, ``confidence``, ``usable`` (y or not).

    Raises:
        InputError: if the table can't be read, or names a category or band that does not exist.
    """
    try:
        with table.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            missing = {"file", "category", "band"} - set(reader.fieldnames or ())
            if missing:
                raise InputError(
                    str(table), f"has no column {', '.join(sorted(missing))}.", "The first row names the columns."
                )
            cases = tuple(_case(table, number, row) for number, row in enumerate(reader, start=2))
    except OSError as error:
        raise InputError(str(table), f"can't be read ({error.strerror}).", "Name a CSV file.") from error
    except UnicodeDecodeError as error:
        raise InputError(str(table), "is not a CSV in UTF-8.", "Save it again as CSV (UTF-8).") from error
    if not cases:
        raise InputError(str(table), "names no photos.", "Add one row a photo.")
    return Cases(cases)


def _case(table: Path, number: int, row: dict[str, str | None]) -> Case:
    from coatclass.answers import parse

    def cell(name: str) -> str:
        return (row.get(name) or "").strip()

    def label(name: str, words: Sequence[str]) -> int:
        word = cell(name)
        if not word or word == NOT_A_DOG:
            return UNKNOWN
        if word not in words:
            problem = f"has '{word}' as {name} in row {number}."
            raise InputError(str(table), problem, f"It must be one of: {', '.join(words)}.")
        return list(words).index(word)

    if not cell("file"):
        raise InputError(str(table), f"names no file in row {number}.", "Fill in the column 'file'.")
    if (confidence := cell("confidence")) and not confidence.replace(".", "", 1).isdigit():
        raise InputError(str(table), f"has '{confidence}' as confidence in row {number}.", "It must be a number.")
    return Case(
        file=cell("file"),
        path=table.parent / cell("file"),
        group=cell("group") or cell("file"),
        category=label("category", CATEGORIES),
        band=label("band", BANDS),
        is_dog=cell("category") != NOT_A_DOG,
        usable=cell("usable") in ("", "y"),
        categories_by=(label("category_1", CATEGORIES), label("category_2", CATEGORIES)),
        bands_by=(label("band_1", BANDS), label("band_2", BANDS)),
        confidence=float(confidence) if confidence else None,
        breed=cell("breed"),
        source=cell("source"),
        answers=parse(table.parent / cell("answers")) if cell("answers") else None,
    )
