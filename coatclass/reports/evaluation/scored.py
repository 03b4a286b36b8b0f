"""Evaluation of a table of scores with labels, of any length: no photo is needed, and rows are read in pieces."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from coatclass.contract import Verdict
from coatclass.decision import promise
from coatclass.errors import InputError
from coatclass.reports.evaluation.breakdowns import breed_kind
from coatclass.reports.evaluation.cases import (
    AS_WRITTEN,
    COLUMNS,
    FEWEST,
    NOT_A_DOG,
    UNKNOWN,
    USABLE,
    number_in,
)
from coatclass.reports.evaluation.figures import REST, class_rows, counted
from coatclass.reports.evaluation.metrics import Figure
from coatclass.reports.evaluation.sums import Floats, Hashes, Part, Tally, differences, hashed, in_steps, interval
from coatclass.scoring import tables
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, category_label
from coatclass.words import catalogue

__all__ = ["SCORED_COLUMNS", "column_meanings", "compare", "is_table_of_scores", "report_of_scores"]

SCORED_COLUMNS = ("truth", "truth_band", "group, breed, source, usable, category_1, category_2")
_TRUTH, _BAND = ("truth", "given_category"), ("truth_band", "band")
_LABELS = ("group", "breed", "source", "usable", "category_1", "category_2")
_VERDICTS = (Verdict.SETTLED, Verdict.NARROWED, Verdict.HANDS_ON)
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_IS_OTHER = -2  # as a truth: another picture, no dog
_MOST_VALUES = 40  # of a column, in the order in which they come; the rest is one row
_LISTED = 50  # refused photos
_POINTS = 2000  # of a curve
Ints = NDArray[np.int64]
T = TypeVar("T")


def column_meanings(language: str = "en", *, scored: bool = False) -> dict[str, str]:
    """What each column of a researcher's table, or of labels in a table of scores, holds."""
    say = catalogue(language, "commands").say
    kind, names = ("scored", SCORED_COLUMNS) if scored else ("photos", COLUMNS)
    values = {"categories": ", ".join(CATEGORIES), "bands": ", ".join(BANDS), "not_a_dog": NOT_A_DOG}
    return {name: say(f"evaluate.columns.{kind}.{name}", **values) for name in names}


def is_table_of_scores(table: Path) -> bool:
    """Whether a table, CSV or Parquet, holds what ``coatclass score`` writes.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet and pyarrow is not installed.
    """
    return f"p_{CATEGORIES[0]}" in tables.columns(str(table))


# --- reading ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Piece:
    """Some rows of the table.

    Attributes:
        row: number of the first one, as a spreadsheet counts.
        truth: category, -1 not known, -2 no dog. band: -1 not known or not to be seen.
        scored: whether the photo was not refused. p, b: probabilities, meaningful in scored rows only.
        verdict: place among settled, narrowed, hands on; 3 for none. sets: bits of the category set.
        own: whether the photo is a group of its own. cells: the other columns that were asked for.
    """

    row: int
    file: list[str]
    truth: Ints
    band: Ints
    scored: NDArray[np.bool_]
    p: Floats
    b: Floats
    shares: Floats
    verdict: Ints
    sets: Ints
    group: Hashes
    own: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    cells: Mapping[str, list[str]]

    def counted(self, of: NDArray[np.bool_]) -> Ints:
        """Row indices of some photos, in the order in which they are summed."""
        places = np.flatnonzero(of)
        return places[in_steps(self.p[places])]

    @property
    def judged(self) -> NDArray[np.bool_]:
        """Dogs with a known coat that were not refused."""
        return self.scored & (self.truth >= 0)

    def part(self, keep: Ints) -> Part:
        """The photos at some places."""
        band = np.where(self.usable, self.band, UNKNOWN)
        whole = Part(self.truth, self.p, self.shares, band, self.b, self.group)
        return whole.where(keep)


