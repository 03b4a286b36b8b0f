"""Minutes a week from surface, length, density, knots and patience; the longest length that a week and a dog can carry.

Coefficients: ``data/time.toml``. The steady week is meant: loose knots are out, the routine runs.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
from dataclasses import dataclass
from typing import Literal

from coatclass.care._coat import categories, data, length_mm, sessions_for
from coatclass.care._load import RISK_ZONES, load
from coatclass.contract import CoatSituation
from coatclass.errors import InputError
from coatclass.taxonomy import MatState, Patience
from coatclass.words import catalogue

__all__ = ["Limit", "TimeBudget", "body_surface_m2", "time_budget", "time_words", "weekly_minutes"]

Limit = Literal["week", "dog", "training", "mats_short", "nothing"]


@dataclass(frozen=True)
class TimeBudget:
    """What the coat costs in time and what fits.

    Attributes:
        surface_m2: body surface, m2.
        minutes: minutes a week at the present length; ``low`` and ``high`` say how far it may be off.
        first_minutes: minutes of the first week, with the knots that are there now.
        sittings: sittings a week; ``sitting_minutes``: length of each, never longer than the dog takes.
        dog_bears: the week's work fits into sittings that the dog takes.
        given: minutes a week that the owner will give, None if nobody said.
        fits: the present length fits week and dog; None if nobody said how much time there is and the dog can take it.
        may_be_cut: every coat that is still possible may be cut to a length.
        longest_mm: the longest length that fits, mm; None if even the shortest does not.
        limit: what sets the longest length.
        wish_mm, wish_minutes, wish_fits: the owner's wish, what it costs, whether it fits.
        curve: (length mm, minutes a week), lengths rising.
    """

    surface_m2: float
    minutes: float
    low: float
    high: float
    first_minutes: float
    sittings: int
    sitting_minutes: float
    dog_bears: bool
    given: float | None
    fits: bool | None
    may_be_cut: bool
    longest_mm: int | None
    limit: Limit
    wish_mm: float | None
    wish_minutes: float | None
    wish_fits: bool | None
    curve: tuple[tuple[float, float], ...]


def body_surface_m2(weight_kg: float) -> float:
    """Body surface of a dog in m2 from its weight in kg: 0.101 x kg^(2/3), the veterinary handbooks' formula.

    Raises:
        InputError: for a weight that no dog has.
    """
    if not 0.2 <= weight_kg <= 150:
        raise InputError("weight", f"{weight_kg:g} kg is no dog's weight.", "Give it in kilograms.", code="weight")
    area = data("time")["area"]
    return float(area["factor"] * weight_kg ** (area["exponent_over_3"] / 3))


def time_budget(situation: CoatSituation) -> TimeBudget | None:
    """Minutes a week, sittings, and the longest length that fits; None if the weight is not known."""
    if situation.weight_kg is None:
        return None
    steady = _steady(situation)
    minutes = weekly_minutes(steady)
    sittings = _sittings(steady)
    spread = data("time")["spread"]
    longest, limit = _longest(steady, situation)
    wish = situation.wished_length_mm
    wish_minutes = None if wish is None else weekly_minutes(_at(steady, wish))
    return TimeBudget(
        surface_m2=body_surface_m2(situation.weight_kg),
        minutes=minutes,
        low=minutes * spread["low"],
        high=minutes * spread["high"],
        first_minutes=weekly_minutes(situation),
        sittings=sittings,
        sitting_minutes=min(minutes / sittings, _most_per_sitting(steady)),
        dog_bears=_dog_bears(steady),
        given=situation.minutes_per_week,
        fits=_fits(steady) if situation.minutes_per_week is not None or not _dog_bears(steady) else None,
        may_be_cut=all(data("coats")["coat"][category]["trimmable"] for category in categories(situation)),
        longest_mm=longest,
        limit=limit,
        wish_mm=wish,
        wish_minutes=wish_minutes,
        wish_fits=None if wish is None else longest is not None and wish <= longest,
        curve=tuple((float(mm), weekly_minutes(_at(steady, mm))) for mm in (3, 6, 12, 19, 25, *range(30, 151, 10))),
    )


def weekly_minutes(situation: CoatSituation) -> float:
    """Minutes a week for whole sessions, touch-ups of the zones at risk, and setting up. Needs the weight.

    Never falls with length, knots, density, load, or impatience.
    """
    set_up = float(data("time")["sitting"]["set_up_minutes"])
    return _work(situation) + set_up * _sittings(situation)


def _work(situation: CoatSituation) -> float:
    """Minutes a week with a tool in the hand."""
    table = data("time")
    surface = body_surface_m2(situation.weight_kg or 0.0)
    touch = table["touch_up"]["zone_minutes"] + table["touch_up"]["per_m2"] * surface
    extra = data("load")["extra_sessions"]
    touch_ups = sum(extra[row.level] for row in load(situation) if row.zone in RISK_ZONES) * touch
    slower = table["patience"][situation.patience or "unknown"]["slower"]
    often = _base_sessions(situation) ** table["often"]["saving"]
    return float((often * _whole_session(situation, surface) + touch_ups) * slower)


def _base_sessions(situation: CoatSituation) -> float:
    return sessions_for(categories(situation), length_mm(situation))


def _whole_session(situation: CoatSituation, surface_m2: float) -> float:
    """Minutes to brush and comb the whole dog once."""
    table = data("time")
    mm = length_mm(situation)
    rates = (table["work"][category] for category in categories(situation))
    per_m2 = max(rate["bare"] + rate["per_mm"] * mm for rate in rates)
    density = max(table["density"][undercoat] for undercoat in situation.undercoats or {"unknown"})
    return float(surface_m2 * per_m2 * density * table["knots"][situation.worst_mats or "unknown"])


def _sittings(situation: CoatSituation) -> int:
    """Sittings a week: as often as the coat asks, and short enough for the dog; at most one a day."""
    table = data("time")
    per_sitting = _longest_sitting(situation)
    wanted: int = max(math.ceil(_base_sessions(situation) - 0.5), math.ceil(_work(situation) / per_sitting))
    most = int(table["sitting"]["most_per_week"])
    return min(most, max(1, wanted))


def _dog_bears(situation: CoatSituation) -> bool:
    """The week's work fits into sittings that the dog takes well."""
    return bool(_work(situation) <= _longest_sitting(situation) * data("time")["sitting"]["most_per_week"])


