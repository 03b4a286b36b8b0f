"""From puppy to adult: which coat will come, when to look again, and the dated stages that the kit grows with."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Literal, TypeVar

from coatclass.contract import CoatSituation
from coatclass.errors import InputError
from coatclass.genetics.loci import data_table
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, Texture, Undercoat

__all__ = ["CoatPath", "CoatStage", "growing_up", "puppy_coat"]

Name = TypeVar("Name", CoatCategory, LengthBand)
StageId = Literal["puppy", "change", "adult"]


@dataclass(frozen=True)
class CoatStage:
    """One stage of the coat, ready for the tool rules; its words are ``stages.<id>`` of the texts of genetics.

    Attributes:
        from_months, to_months: age at which it begins and ends; None for the last.
        begins, ends: the same as dates; None if the date of birth isn't known.
        situation: what may be worn then, for ``toolkit.recommend``.
        look_again: dates (if the birth is known) on which to look at the coat again.
    """

    id: StageId
    from_months: float
    to_months: float | None
    begins: date | None
    ends: date | None
    situation: CoatSituation
    look_again: tuple[date, ...]


@dataclass(frozen=True)
class CoatPath:
    """The stages still ahead, the present one first, and the coat that is expected at the end.

    Attributes:
        adult: P(category) of the adult coat as grown, (7,).
        window_months: age at which the adult coat comes in, over every coat that is still likely.
        now: the stage the dog is in.
        source: where the ages come from.
    """

    adult: tuple[float, ...]
    window_months: tuple[float, float]
    stages: tuple[CoatStage, ...]
    source: str

    @property
    def now(self) -> CoatStage:
        """The stage the dog is in today."""
        return self.stages[0]


def growing_up(
    adult: Sequence[float],
    band: Sequence[float],
    *,
    age_months: float | None = None,
    born: date | None = None,
    today: date | None = None,
) -> CoatPath:
    """The stages from today's coat to the adult one.

    Args:
        adult: P(category) of the adult coat as grown, (7,), such as ``CoatPrior.as_grown``.
        band: P(length band) of the adult coat, (4,).
        age_months: age today, months; not needed if ``born`` and ``today`` are given.
        born: date of birth; with it every stage gets dates.
        today: the day to count from; with ``age_months`` and without ``born`` the date of birth is derived from it.

    Raises:
        InputError: if neither a possible age nor a birth with today's date is given (``no_age``), or the birth lies in
            the future (``not_born``).

    Source of the ages: common practice, no source (``data/coat_path.toml``).
    """
    age, birth = _age(age_months, born, today)
    table = data_table("coat_path.toml")
    candidates = _above(CATEGORIES, adult, table["limits"]["candidate"])
    windows = [table["window"][coat] for coat in candidates]
    first, last = float(min(w[0] for w in windows)), float(max(w[1] for w in windows))
    limits: dict[str, tuple[float, float | None]] = {
        "puppy": (0.0, first), "change": (first, last), "adult": (last, None),
    }  # fmt: skip
    bands = _above(BANDS, band, table["limits"]["band"])
    stages = tuple(
        _stage(row, limits[row["id"]], (birth, today), age=age, candidates=candidates, bands=bands)
        for row in table["stage"]
        if not _over(limits[row["id"]][1], age, birth, today)
    )
    return CoatPath(tuple(adult), (first, last), stages, table["source"])


def puppy_coat(situation: CoatSituation) -> CoatSituation:
    """The dog in the coat that it wears today, if that is still its puppy coat; else the situation as it is.

    Before the first signs of any adult coat still possible, every pup wears soft hair (``data/coat_path.toml``, common
    practice, no source). What somebody felt or measured on this pup stands. Everything that advises on a pup's coat of
    today starts here, so that a planned litter and a pup that is shown get the same tools.
    """
    first = min(data_table("coat_path.toml")["window"][coat][0] for coat in situation.categories or CATEGORIES)
    return _as_puppy(situation) if situation.age_months is not None and situation.age_months < first else situation


def _as_puppy(situation: CoatSituation) -> CoatSituation:
    row = next(row for row in data_table("coat_path.toml")["stage"] if row["id"] == "puppy")
    measured = situation.measured_mm is not None
    return replace(
        situation,
        categories=frozenset(map(CoatCategory, row["categories"])),
        bands=situation.bands if measured else frozenset(map(LengthBand, row["bands"])),
        textures=situation.textures or frozenset(map(Texture, row["textures"])),
        undercoats=situation.undercoats or frozenset(map(Undercoat, row["undercoats"])),
    )


def _age(age_months: float | None, born: date | None, today: date | None) -> tuple[float, date | None]:
    if born and today:
        if born > today:
            raise InputError("date of birth", "lies in the future.", "Give the day the dog was born.", code="not_born")
        return (today - born).days / 365.25 * 12, born
    if age_months is None or not 0 <= age_months < 600:
        raise InputError("age", "is missing or impossible.", "Give months or the date of birth.", code="no_age")
    if today:
        return age_months, today - timedelta(days=round(age_months * 365.25 / 12))
    return age_months, None


def _over(end: float | None, age: float, birth: date | None, today: date | None) -> bool:
    """Whether a stage has ended: by the calendar if there are dates, else by the age in months."""
    if end is None:
        return False
    return today >= _after(birth, end) if birth and today else age >= end


def _above(names: Sequence[Name], chances: Sequence[float], limit: float) -> frozenset[Name]:
    """Names whose chance reaches the limit; the likeliest one if none does."""
    found = frozenset(name for name, chance in zip(names, chances, strict=True) if chance >= limit)
    return found or frozenset({names[max(range(len(names)), key=lambda place: chances[place])]})


def _stage(
    row: dict[str, Any],
    months: tuple[float, float | None],
    days: tuple[date | None, date | None],
    *,
    age: float,
    candidates: frozenset[CoatCategory],
    bands: frozenset[LengthBand],
) -> CoatStage:
    start, end = months
    birth, today = days
    middle = (start + end) / 2 if end is not None else start
    now = start <= age and (end is None or age < end)
    situation = CoatSituation(
        categories=candidates.union(map(CoatCategory, row["adds"])),
        bands=bands,
        hand_stripped=False if CoatCategory.MIXED in candidates else None,
        age_months=age if now else middle,
    )
    if row["id"] == "puppy":
        situation = _as_puppy(situation)
    begins = _after(birth, start) if birth else None
    ends = _after(birth, end) if birth and end is not None else None
    return CoatStage(
        id=row["id"],
        from_months=start,
        to_months=end,
        begins=begins,
        ends=ends,
        situation=situation,
        look_again=_looks(row["id"], begins, ends, today),
    )


def _looks(stage: str, begins: date | None, ends: date | None, today: date | None) -> tuple[date, ...]:
    """Dates to look again, from the stage's start (or today) to its end; once, as it begins, for the adult coat."""
    if begins is None:
        return ()
    if ends is None:
        return (max(begins, today) if today else begins,)
    step = timedelta(weeks=data_table("coat_path.toml")["limits"][f"weeks_{stage}"])
    day = max(begins, today) if today else begins
    found = []
    while day + step * 1.5 < ends:
        day += step
        found.append(day)
    return (*found, ends)


def _after(birth: date, months: float) -> date:
    """The day on which a dog is this many whole months old, or the month's last day if it has no such day."""
    whole = birth.month - 1 + round(months)
    year, month = birth.year + whole // 12, whole % 12 + 1
    return date(year, month, min(birth.day, calendar.monthrange(year, month)[1]))