class _Reader:
    """A table of scores: which columns tell the labels, and its rows in pieces."""

    def __init__(self, table: Path, by: Sequence[str] = (), *, labels: bool = True) -> None:
        self.name = str(table)
        there = tables.columns(self.name)
        needed = {"file", "verdict", "category_set"}
        needed |= {f"p_{one}" for one in CATEGORIES} | {f"b_{one}" for one in BANDS}
        if missing := needed - set(there):
            raise tables.lacking(self.name, missing, AS_WRITTEN)
        self.truth = next((name for name in _TRUTH if name in there), None)
        self.band = next((name for name in _BAND if name in there), None)
        if labels and self.truth is None:
            raise InputError(self.name, "has no column 'truth'.", "Add to the table of `coatclass score` the category.")
        if missing := set(by) - set(there):
            names = ", ".join(sorted(missing))
            problem = (
                f"has no columns {names}, by which to break it down."
                if len(missing) > 1
                else f"has no column {names}, by which to break it down."
            )
            raise InputError(self.name, problem, f"It has: {', '.join(there)}.")
        self.by = tuple(by)
        self.labels = tuple(name for name in _LABELS if name in there)
        self.told = {name: codes for name, codes in _TOLD.items() if name in there}
        wanted = (*needed, self.truth, self.band, *self.told, *self.labels, *by)
        self._wanted = [name for name in there if name in wanted]

    def __iter__(self) -> Iterator[_Piece]:
        number = 2
        for columns in tables.pieces(self.name, self._wanted):
            yield self._piece(number, columns)
            number += len(columns["file"])

    def _piece(self, number: int, columns: Mapping[str, list[Any]]) -> _Piece:
        n = len(columns["file"])

        def texts(name: str | None) -> list[str]:
            return _each(columns[name], _text) if name and name in columns else [""] * n

        def labels(name: str | None, codes: Mapping[str, int], *, exact: bool = True) -> Ints:
            found = _each(texts(name), lambda text: codes.get(text if exact else text.casefold(), -9))
            if -9 in found:
                place = found.index(-9)
                problem = f"has '{texts(name)[place]}' as {name} in row {number + place}."
                raise InputError(self.name, problem, f"It must be one of: {', '.join(filter(None, codes))}.")
            return np.array(found, dtype=np.int64)

        scored = np.array([cell not in (None, "") for cell in columns[f"p_{CATEGORIES[0]}"]])
        p = self._numbers(number, columns, [f"p_{one}" for one in CATEGORIES], scored)
        b = self._numbers(number, columns, [f"b_{one}" for one in BANDS], scored)
        for name, codes in self.told.items():
            labels(name, codes)  # not reckoned with, but a word that is no coat shows a table that slipped
        truth = labels(self.truth, _TRUTHS)
        votes = [labels(name if name in columns else None, _COATS) for name in ("category_1", "category_2")]
        file, group = texts("file"), texts("group")
        if "" in file:
            problem = f"names no file in row {number + file.index('')}."
            raise InputError(self.name, problem, "Fill in the column 'file'.")
        return _Piece(
            row=number,
            file=file,
            truth=truth,
            band=labels(self.band, _BANDS),
            scored=scored,
            p=p,
            b=b,
            shares=_shares(truth, *votes),
            verdict=labels("verdict", _SAID),
            sets=np.array(_each(texts("category_set"), partial(_bits, self.name)), dtype=np.int64),
            group=hashed(one or other for one, other in zip(group, file, strict=True)),
            own=np.array([not one or one == other for one, other in zip(group, file, strict=True)]),
            usable=labels("usable", USABLE, exact=False).astype(bool),
            cells={name: texts(name) for name in {*self.labels, *self.by}},
        )

    def _numbers(self, number: int, columns: Mapping[str, list[Any]], names: list[str], scored: Any) -> Floats:
        """Probabilities (N, classes); 1 and zeros where the photo was refused."""
        try:
            found = np.array([[float(cell) if cell not in (None, "") else 0.0 for cell in columns[n]] for n in names]).T
        except ValueError:
            for row, cells in enumerate(zip(*(columns[name] for name in names), strict=True), start=number):
                for name, cell in zip(names, cells, strict=True):
                    number_in(self.name, row, name, 0.0 if cell is None or cell == "" else cell)
            raise
        if (torn := ~scored & (found != 0).any(axis=1)).any():
            problem = f"lacks some of the probabilities in row {number + int(torn.argmax())}."
            raise InputError(self.name, problem, AS_WRITTEN)
        with np.errstate(invalid="ignore"):  # infinities: refused like any other wrong sum
            bad = scored & ~((np.abs(found.sum(axis=1) - 1) <= 0.01) & (found >= 0).all(axis=1))
        if bad.any():
            problem = f"has probabilities in row {number + int(bad.argmax())} that don't add up to 1."
            raise InputError(self.name, problem, AS_WRITTEN)
        return found


