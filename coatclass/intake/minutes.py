"""Minutes at the salon's table, and what they cost: stated assumptions, corrected by the salon's own finished visits.

The correction is a Bayesian linear regression of log(minutes taken / minutes assumed) on a few features of the visit,
fitted by scikit-learn and shrunk to none: without visits the assumptions stand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from statistics import NormalDist
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field

from coatclass import care
from coatclass.care.coat import categories, data
from coatclass.contract import CoatSituation, Frozen
from coatclass.intake.found import place_of
from coatclass.plain_text import one_line
from coatclass.resources import read_toml
from coatclass.taxonomy import CATEGORIES, CoatCategory, MatState, Patience, Undercoat
from coatclass.words import Catalogue

__all__ = [
    "CLIPPED",
    "WORKS",
    "FinishedVisit",
    "FixedPrice",
    "Job",
    "Range",
    "Rates",
    "TimeModel",
    "Work",
    "assumed",
    "assumed_de_matting",
    "fit",
    "money",
    "plausible",
    "price",
]

Money = Annotated[float, Field(ge=0, le=100_000)]
_Short = Annotated[str, BeforeValidator(lambda text: one_line(text) if isinstance(text, str) else text)]


class FixedPrice(Frozen):
    """A line of the price table: up to a weight, so many minutes cost so much; further minutes cost by the hour."""

    up_to_kg: Annotated[float, Field(gt=0, le=150)]
    minutes: Annotated[int, Field(ge=0, le=600)]
    price: Money


def _rising(rows: tuple[FixedPrice, ...]) -> tuple[FixedPrice, ...]:
    ordered = tuple(sorted(rows, key=lambda row: row.up_to_kg))
    if len({row.up_to_kg for row in ordered}) < len(ordered):
        raise ValueError("two lines of the price table name the same weight")
    return ordered


class Rates(Frozen):
    """The salon's rates.

    Attributes:
        before, after: what is written before and after a number, such as a currency's sign.
        per_hour: of ordinary work; ``de_matting_per_hour``: of taking mats out, as ``per_hour`` if None.
        least: the lowest price of a visit.
        step: prices are rounded up to a multiple of it.
        table: fixed prices by weight; a dog heavier than every line pays by the hour.
    """

    before: Annotated[_Short, Field(max_length=12)] = ""
    after: Annotated[_Short, Field(max_length=12)] = ""
    per_hour: Annotated[float, Field(gt=0, le=100_000)]
    de_matting_per_hour: Annotated[float, Field(gt=0, le=100_000)] | None = None
    least: Money = 0.0
    step: Annotated[float, Field(gt=0, le=1000)] = 1.0
    table: Annotated[tuple[FixedPrice, ...], AfterValidator(_rising), Field(max_length=20)] = ()


def price(rates: Rates, *, minutes: float, de_matting: float = 0.0, weight_kg: float | None = None) -> float:
    """What a visit costs; never falls with minutes.

    Args:
        minutes: of the whole visit; ``de_matting``: those of them that go into taking mats out.
        weight_kg: of the dog; without it the price table is left out.
    """
    ordinary = max(0.0, minutes - de_matting)
    row = next((row for row in rates.table if weight_kg is not None and weight_kg <= row.up_to_kg), None)
    base = ordinary * rates.per_hour / 60 if row is None else row.price + _over(ordinary, row) * rates.per_hour / 60
    whole = base + de_matting * (rates.de_matting_per_hour or rates.per_hour) / 60
    steps = math.ceil(round(max(whole, rates.least) / rates.step, 6))
    return round(steps * rates.step, 2)


def _over(minutes: float, row: FixedPrice) -> float:
    return max(0.0, minutes - row.minutes)


def money(amount: float, rates: Rates, words: Catalogue) -> str:
    """An amount as the salon writes it, with the language's decimal sign; cents only where there are any."""
    digits = 0 if float(amount).is_integer() else 2
    number = f"{amount:.{digits}f}".replace(".", words.number(0.5)[1])
    return f"{rates.before}{' ' if len(rates.before) > 1 else ''}{number}{' ' if rates.after else ''}{rates.after}"


