"""What is evaluated: labelled photos, read from a CSV or given, and what the program says about each."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite
from pathlib import Path
from typing import Any
from unicodedata import normalize

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from coatclass import photo
from coatclass.answers import Answers, parse
from coatclass.contract import CoatEstimate, Decision, PhotoEvidence, PhotoReport, Verdict
from coatclass.ensemble import Members
from coatclass.errors import InputError, PhotoError
from coatclass.estimating import Reading, decide, estimate, look
from coatclass.scoring import tables
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

__all__ = [
    "AS_WRITTEN",
    "COLUMNS",
    "FEWEST",
    "NOT_A_DOG",
    "UNKNOWN",
    "LabelledPhoto",
    "LabelledPhotos",
    "cie_lightness",
    "is_scored",
    "look_at",
    "look_at_one",
    "number_in",
    "picture_traits",
    "read_scored",
    "read_table",
    "with_decisions",
]

UNKNOWN = -1
NOT_A_DOG = "not_a_dog"
FEWEST = 5  # cases that a section needs: with fewer, its intervals say nothing
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_NEEDED = ("file", "category")
_LABELS: Mapping[str, Sequence[str]] = {
    **dict.fromkeys(("category", "category_1", "category_2"), tuple(CATEGORIES)),
    **dict.fromkeys(("band", "band_1", "band_2"), tuple(BANDS)),
}
_SCORED_LABELS = {"truth": tuple(CATEGORIES), "truth_band": tuple(BANDS)}
USABLE = {"": True, **dict.fromkeys(("y", "yes", "true", "1"), True), **dict.fromkeys(("n", "no", "false", "0"), False)}
"""What the column ``usable`` may say, in capital letters too, and what it means."""
AS_WRITTEN = "Take the table as `coatclass score` wrote it."
_POINTS = "Save it again as CSV with commas between the columns and points in numbers."
_MOST_NAMED = 10  # rows that a refusal names
COLUMNS = (
    "file",
    "category",
    "band",
    "group",
    "breed",
    "source",
    "usable",
    "category_1",
    "band_1",
    "category_2",
    "band_2",
    "confidence",
    "answers",
)
"""Columns of a researcher's table; what each holds stands in commands.toml of each language."""


@dataclass(frozen=True)
class LabelledPhoto:
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
class LabelledPhotos:
    """Cases, and their labels and probabilities as arrays."""

    rows: tuple[LabelledPhoto, ...]

    def __len__(self) -> int:
        return len(self.rows)

    def where(self, keep: Callable[[LabelledPhoto], bool]) -> LabelledPhotos:
        """The cases for which ``keep`` holds."""
        return LabelledPhotos(tuple(case for case in self.rows if keep(case)))

    def estimated(self, estimates: Sequence[CoatEstimate | None]) -> LabelledPhotos:
        """The same cases with other estimates."""
        return LabelledPhotos(tuple(replace(case, estimate=e) for case, e in zip(self.rows, estimates, strict=True)))

    @property
    def judged(self) -> LabelledPhotos:
        """Dogs with a known category and an estimate."""
        return self.where(lambda case: case.is_dog and case.category != UNKNOWN and case.estimate is not None)

    @property
    def measured(self) -> LabelledPhotos:
        """Judged dogs with a coat whose length could be seen."""
        return self.judged.where(lambda case: case.band != UNKNOWN and case.usable)

    @property
    def enough_bands(self) -> bool:
        """Whether enough lengths are known to report figures about them."""
        return len(self.measured) >= FEWEST

    @property
    def settled(self) -> NDArray[np.bool_]:
        """Which coats are called settled, (N,)."""
        said = [case.decision.verdict if case.decision else None for case in self.rows]
        return np.array([verdict is Verdict.SETTLED for verdict in said], dtype=bool)

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
        """Soft labels, (N, 7): each annotator's vote counts half; the agreed label where there aren't two."""
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