def _text(cell: Any) -> str:
    """A cell as text; what is False in a Parquet file says so."""
    return "" if cell is None else str(cell).strip()


def _each(cells: Sequence[Any], of: Callable[[Any], T]) -> list[T]:
    """Apply a function to each cell, once for each distinct value: most columns hold few different words."""
    found = {cell: of(cell) for cell in set(cells)}
    return [found[cell] for cell in cells]


_COATS = {"": UNKNOWN, **{str(word): place for place, word in enumerate(CATEGORIES)}}
_TRUTHS = {**_COATS, NOT_A_DOG: _IS_OTHER}
_BANDS = {"": UNKNOWN, **{str(word): place for place, word in enumerate(BANDS)}}
_TOLD = {"category": _COATS, "length_band": _BANDS}
_SAID = {"": len(_VERDICTS), **{str(word): len(_VERDICTS) for word in Verdict}}
_SAID |= {str(word): place for place, word in enumerate(_VERDICTS)}


def _shares(truth: Ints, first: Ints, second: Ints) -> Floats:
    """Each annotator's vote counts half; the agreed label where there aren't two."""
    one = np.eye(len(CATEGORIES))
    both = (first >= 0) & (second >= 0)
    shares: Floats = np.where(both[:, None], (one[first] + one[second]) / 2, one[np.maximum(truth, 0)])
    return shares


def _bits(table: str, words: str) -> int:
    try:
        return sum(1 << _COATS[word] for word in set(words.split()))
    except (KeyError, ValueError) as error:
        raise InputError(table, f"has '{words}' as category_set.", AS_WRITTEN) from error


# --- counting ---------------------------------------------------------------------------------------------------------