# --- minutes --------------------------------------------------------------------------------------------------------


Work = Literal["groom", "de_matting", "short_clip", "clip_out"]
WORKS: tuple[Work, ...] = ("groom", "de_matting", "short_clip", "clip_out")
CLIPPED: tuple[Work, ...] = ("short_clip", "clip_out")
"""Those of the offer to clip; the others keep the coat."""

_FEATURES = ("always", "size", "mats", "clip", "restless")
_DATA = Path(__file__).with_name("data") / "minutes.toml"


@cache
def _table() -> dict[str, Any]:
    return read_toml(_DATA)


@dataclass(frozen=True)
class Job:
    """What tells how long a visit takes.

    Attributes:
        work: what is done.
        situation: coat, length, weight, down and patience.
        mm: trunk length on arrival, mm.
        out, off: places whose mats are taken out, and clipped off, with their state.
        bath: whether it is washed.
    """

    work: Work
    situation: CoatSituation
    mm: float
    out: Mapping[str, MatState]
    off: Mapping[str, MatState]
    bath: bool = True

    def to_json(self) -> dict[str, Any]:
        """All that is needed to work out the minutes again later."""
        dog = self.situation
        return {
            "work": self.work,
            "coats": [one for one in CATEGORIES if one in dog.categories],
            "undercoats": sorted(dog.undercoats),
            "patience": dog.patience,
            "kg": dog.weight_kg,
            "mm": self.mm,
            "out": dict(self.out),
            "off": dict(self.off),
            "bath": self.bath,
        }

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Job:
        """Rebuild from :meth:`to_json`.

        Raises:
            ValueError, KeyError, TypeError: if that is not what was kept.
        """
        if kept["work"] not in WORKS:
            raise ValueError(kept["work"])
        return cls(
            work=kept["work"],
            situation=CoatSituation(
                categories=frozenset(map(CoatCategory, kept["coats"])),
                bands=frozenset(),
                undercoats=frozenset(map(Undercoat, kept["undercoats"])),
                patience=None if kept["patience"] is None else Patience(kept["patience"]),
                weight_kg=float(kept["kg"]),
            ),
            mm=float(kept["mm"]),
            out={key: MatState(state) for key, state in kept["out"].items()},
            off={key: MatState(state) for key, state in kept["off"].items()},
            bath=bool(kept["bath"]),
        )


# --- assumptions ------------------------------------------------------------------------------------------------------


def assumed_de_matting(job: Job) -> float:
    """Minutes of taking mats out, all places together."""
    return _places(job, job.out, "out") * care.slower(job.situation)


def assumed(job: Job) -> float:
    """Minutes of the whole visit; never falls with size, length, density, mats or impatience."""
    table, dog = _table(), job.situation
    surface = care.body_surface_m2(dog.weight_kg or 0.0)
    clipped = job.work == "short_clip"
    mm = min(job.mm, float(table["clip"]["left_mm"])) if clipped else job.mm
    washing = table["bath"]["bare"] + table["bath"]["per_mm"] * mm
    bath = surface * washing * care.density(dog) if job.bath else 0.0
    if clipped:
        hair = surface * (table["clip"]["per_m2"] + table["clip"]["finish_per_m2"])
    else:
        finish = table["finish"]["trimmed" if _is_trimmed(dog) else "untrimmed"]
        hair = care.combing_minutes(dog, mm) * table["comb"]["practised"] + surface * finish
    mats = _places(job, job.out, "out") + _places(job, job.off, "off")
    return float(table["visit"]["minutes"] + (bath + hair + mats) * care.slower(dog))


def _is_trimmed(dog: CoatSituation) -> bool:
    """Whether some coat that is still possible is cut to a shape."""
    coats = data("coats")["coat"]
    return any(coats[category]["trimmable"] for category in categories(dog))


