"""The whole care plan of one dog: everything of this room in one frozen value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from coatclass.care._cautions import cautions
from coatclass.care._coat import data
from coatclass.care._events import Event, events_of, week_of
from coatclass.care._growth import Crossing, Growth, forecast
from coatclass.care._load import ZoneLoad, load
from coatclass.care._measurements import Measurement, Trim, doubt_words
from coatclass.care._routine import routine
from coatclass.care._time import TimeBudget, time_budget, time_words
from coatclass.contract import Caution, CoatSituation, KitItem, Routine
from coatclass.taxonomy import BodyZone
from coatclass.words import Catalogue, catalogue

__all__ = ["CareCase", "CarePlan", "plan"]


@dataclass(frozen=True)
class CareCase:
    """Everything that a plan is made from, so that it can be made again, in another language too."""

    situation: CoatSituation
    kit: tuple[KitItem, ...]
    today: date
    measurements: tuple[Measurement, ...] = ()
    trims: tuple[Trim, ...] = ()
    full_length_mm: float | None = None
    keeps_growing: bool | None = None


@dataclass(frozen=True)
class CarePlan:
    """What to do, where it mats, how long it takes, how it grows, when, and what to beware of.

    Attributes:
        case: what the plan was made from.
        language: the language of every sentence in it.
        routine, cautions, load, time, growth: see the functions of these names; ``time`` is None without a weight.
        time_words, growth_words, doubts: the same in sentences; doubts are questions about measurements.
        week: what is due on each day from Monday: ``session``, ``touch_up`` or nothing.
        events: what goes into the calendar.
    """

    case: CareCase
    language: str
    routine: Routine
    cautions: tuple[Caution, ...]
    load: tuple[ZoneLoad, ...]
    time: TimeBudget | None
    time_words: tuple[str, ...]
    growth: Growth
    growth_words: tuple[str, ...]
    doubts: tuple[str, ...]
    week: tuple[str, ...]
    events: tuple[Event, ...]


def plan(
    situation: CoatSituation,
    kit: Sequence[KitItem],
    *,
    today: date,
    measurements: Sequence[Measurement] = (),
    trims: Sequence[Trim] = (),
    full_length_mm: float | None = None,
    keeps_growing: bool | None = None,
    language: str = "en",
) -> CarePlan:
    """The care plan of one dog. Pure: the same case and language give the same plan.

    Args:
        situation, kit: the dog and the recommender's items for it.
        today: the day of the plan.
        measurements, trims: dated lengths and cuts of this dog.
        full_length_mm: the dog's own untrimmed trunk length, mm.
        keeps_growing: whether the coat grows on when not cut; by the coat if None.
        language: one of :data:`coatclass.words.LANGUAGES`.

    Raises:
        InputError: for a language without texts, or a measurement, weight or date that can't be.
    """
    case = CareCase(situation, tuple(kit), today, tuple(measurements), tuple(trims), full_length_mm, keeps_growing)
    texts = catalogue(language, "care")
    budget = time_budget(situation)
    growth = forecast(
        situation,
        today,
        measurements=measurements,
        trims=trims,
        full_length_mm=full_length_mm,
        keeps_growing=keeps_growing,
        target_mm=_target(situation, budget),
    )
    what = routine(situation, kit, language)
    if BodyZone.TRUNK in what.leave:  # the groomer takes the coat down; its length afterwards is not known yet
        growth = replace(growth, crossings=(), trim=None, trim_mm=None, curve=())
    week = week_of(what, budget)
    return CarePlan(
        case=case,
        language=language,
        routine=what,
        cautions=cautions(situation, kit, language),
        load=load(situation),
        time=budget,
        time_words=time_words(budget, language) if budget else (),
        growth=growth,
        growth_words=_growth_words(growth, texts),
        doubts=tuple(doubt_words(doubt, language) for doubt in growth.doubts),
        week=week,
        events=events_of(case.situation, what, budget, growth, week),
    )


def _target(situation: CoatSituation, budget: TimeBudget | None) -> float | None:
    """The length at which the next trim is due: the wish where it fits, else the longest that does."""
    wish = situation.wished_length_mm
    if budget is None:
        return wish
    if not budget.may_be_cut:
        return None
    if wish is not None and budget.wish_fits:
        return wish
    if budget.longest_mm is None:
        return None
    return wish if budget.limit == "nothing" else float(budget.longest_mm)


def _growth_words(growth: Growth, texts: Catalogue) -> tuple[str, ...]:
    if growth.mode == "full_length":
        lines = [texts.say("growth.full_length")]
    elif growth.mode == "bounded":
        weeks = texts.number(data("growth")["regrowth_weeks"]["mean"]["value"])
        lines = [texts.say("growth.bounded", full=texts.mm(growth.full_mm or 0.0), weeks=weeks)]
    elif growth.rate.based_on == "measurements":
        rate = growth.rate
        numbers = {name: texts.number(getattr(rate, value), 2) for name, value in _RATE_NUMBERS}
        lines = [texts.say("growth.measurements", n=rate.measurements, **numbers)]
    elif not growth.curve:
        lines = [texts.say("growth.after_visit")]
    else:
        lines = [texts.say("growth.prior")]
    lines += [_crossing_words("crossing", crossing, texts) for crossing in growth.crossings]
    if growth.trim is not None:
        lines.append(_trim_words(growth, growth.trim, texts))
    if growth.look_again:
        dates = texts.joined(texts.day(day) for day in growth.look_again)
        lines.append(texts.say("growth.look_again", dates=dates))
    return tuple(lines)


def _trim_words(growth: Growth, trim: Crossing, texts: Catalogue) -> str:
    if trim.likely > growth.today:
        return _crossing_words("trim", trim, texts)
    key = "trim_keeps" if growth.now_mm <= trim.mm + growth.now_error_mm else "trim_now"
    return texts.say(f"growth.{key}", mm=texts.mm(trim.mm))


_RATE_NUMBERS = (("rate", "mean"), ("low", "low"), ("high", "high"))


def _crossing_words(key: str, crossing: Crossing, texts: Catalogue) -> str:
    values = {
        "mm": texts.mm(crossing.mm),
        "likely": texts.day(crossing.likely),
        "earliest": texts.day(crossing.earliest),
    }
    if crossing.latest is None:
        return texts.say(f"growth.{key}_open", **values)
    return texts.say(f"growth.{key}", **values, latest=texts.day(crossing.latest))