class _Counts:
    """Everything that is counted in one pass, beside the sums of the figures."""

    def __init__(self, resamples: int, gallery: int, by: Sequence[str]) -> None:
        self.tally = Tally(resamples)
        self.rows = self.refused = self.others = self.alone = 0
        self.refused_first: list[dict[str, Any]] = []
        self.sets = np.zeros((len(CATEGORIES), 3), dtype=np.int64)  # by label: holds it, names, names one only
        self.verdicts = np.zeros((len(_VERDICTS) + 1, len(CATEGORIES), 2), dtype=np.int64)  # by what was said: n, wrong
        self.mixed: Counter[str] = Counter()
        self.sources: dict[str, list[int]] = {}
        self.groups = {name: _Breakdown(name, resamples) for name in by}
        self._errors: list[tuple[float, int, dict[str, Any]]] = []
        self._gallery, self._number = gallery, count()

    def add(self, piece: _Piece) -> None:
        self.rows += len(piece.file)
        refused = ~piece.scored & (piece.truth != _IS_OTHER)
        self.refused += int(refused.sum())
        self.others += int((piece.truth == _IS_OTHER).sum())
        for place in np.flatnonzero(refused)[: _LISTED - len(self.refused_first)]:
            row = {"file": piece.file[place], "is_dog": True, "reason": "It was refused when it was scored."}
            self.refused_first.append(row)
        keep = piece.counted(piece.judged)
        part = piece.part(keep)
        counts = self.tally.add(part)
        if not len(part.truth):
            return
        guess = part.p.argmax(axis=1)
        self.alone += int(piece.own[keep].sum())
        self._count_sets(part.truth, piece.sets[keep])
        self._count_verdicts(part.truth, guess, piece.verdict[keep], piece.sets[keep])
        self._count_sources(piece, keep, guess != part.truth)
        for name, group in self.groups.items():
            group.add(_values(name, piece, keep), part, piece.verdict[keep] == 0, counts)
        self._keep_errors(piece, keep, part, guess)

    def _count_sets(self, truth: Ints, sets: Ints) -> None:
        sizes = (sets[:, None] >> np.arange(len(CATEGORIES)) & 1).sum(axis=1)
        for column, values in enumerate(((sets >> truth) & 1, sizes, sizes == 1)):
            np.add.at(self.sets[:, column], truth, values)

    def _count_verdicts(self, truth: Ints, guess: Ints, verdict: Ints, sets: Ints) -> None:
        np.add.at(self.verdicts[..., 0], (verdict, guess), 1)
        np.add.at(self.verdicts[..., 1], (verdict, guess), guess != truth)
        mixed = truth == _MIXED
        told = mixed & (verdict <= 1)
        self.mixed["photos"] += int(mixed.sum())
        self.mixed["settled"] += int((mixed & (verdict == 0)).sum())
        self.mixed["ruled_out"] += int((told & ((sets >> _MIXED) & 1 == 0)).sum())
        self.mixed["sent"] += int((mixed & (verdict == 2)).sum())

    def _count_sources(self, piece: _Piece, keep: Ints, wrong: NDArray[np.bool_]) -> None:
        sources = piece.cells.get("source")
        if sources is None:
            return
        settled = piece.verdict[keep] == 0
        told = Counter(zip([sources[place] for place in keep[settled]], wrong[settled], strict=True))
        for (source, is_wrong), many in told.items():
            if source:
                row = self.sources.setdefault(source, [0, 0])
                row[0] += many
                row[1] += many * int(is_wrong)

    def _keep_errors(self, piece: _Piece, rows: Ints, part: Part, guess: Ints) -> None:
        wrong = np.flatnonzero(guess != part.truth)
        sure = part.p[wrong].max(axis=1)
        if len(self._errors) == self._gallery and self._gallery:
            kept = sure > self._errors[0][0]
            wrong, sure = wrong[kept], sure[kept]
        for place, sureness in zip(wrong.tolist(), sure.tolist(), strict=True):
            entry = (sureness, -next(self._number), _error(piece, int(rows[place]), part, place, int(guess[place])))
            heapq.heappush(self._errors, entry)
            if len(self._errors) > self._gallery:
                heapq.heappop(self._errors)

    @property
    def errors(self) -> list[dict[str, Any]]:
        """The surest errors, surest first."""
        return [error for _, _, error in sorted(self._errors, key=lambda entry: entry[:2], reverse=True)]


def _values(name: str, piece: _Piece, keep: Ints) -> list[str]:
    if name == _SHOWN:
        return [_SHOWN_AS[usable] for usable in piece.usable[keep].tolist()]
    cells = piece.cells[name]
    values = [cells[place] for place in keep]
    return [breed_kind(value) if value else "" for value in values] if name == "breed" else values


_SHOWN = "what is shown"
_SHOWN_AS = {True: "one dog, coat judgeable", False: "head or part of the coat only, or several dogs"}


class _Breakdown:
    """Accuracy, log loss and verdicts by the values of a column."""

    def __init__(self, name: str, resamples: int) -> None:
        self.name = name
        self._codes: dict[str, int] = {}
        self._sums = np.zeros((_MOST_VALUES + 1, 3, 1 + resamples))  # photos, right ones, log losses
        self._settled = np.zeros((_MOST_VALUES + 1, 2), dtype=np.int64)

    def add(self, values: list[str], part: Part, settled: NDArray[np.bool_], counts: NDArray[np.float32]) -> None:
        for value in dict.fromkeys(values):
            if len(self._codes) < _MOST_VALUES:
                self._codes.setdefault(value, len(self._codes))
        codes = np.array([self._codes.get(value, _MOST_VALUES) for value in values])
        rows = np.arange(len(codes))
        right = part.p.argmax(axis=1) == part.truth
        loss = -np.log(part.p[rows, part.truth].clip(1e-12))
        there = np.unique(codes)
        one = codes[:, None] == there
        features = np.stack([one, one * right[:, None], one * loss[:, None]], axis=1).reshape(len(codes), -1)
        shape = (3, len(there), -1)
        self._sums[there, :, 0] += features.sum(axis=0).reshape(shape[:2]).T
        self._sums[there, :, 1:] += (features.T.astype(np.float32) @ counts).reshape(shape).swapaxes(0, 1)
        np.add.at(self._settled, codes[settled], np.column_stack([np.ones(settled.sum(), int), ~right[settled]]))

    def rows(self) -> list[dict[str, Any]]:
        """One row a value; too few photos are counted, not judged."""
        rows = []
        for value, code in (*sorted(self._codes.items()), (REST, _MOST_VALUES)):
            photos, right, loss = self._sums[code]
            n = round(float(photos[0]))
            if not n or not value:
                continue
            row: dict[str, Any] = {"kind": self.name, "name": value, "n": n}
            if n >= FEWEST:
                with np.errstate(invalid="ignore", divide="ignore"):
                    row |= {"accuracy": _figure(right / photos, n), "log_loss": _figure(loss / photos, n)}
                settled, wrong = self._settled[code].tolist()
                row |= {"settled": settled / n, "wrong_among_settled": wrong}
            rows.append(row)
        return rows