def _places(job: Job, places: Mapping[str, MatState], how: str) -> float:
    table, size = _table()["place"], _table()["size"]
    surface = care.body_surface_m2(job.situation.weight_kg or 0.0)
    larger = (surface / size["reference_m2"]) ** size["exponent"]
    worked = (
        table[state][how] * size.get(place_of(key)[1], 1.0)
        for key, state in places.items()
        if state is not MatState.NONE
    )
    return float(larger * sum(worked))


# --- the salon's own visits -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FinishedVisit:
    """A visit that is done, and how long it took, minutes."""

    job: Job
    minutes: float


@dataclass(frozen=True)
class Range:
    """Minutes: the middle, and the range in which four of five visits should lie."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True)
class TimeModel:
    """Corrections of the assumptions.

    Attributes:
        visits: how many finished visits it rests on.
        weights: of the features; shape (5,).
        covariance: of the weights; shape (5, 5).
        noise_sd: residual standard deviation of a visit, of the logarithm.
    """

    visits: int
    weights: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    noise_sd: float

    def minutes(self, job: Job) -> Range:
        """Minutes of a visit with their range."""
        x = np.array(_features(job))
        shift = float(x @ np.array(self.weights))
        middle = assumed(job) * math.exp(shift)
        if self.visits == 0:
            low, high = care.spread()
            return Range(middle, middle * low, middle * high)
        sd = math.sqrt(self.noise_sd**2 + float(x @ np.array(self.covariance) @ x))
        z = NormalDist().inv_cdf((1 + float(_table()["interval"]["share"])) / 2)
        return Range(middle, middle * math.exp(-z * sd), middle * math.exp(z * sd))

    def de_matting(self, job: Job) -> float:
        """Minutes of taking mats out, corrected like the whole visit."""
        return assumed_de_matting(job) * self.minutes(job).middle / assumed(job)


def _features(job: Job) -> tuple[float, ...]:
    """What the correction may depend on; all near 0 for a calm middle-sized dog without mats."""
    dog = job.situation
    work = assumed(job)
    mats = (_places(job, job.out, "out") + _places(job, job.off, "off")) * care.slower(dog) / work
    restless = dog.patience in (Patience.FIDGETS, Patience.CANNOT_BEAR)
    size = math.log(care.body_surface_m2(dog.weight_kg or 0.0) / _table()["size"]["reference_m2"])
    return 1.0, size, mats, float(job.work == "short_clip"), float(restless)


def plausible(visit: FinishedVisit) -> bool:
    """Whether a visit may be learned from: its minutes are plausible (``data/minutes.toml``)."""
    times = float(_table()["slip"]["times"])
    return 1 / times <= visit.minutes / assumed(visit.job) <= times


def fit(visits: Sequence[FinishedVisit]) -> TimeModel:
    """The corrections that these visits give; without visits there are none.

    The priors weigh as much as so many visits of their own (``data/minutes.toml``), so that few visits move little.
    """
    prior = _table()["prior"]
    if not visits:
        wide = np.eye(len(_FEATURES)) * prior["weight_sd"] ** 2
        return TimeModel(0, (0.0,) * len(_FEATURES), _rows(wide), float(prior["noise_sd"]))
    from sklearn.linear_model import BayesianRidge

    x = np.array([_features(one.job) for one in visits])
    y = np.array([math.log(one.minutes / assumed(one.job)) for one in visits])
    shape = prior["visits"] / 2
    alpha, lamda = prior["noise_sd"] ** -2, prior["weight_sd"] ** -2
    model = BayesianRidge(
        fit_intercept=False,
        alpha_init=alpha, alpha_1=shape, alpha_2=shape / alpha,
        lambda_init=lamda, lambda_1=shape, lambda_2=shape / lamda,
    ).fit(x, y)  # fmt: skip
    weights = tuple(float(weight) for weight in model.coef_)
    return TimeModel(len(visits), weights, _rows(model.sigma_), float(model.alpha_**-0.5))


def _rows(matrix: Any) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in matrix)