def _longest_sitting(situation: CoatSituation) -> float:
    """The longest work with a tool in the hand that the dog takes well at a time, minutes."""
    return float(data("time")["patience"][situation.patience or "unknown"]["sitting"])


def _most_per_sitting(situation: CoatSituation) -> float:
    """The same with setting up."""
    return _longest_sitting(situation) + float(data("time")["sitting"]["set_up_minutes"])


def _fits(situation: CoatSituation) -> bool:
    given = situation.minutes_per_week
    return _dog_bears(situation) and (given is None or weekly_minutes(situation) <= given)


def _steady(situation: CoatSituation) -> CoatSituation:
    """The dog once loose knots are out and the routine runs."""
    return dataclasses.replace(situation, mats=dict.fromkeys(situation.mats, MatState.NONE), days_since_combed=None)


def _at(situation: CoatSituation, mm: float) -> CoatSituation:
    return dataclasses.replace(situation, measured_mm=float(mm))


def _longest(steady: CoatSituation, situation: CoatSituation) -> tuple[int | None, Limit]:
    """The longest length in mm that fits, and what sets it."""
    table = data("time")["longest"]
    caps: list[tuple[float, Limit]] = [(table["most_mm"], "nothing")]
    if situation.patience is Patience.CANNOT_BEAR:
        caps.append((table["untrained_mm"], "training"))
    worst, now = situation.worst_mats, length_mm(situation)
    if worst is not None and worst.severity >= MatState.MATS.severity and now <= table["mats_short_mm"]:
        caps.append((now, "mats_short"))
    cap, limit = min(caps, key=lambda pair: pair[0])
    # Time never falls with length, so the lengths that do not fit lie behind those that do.
    lengths = range(int(table["shortest_mm"]), math.floor(cap) + 1)
    fitting = bisect.bisect_left(lengths, True, key=lambda mm: not _fits(_at(steady, mm)))
    longest = lengths[fitting - 1] if fitting else None
    if limit == "training" or fitting == len(lengths):
        return longest, limit
    return longest, ("week" if _dog_bears(_at(steady, lengths[fitting])) else "dog")


def time_words(budget: TimeBudget, language: str = "en") -> tuple[str, ...]:
    """The budget in kind words: what it takes, whether it fits, what would."""
    texts = catalogue(language, "care")
    values = {
        "minutes": texts.number(_rounded(budget.minutes), 0),
        "low": texts.number(_rounded(budget.low), 0),
        "high": texts.number(_rounded(budget.high), 0),
        "sittings": budget.sittings,
        "sitting": texts.number(max(1, round(budget.sitting_minutes)), 0),
        "given": texts.number(budget.given or 0, 0),
        "longest": texts.mm(budget.longest_mm or 0),
        "wish": texts.mm(budget.wish_mm or 0),
        "wish_minutes": texts.number(_rounded(budget.wish_minutes or 0), 0),
    }
    return tuple(texts.say(f"time.{key}", **values) for key in _time_keys(budget))


def _time_keys(budget: TimeBudget) -> tuple[str, str]:
    if not budget.dog_bears:
        return "takes_too_much", _fit_key(budget)
    return "takes" if budget.sittings > 1 else "takes_once", _fit_key(budget)


def _fit_key(budget: TimeBudget) -> str:
    """Which sentence answers whether the coat fits the week and the dog."""
    if budget.limit in ("training", "mats_short"):
        how = "" if budget.longest_mm is not None else "_short"
        key = f"{budget.limit}{how}" if budget.may_be_cut else f"{budget.limit}_uncut"
    elif budget.given is None and budget.fits is None:
        key = "ask_minutes"
    elif not budget.may_be_cut:
        key = "fits" if budget.fits else "too_much_uncut"
    elif budget.longest_mm is None:
        key = "nothing_fits"
    elif budget.wish_mm is not None:
        key = "wish_fits" if budget.wish_fits else "wish_too_long"
    elif budget.fits:
        key = "fits" if budget.limit == "nothing" else "fits_longest"
    else:
        key = "too_long"
    return key


def _rounded(minutes: float) -> float:
    """Minutes to the nearest 5, so that an estimate does not look like a measurement; small ones to the minute."""
    return float(round(minutes) if minutes < 12 else 5 * round(minutes / 5))