def _figure(values: Floats, n: int) -> Figure:
    return Figure(float(values[0]), *interval(values), n)


def _error(piece: _Piece, row: int, part: Part, place: int, guess: int) -> dict[str, Any]:
    p, truth = part.p[place], int(part.truth[place])
    votes = [word for name in ("category_1", "category_2") if (word := piece.cells.get(name, [""] * (row + 1))[row])]
    return {
        "file": piece.file[row],
        "said": category_label(CATEGORIES[guess]),
        "sureness": float(p[guess]),
        "label": category_label(CATEGORIES[truth]),
        "probability_of_label": float(p[truth]),
        "annotators": [category_label(CoatCategory(word)) for word in votes],
        "annotators_confidence": None,
        "verdict": str(_VERDICTS[piece.verdict[row]]) if piece.verdict[row] < len(_VERDICTS) else None,
        "breed": piece.cells["breed"][row] if "breed" in piece.cells else "",
    }


# --- the report -------------------------------------------------------------------------------------------------------


def report_of_scores(
    table: Path,
    title: str,
    *,
    by: Sequence[str] = (),
    resamples: int = 1000,
    gallery: int = 24,
    advance: Callable[[int], None] = lambda rows: None,
) -> dict[str, Any]:
    """The report on a table of scores, with the sections that need nothing but it.

    Args:
        table: of ``coatclass score``, with labels: see :data:`SCORED_COLUMNS`.
        title: of the report.
        by: further columns by whose values to break the figures down.
        resamples: behind each interval.
        gallery: how many errors to list.
        advance: called with the number of rows of each piece.

    Raises:
        InputError: if the table can't be read, a column is missing, or too few photos can be judged.
    """
    reader = _Reader(table, by)
    kinds = [_SHOWN, *(name for name in ("breed", "source") if name in reader.labels and name not in by), *by]
    counts = _Counts(resamples, gallery, kinds)
    files: list[Hashes] = []  # 8 bytes a photo, whatever its name
    for piece in reader:
        counts.add(piece)
        files.append(hashed(piece.file))
        advance(len(piece.file))
    _refuse_twice(str(table), np.concatenate(files) if files else np.empty(0, np.uint64))
    if counts.tally.photos < FEWEST:
        problem = f"has {counts.tally.photos} dogs with a known category that were not refused."
        raise InputError(str(table), problem, f"At least {FEWEST} are needed: fill in the column 'truth'.")
    return _report(counts, title, reader)


def _refuse_twice(table: str, files: Hashes) -> None:
    """Refuse photos that are listed twice: they would count twice and make intervals too narrow."""
    order = np.argsort(files, kind="stable")
    again = np.flatnonzero(files[order[1:]] == files[order[:-1]])
    if len(again):
        first = again[order[again + 1].argmin()]
        one, other = (2 + int(order[place]) for place in (first, first + 1))
        problem = f"names the same photo in rows {one} and {other}."
        raise InputError(table, problem, "Take each photo once: of parts that overlap, leave one out.")


