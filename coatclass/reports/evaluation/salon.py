"""How well the care models hold in one salon: mat risk against what the comb met, growth against the next measurement.

Anonymous: what comes out are totals over dogs whose owners agreed, and no total over fewer dogs than
:data:`LEAST_DOGS` is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from statistics import NormalDist
from typing import Any, get_args

import numpy as np

from coatclass import care
from coatclass.contract import CoatSituation
from coatclass.intake import FinishedVisit, fit
from coatclass.reports.evaluation.metrics import Figure, bootstrap

__all__ = [
    "LEAST_DOGS",
    "GrowthHolds",
    "LevelHolds",
    "Measured",
    "RiskHolds",
    "TimeHolds",
    "ZoneOutcome",
    "growth_holds",
    "next_measurements",
    "risk_holds",
    "time_holds",
]

LEAST_DOGS = 5
"""Dogs below which a total is not told (common practice of small counts, no source; the number is an assumption)."""


_Z = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True)
class ZoneOutcome:
    """One zone of one dog at a visit: what the model said before it, and whether the comb met a knot.

    ``dog``: any number that is the same for the same dog; ``score``: 0 to 100.
    """

    dog: int
    level: care.Level
    score: float
    matted: bool


@dataclass(frozen=True)
class LevelHolds:
    """What became of zones of one level: of how many dogs, and the share with knots."""

    level: care.Level
    dogs: int
    share: Figure


@dataclass(frozen=True)
class RiskHolds:
    """How well the mat risk holds.

    Attributes:
        levels: low, moderate, high, as far as enough dogs stand behind each.
        auc: probability that a zone with knots had the higher score than one without, ties half; None if all are
            alike, or too few dogs count.
        dogs: how many dogs count.
    """

    levels: tuple[LevelHolds, ...]
    auc: float | None
    dogs: int


def risk_holds(outcomes: Sequence[ZoneOutcome], least_dogs: int = LEAST_DOGS) -> RiskHolds:
    """Shares of zones with knots by level, with intervals over dogs, because zones of one dog go together."""
    dogs = {one.dog for one in outcomes}
    levels = []
    for level in get_args(care.Level):
        rows = [one for one in outcomes if one.level == level]
        behind = {one.dog for one in rows}
        if len(behind) >= least_dogs:
            levels.append(LevelHolds(level, len(behind), _share(rows)))
    return RiskHolds(tuple(levels), _auc(outcomes) if len(dogs) >= least_dogs else None, len(dogs))


def _share(rows: Sequence[ZoneOutcome]) -> Figure:
    matted = np.array([one.matted for one in rows], float)

    def share(of: Any) -> float:
        return float(matted[of].mean())

    return bootstrap({"share": share}, [str(one.dog) for one in rows])["share"]


def _auc(outcomes: Sequence[ZoneOutcome]) -> float | None:
    """Mann and Whitney's statistic as a share of all pairs."""
    knots = np.array([one.score for one in outcomes if one.matted])
    free = np.array([one.score for one in outcomes if not one.matted])
    if not len(knots) or not len(free):
        return None
    above: Any = (knots[:, None] > free).mean() + 0.5 * (knots[:, None] == free).mean()
    return float(above)


@dataclass(frozen=True)
class Measured:
    """A measurement against the forecast that the ones before it gave, mm."""

    dog: int
    mm: float
    likely: float
    low: float
    high: float


def next_measurements(
    dog: int,
    situation: CoatSituation,
    measurements: Sequence[care.DatedLength],
    cuts: Sequence[date],
    keeps_growing: bool | None = None,
) -> tuple[Measured, ...]:
    """Each measurement of a dog against the forecast from those before it; none across a cut.

    The range is the forecast's, widened by the error of the new measurement itself.

    Args:
        dog: any number that is the same for the same dog.
        situation: the dog; what was measured of it is left out.
        measurements: dated trunk lengths, the oldest first.
        cuts: days on which it may have been cut.
        keeps_growing: whether the coat grows on when not cut; by the coat if None.
    """
    found = []
    for number, (before, after) in enumerate(pairwise(measurements), start=1):
        if any(before.on <= cut <= after.on for cut in cuts) or after.on == before.on:
            continue
        trims = [care.Trim(cut) for cut in cuts if cut < before.on]
        at = CoatSituation(situation.categories, situation.bands)
        then = care.forecast(
            at, before.on, measurements=measurements[:number], trims=trims, keeps_growing=keeps_growing
        )
        if then.mode != "continuous":
            continue
        days, rate = (after.on - before.on).days, then.rate
        likely, reading = before.mm + rate.mean * days, _Z * after.sd_mm
        low = math.hypot(then.now_error_mm + (rate.mean - rate.low) * days, reading)
        high = math.hypot(then.now_error_mm + (rate.high - rate.mean) * days, reading)
        found.append(Measured(dog, after.mm, likely, likely - low, likely + high))
    return tuple(found)


@dataclass(frozen=True)
class GrowthHolds:
    """How well the growth forecast holds: measurements, dogs, share inside the 95 % range, mean error and bias, mm.

    The bias is above 0 where coats were longer than forecast.
    """

    measurements: int
    dogs: int
    inside: float
    error_mm: float
    bias_mm: float


def growth_holds(found: Sequence[Measured], least_dogs: int = LEAST_DOGS) -> GrowthHolds | None:
    """Totals over dogs; None for too few."""
    dogs = {one.dog for one in found}
    if len(dogs) < least_dogs:
        return None
    errors = [one.mm - one.likely for one in found]
    inside = sum(one.low <= one.mm <= one.high for one in found)
    n = len(found)
    return GrowthHolds(n, len(dogs), inside / n, sum(map(abs, errors)) / n, sum(errors) / n)


@dataclass(frozen=True)
class TimeHolds:
    """How well the time model holds: visits, dogs, share inside the range that it named, and how far off, as a share.

    Each dog's visits are judged by a model that knows only the others.
    """

    visits: int
    dogs: int
    inside: float
    off: float


def time_holds(visits: Sequence[tuple[int, FinishedVisit]], least_dogs: int = LEAST_DOGS) -> TimeHolds | None:
    """Totals over dogs, each left out in turn; None for too few.

    Args:
        visits: each with the number of its dog.
    """
    dogs = sorted({dog for dog, _ in visits})
    if len(dogs) < least_dogs:
        return None
    inside, off = [], []
    for dog in dogs:
        model = fit([visit for other, visit in visits if other != dog])
        for visit in (visit for own, visit in visits if own == dog):
            said = model.minutes(visit.job)
            inside.append(said.low <= visit.minutes <= said.high)
            off.append(abs(visit.minutes - said.middle) / visit.minutes)
    return TimeHolds(len(inside), len(dogs), sum(inside) / len(inside), float(np.median(off)))