def read_table(table: Path) -> LabelledPhotos:
    """Read a researcher's CSV; its columns are :data:`COLUMNS`, of which ``file`` and ``category`` are needed.

    Raises:
        InputError: if the table can't be read, names a category or band that does not exist, or a file that is not
            there.
    """
    try:
        with table.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            tables.refuse_doubles(str(table), reader.fieldnames or ())
            missing = set(_NEEDED) - set(reader.fieldnames or ())
            if missing:
                raise tables.lacking(str(table), missing, _about_columns(reader.fieldnames or ()))
            rows = list(reader)
            _check_labels(table, rows)
            cases = tuple(_case(table, number, row) for number, row in enumerate(rows, start=2))
    except OSError as error:
        raise InputError(str(table), f"can't be read ({error.strerror}).", "Name a CSV file.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(str(table), "is not a CSV in UTF-8.", "Save it again as CSV (UTF-8).") from error
    if not cases:
        raise InputError(str(table), "names no photos.", "Add one row a photo.")
    _check_files(table, cases)
    return LabelledPhotos(cases)


def _about_columns(has: Sequence[str]) -> str:
    """What to do about a table that lacks columns."""
    if len(has) == 1 and any(mark in has[0] for mark in ";\t"):  # as a spreadsheet writes where 0,5 is a half
        return _POINTS
    return f"The first row names the columns. It has: {', '.join(has)}." if has else "Add one row a photo."


def number_in(table: str | Path, row: int, column: str, cell: Any) -> float:
    """The number in a cell of a table of scores.

    Raises:
        InputError: if it is none.
    """
    try:
        return float(cell)
    except (TypeError, ValueError):
        next_step = _POINTS if "," in str(cell) else AS_WRITTEN
        raise InputError(str(table), f"has '{cell}' as {column} in row {row}: no number.", next_step) from None


def is_scored(table: Path) -> bool:
    """Whether a table holds scores, as ``coatclass score`` writes them, rather than photos to be looked at."""
    with table.open(newline="", encoding="utf-8-sig", errors="replace") as stream:
        return f"p_{CATEGORIES[0]}" in (next(csv.reader(stream), None) or ())


def read_scored(table: Path) -> LabelledPhotos:
    """Read a table of ``coatclass score`` with a column ``truth``, and ``truth_band`` and ``group`` if it has them.

    Raises:
        InputError: if a column is missing, or a cell is no number or no category.
    """
    needed = {"file", "truth", "verdict", "category_set"}
    needed |= {f"p_{one}" for one in CATEGORIES} | {f"b_{one}" for one in BANDS}
    try:
        with table.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            tables.refuse_doubles(str(table), reader.fieldnames or ())
            if missing := needed - set(reader.fieldnames or ()):
                raise tables.lacking(str(table), missing, "Add to the table of `coatclass score` a column 'truth'.")
            return LabelledPhotos(tuple(_scored(table, number, row) for number, row in enumerate(reader, start=2)))
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(str(table), "is not a CSV in UTF-8.", "Save it again as CSV (UTF-8).") from error


def _scored(table: Path, number: int, row: dict[str, str | None]) -> LabelledPhoto:
    cells = {name: (text or "").strip() for name, text in row.items() if isinstance(text, str)}
    truth = {"category": cells.get("truth", ""), "band": cells.get("truth_band", "")}
    named = {"file": cells["file"], "group": cells.get("group", ""), "usable": cells.get("usable", ""), **truth}
    _check_labels(table, [cells], first=number, labels=_SCORED_LABELS, exact=True)
    case = _case(table, number, named)
    if not cells[f"p_{CATEGORIES[0]}"]:
        return case  # the photo was refused when it was scored
    coat, length = (
        tuple(number_in(table, number, f"{kind}_{one}", cells[f"{kind}_{one}"]) for one in names)
        for kind, names in (("p", CATEGORIES), ("b", BANDS))
    )
    try:
        verdict = Verdict(cells["verdict"])
        categories = tuple(CoatCategory(one) for one in cells["category_set"].split())
    except ValueError as error:
        column = "verdict" if cells["verdict"] not in tuple(Verdict) else "category_set"
        problem = f"has '{cells[column]}' as {column} in row {number}."
        raise InputError(str(table), problem, AS_WRITTEN) from error
    if any(abs(sum(one) - 1) > 0.01 or min(one) < 0 for one in (coat, length)):
        problem = f"has probabilities in row {number} that don't add up to 1."
        raise InputError(str(table), problem, AS_WRITTEN)
    return replace(
        case,
        estimate=CoatEstimate(category=coat, band=length, regime="photo"),
        decision=Decision(categories=categories, bands=(), verdict=verdict),
    )


def _check_files(table: Path, cases: Sequence[LabelledPhoto]) -> None:
    """Name all missing photos before the first one is opened."""
    absent = [(row, case.file) for row, case in enumerate(cases, start=2) if not case.path.is_file()]
    if absent:
        row, file = absent[0]
        problem = f"names '{file}' in row {row}, which is no file."
        if len(absent) > 1:
            problem = f"names {len(absent)} files that are not there, by row: {_by_row(absent)}."
        next_step = f"Names are taken from the folder of the table, {table.parent}."
        raise InputError(str(table), problem, next_step, code="no_such_photo")


def _check_labels(
    table: Path,
    rows: Sequence[Mapping[str, str | None]],
    first: int = 2,
    labels: Mapping[str, Sequence[str]] = _LABELS,
    *,
    exact: bool = False,
) -> None:
    """Name all words of a column that are no labels at once, so that a table is corrected once.

    Args:
        exact: capital letters are a mistake, as they are among the scores beside them.
    """
    for name, words in labels.items():
        said = [(number, (row.get(name) or "").strip()) for number, row in enumerate(rows, start=first)]
        known = ("", NOT_A_DOG, *words)
        wrong = [(number, word) for number, word in said if (word if exact else word.casefold()) not in known]
        if wrong:
            number, word = wrong[0]
            problem = f"has '{word}' as {name} in row {number}."
            if len(wrong) > 1:
                problem = f"has {len(wrong)} unknown words as {name}, by row: {_by_row(wrong)}."
            raise InputError(str(table), problem, f"It must be one of: {', '.join(words)}.")


def _by_row(found: Sequence[tuple[int, str]]) -> str:
    """Rows and what they hold, without words to translate: ``3 ('furr'), 7 ('?')``."""
    return ", ".join(f"{row} ('{said}')" for row, said in found[:_MOST_NAMED]) + " …" * (len(found) > _MOST_NAMED)


def _placed(folder: Path, file: str) -> Path:
    """Where a file lies: accents may be written in one or two characters (Unicode NFC, NFD), a Mac writes two."""
    named = [folder / normalize(form, file) for form in ("NFC", "NFD")]
    return next((path for path in named if path.is_file()), folder / file)


def _case(table: Path, number: int, row: Mapping[str, str | None]) -> LabelledPhoto:
    """A row whose labels were checked."""

    def cell(name: str) -> str:
        return (row.get(name) or "").strip()

    def label(name: str) -> int:
        words, word = _LABELS[name], cell(name).casefold()
        return words.index(word) if word in words else UNKNOWN

    if cell("usable").casefold() not in USABLE:
        problem = f"has '{cell('usable')}' as usable in row {number}."
        raise InputError(str(table), problem, f"It must be one of: {', '.join(filter(None, USABLE))}.")
    if not cell("file"):
        raise InputError(str(table), f"names no file in row {number}.", "Fill in the column 'file'.")
    return LabelledPhoto(
        file=cell("file"),
        path=_placed(table.parent, cell("file")),
        group=cell("group") or cell("file"),
        category=label("category"),
        band=label("band"),
        is_dog=cell("category").casefold() != NOT_A_DOG,
        usable=USABLE[cell("usable").casefold()],
        categories_by=(label("category_1"), label("category_2")),
        bands_by=(label("band_1"), label("band_2")),
        confidence=_confidence(table, number, cell("confidence")),
        breed=cell("breed"),
        source=cell("source"),
        answers=_answers(table, number, cell("answers")),
    )


def _confidence(table: Path, number: int, text: str) -> float | None:
    try:
        confidence = float(text) if text else None
    except ValueError:
        confidence = float("nan")
    if confidence is not None and not isfinite(confidence):
        raise InputError(str(table), f"has '{text}' as confidence in row {number}.", "It must be a number.")
    return confidence


def _answers(table: Path, number: int, file: str) -> Answers | None:
    if not file:
        return None
    if not (table.parent / file).is_file():
        problem = f"names the answers '{file}' in row {number}, which is no file."
        raise InputError(str(table), problem, f"Names are taken from the folder of the table, {table.parent}.")
    return parse(table.parent / file)


def look_at(cases: LabelledPhotos, advance: Callable[[], None] = lambda: None) -> LabelledPhotos:
    """Open every photo, let the image model read it, and measure it; refused photos keep their report only."""
    looked = []
    for case in cases.rows:
        looked.append(look_at_one(case, case.path))
        advance()
    return LabelledPhotos(tuple(looked))


def look_at_one(case: LabelledPhoto, source: Path | bytes) -> LabelledPhoto:
    """Open one picture and let the image model read it."""
    try:
        seen = look(source, name=case.file)
    except PhotoError as error:
        return replace(case, report=photo.refusal(error))
    traits = picture_traits(seen.photo.image, seen.mask) | {"short_side_px": float(min(seen.photo.original_size))}
    return replace(case, report=seen.report, evidence=seen.evidence, traits=traits)


def picture_traits(image: Image.Image, mask: NDArray[np.float32]) -> dict[str, float]:
    """Lightness of the coat (median CIE L* inside the mask, 0 to 100), of the picture (mean), and the share of dog."""
    lightness = cie_lightness(np.asarray(image.resize((mask.shape[1] * 8, mask.shape[0] * 8)).convert("RGB")))
    inside = np.kron(mask, np.ones((8, 8))) > 0.5
    return {
        "coat_lightness": float(np.median(lightness[inside])) if inside.any() else float("nan"),
        "picture_lightness": float(lightness.mean()),
        "dog_share": float(mask.mean()),
    }


def cie_lightness(pixels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """CIE L* (0 to 100) of sRGB pixels (H, W, 3), 0 to 255.

    Sources: IEC 61966-2-1 for linear light and its luminance, CIE 15 for L* of it.
    """
    encoded = pixels.astype(np.float64) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    dark = (29 / 3) ** 3 * luminance
    lightness: NDArray[np.float64] = np.where(luminance > (6 / 29) ** 3, 116 * np.cbrt(luminance) - 16, dark)
    return lightness


def with_decisions(
    cases: LabelledPhotos, *, use_answers: bool = False, members: Members | None = None
) -> LabelledPhotos:
    """Estimate and decide for every case: by its photo alone, or with its own answers too; by the released members."""
    decided = []
    for case in cases.rows:
        reports = [case.report] if case.report else []
        evidence = Reading.of(case.report, case.evidence).evidence if case.report else case.evidence
        known = estimate([evidence] if evidence else [], case.answers if use_answers else None, members=members)
        coat = known.coat if known.coat.regime != "none" else None
        decided.append(replace(case, estimate=coat, decision=decide(known, reports)))
    return LabelledPhotos(tuple(decided))