def _report(counts: _Counts, title: str, reader: _Reader) -> dict[str, Any]:
    from coatclass.reports.evaluation.report import notes, opening

    tally = counts.tally
    confusion = {"category": tally.confusion("category").tolist()}
    photo = tally.figures()
    calibration: dict[str, Any] = {"category_bins": tally.bins("category"), "risk_coverage": _thinned(*tally.curve())}
    if tally.measured >= FEWEST:
        confusion["band"] = tally.confusion("band").tolist()
        calibration["band_bins"] = tally.bins("band")
    else:
        photo.pop("band", None)
    dogs = tally.dogs
    said = notes(judged=tally.photos, alone=counts.alone, dogs=dogs, measured=tally.measured)
    said.append(
        "These figures are of a table of scores: no photo was opened. Intervals count each dog Poisson(1) times in "
        f"each of {tally.resamples} resamples (Hanley and MacGibbon 2006; Chamandy and others 2012)."
    )
    return {
        **opening(title),
        "scored_by": tables.maker(Path(reader.name)) if reader.name.endswith(".parquet") else None,
        "data": {
            "photos": counts.rows,
            "dogs": tally.photos,
            "groups": dogs,
            "refused": counts.refused,
            "other_pictures": counts.others,
        },
        "notes": said,
        "refused_photos": counts.refused_first,
        "photo": photo,
        "confusion": confusion,
        "classes": class_rows(confusion),
        "calibration": calibration,
        "sets": {"category": _set_rows(counts)},
        "verdicts": _verdict_rows(counts),
        "settled": _settled(counts),
        "mixed": {"these photos": _mixed(counts.mixed)},
        "subgroups": [row for group in counts.groups.values() for row in group.rows()],
        "errors": counts.errors,
    }


def _thinned(coverage: Floats, risk: Floats) -> dict[str, list[float]]:
    """Thin a curve to at most some thousand points, always keeping the last one."""
    step = -(-len(coverage) // _POINTS)
    places = np.arange(len(coverage) - 1, -1, -step)[::-1]
    return {"coverage": coverage[places].tolist(), "risk": risk[places].tolist()}


def _set_rows(counts: _Counts) -> list[dict[str, Any]]:
    labelled = counts.tally.confusion("category").sum(axis=1).round().astype(int)
    rows = []
    for name, of in [("all", slice(None)), *((str(word), slice(i, i + 1)) for i, word in enumerate(CATEGORIES))]:
        n, (hits, names, single) = int(labelled[of].sum()), counts.sets[of].sum(axis=0).tolist()
        if n:
            told = counted(hits, n)
            rows.append({"class": name, "n": n, "coverage": hits / n, "interval": told["interval"]})
            rows[-1] |= {"mean_size": names / n, "single": single / n}
    return rows


def _verdict_rows(counts: _Counts) -> list[dict[str, Any]]:
    rows = []
    for verdict, (n, wrong) in zip(_VERDICTS, counts.verdicts.sum(axis=1).tolist(), strict=False):
        row = {"verdict": str(verdict), "n": n, "share": n / counts.tally.photos, "wrong": wrong}
        rows.append(row | {"interval": counted(wrong, n)["interval"]})
    return rows


def _settled(counts: _Counts) -> dict[str, Any]:
    def row(name: str, n: int, wrong: int) -> dict[str, Any]:
        return {"name": name, "wrong": wrong} | counted(wrong, n)

    said = counts.verdicts[0].tolist()
    return {
        "promised_wrong_at_most": promise()["settled_risk"],
        "all": row("all", sum(n for n, _ in said), sum(wrong for _, wrong in said)),
        "by_said": [row(str(word), n, wrong) for word, (n, wrong) in zip(CATEGORIES, said, strict=True) if n],
        "by_source": [row(name, n, wrong) for name, (n, wrong) in sorted(counts.sources.items())],
    }


def _mixed(mixed: Counter[str]) -> dict[str, Any]:
    n = mixed["photos"]
    return {
        "photos": n,
        "called_something_else_with_confidence": mixed["settled"],
        "interval": counted(mixed["settled"], n)["interval"],
        "ruled_out_without_hands": mixed["ruled_out"],
        "ruled_out_interval": counted(mixed["ruled_out"], n)["interval"],
        "sent_to_a_groomer": mixed["sent"],
        "sent_interval": counted(mixed["sent"], n)["interval"],
    }


# --- two runs ---------------------------------------------------------------------------------------------------------


def compare(
    table: Path, other: Path, *, resamples: int = 1000, advance: Callable[[int], None] = lambda rows: None
) -> dict[str, Any]:
    """Two tables of scores on the photos that both judged, matched by ``file``: each figure, and the paired difference.

    Labels and dogs are those of ``table``; ``other`` needs none. Beside the figures' own, 26 bytes a photo are kept.

    Returns:
        ``photos`` in common; ``only_here``: more that are judged in ``table`` alone; ``only_there``: more that are
        judged in ``other``, without a label or a judgement in ``table``; and figures by part and name: ``here``,
        ``there`` and ``difference`` (here less there) as :class:`Figure`.

    Raises:
        InputError: if a table can't be read, the labels differ, or too few photos are in common.
    """
    ours, theirs = _Reader(table), _Reader(other, labels=False)
    labels = _Labels(ours, advance)
    there = np.unique(np.concatenate([hashed(piece.file)[piece.scored] for piece in theirs] or [labels.file[:0]]))
    both = np.intersect1d(labels.file, there)
    if len(both) < FEWEST:
        problem = f"has {len(both)} photos in common with {table} that both judged."
        raise InputError(str(other), problem, f"At least {FEWEST} are needed; photos are matched by the column 'file'.")
    here, yonder = Tally(resamples), Tally(resamples)
    for tally, reader in ((here, ours), (yonder, theirs)):
        for piece in reader:
            files = hashed(piece.file)
            keep = piece.counted(piece.scored & np.isin(files, both))
            tally.add(labels.put(piece, files, theirs.truth if reader is theirs else None).part(keep))
            advance(len(piece.file))
    if here.photos != yonder.photos:
        raise InputError(str(other), "names a photo more than once.", "Keep one row for each photo.")
    found, between = (here.figures(), yonder.figures()), differences(here, yonder)
    return {
        "against": other.name,
        "photos": len(both),
        "only_here": len(labels.file) - len(both),
        "only_there": len(there) - len(both),
        "figures": {
            part: {
                name: {"here": found[0][part][name], "there": found[1][part][name], "difference": difference}
                for name, difference in of.items()
            }
            for part, of in between.items()
            if part == "category" or here.measured >= FEWEST
        },
    }


class _Labels:
    """Labels of judged photos by the hash of their name, for the rows of another run."""

    def __init__(self, reader: _Reader, advance: Callable[[int], None]) -> None:
        kept: list[tuple[Any, ...]] = []
        for piece in reader:
            of = piece.judged
            band = np.where(piece.usable, piece.band, UNKNOWN)[of].astype(np.int8)
            votes = np.stack([piece.shares[of].argmax(axis=1), 6 - piece.shares[of][:, ::-1].argmax(axis=1)], axis=1)
            truth, votes = piece.truth[of].astype(np.int8), votes.astype(np.int8)
            kept.append((hashed(piece.file)[of], truth, band, piece.group[of], votes))
            advance(len(piece.file))
        file, truth, band, group, votes = (np.concatenate(column) for column in zip(*kept, strict=True))
        self.file, first = np.unique(file, return_index=True)
        if len(first) != len(file):
            raise InputError(reader.name, "names a photo more than once.", "Keep one row for each photo.")
        self._truth, self._band, self._group, self._votes = truth[first], band[first], group[first], votes[first]

    def put(self, piece: _Piece, files: Hashes, labelled: str | None) -> _Piece:
        """A piece with our labels; labels of its own must agree with them."""
        place = np.searchsorted(self.file, files).clip(0, len(self.file) - 1)
        known = self.file[place] == files
        truth = np.where(known, self._truth[place], UNKNOWN).astype(np.int64)
        if labelled is not None and (other := known & (piece.truth >= 0) & (piece.truth != truth)).any():
            row = int(other.argmax())
            problem = f"calls {piece.file[row]} {CATEGORIES[piece.truth[row]]}, the other {CATEGORIES[truth[row]]}."
            raise InputError(f"The column {labelled}", problem, "Compare runs on the same labels.")
        votes = self._votes[place].astype(np.int64)
        return replace(
            piece,
            truth=truth,
            band=np.where(known, self._band[place], UNKNOWN).astype(np.int64),
            usable=np.ones(len(files), dtype=bool),
            group=self._group[place],
            shares=_shares(truth, votes[:, 0], votes[:, 1]),
        )
