"""Trunk length over time: when the kit changes, when to trim, when to look again. Numbers: ``data/growth.toml``.

Two models. A coat that sheds grows back from the last clip to the dog's own full length and stops there. A coat that
keeps growing does so at a rate that is learnt from dated measurements of this dog; before any, the prior speaks.
Measurements are refused when they can't be, and questioned when they hardly can.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from statistics import NormalDist, fmean
from typing import Literal

from coatclass.care.coat import categories, data, length_mm
from coatclass.contract import CoatSituation
from coatclass.errors import InputError
from coatclass.taxonomy import CoatCategory, band_limits_mm
from coatclass.words import Catalogue, catalogue

__all__ = [
    "Crossing",
    "DatedLength",
    "Doubt",
    "Growth",
    "Present",
    "Rate",
    "Trim",
    "crossing_words",
    "doubt_words",
    "examine",
    "forecast",
    "growth_words",
    "passing",
    "rate_of",
    "trim_words",
]

DoubtCode = Literal["wrong_order", "shrank_without_trim", "too_fast", "same_day_differs"]
Mode = Literal["continuous", "bounded", "full_length"]

# --- measurements -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DatedLength:
    """Trunk length in mm on a day; ``error_mm``: standard deviation of the measuring, the usual one if None."""

    on: date
    mm: float
    error_mm: float | None = None

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the measuring, mm."""
        return self.error_mm if self.error_mm is not None else float(data("growth")["measuring"]["error_mm"])


@dataclass(frozen=True)
class Trim:
    """A cut on a day, down to a length in mm if known."""

    on: date
    to_mm: float | None = None


@dataclass(frozen=True)
class Doubt:
    """Two measurements that hardly fit together; somebody should look again."""

    code: DoubtCode
    first: DatedLength
    second: DatedLength


@dataclass(frozen=True)
class Rate:
    """Growth in mm/day with a 95 % interval, and what it rests on."""

    mean: float
    low: float
    high: float
    based_on: Literal["prior", "measurements", "published"]
    measurements: int


def longest_mm() -> float:
    """Above which no length is taken for a dog's hair, mm."""
    return float(data("growth")["measuring"]["most_mm"])


def _checked(measurements: Sequence[DatedLength], trims: Sequence[Trim], today: date) -> None:
    """Refuse measurements and trims that can't be true.

    Raises:
        InputError: codes ``length``, ``error``, ``future``.
    """
    most = longest_mm()
    for measurement in measurements:
        name = f"measurement of {measurement.on.isoformat()}"
        if not 0 <= measurement.mm <= most:
            raise InputError(
                name, f"{measurement.mm:g} mm can't be a trunk length.", "Measure in millimetres.", code="length"
            )
        if measurement.error_mm is not None and not 0 < measurement.error_mm < math.inf:
            raise InputError(name, "the error must be more than 0 mm.", "Leave it out if unsure.", code="error")
        if measurement.on > today:
            raise InputError(name, "lies in the future.", "Correct the date.", code="future")
    for trim in trims:
        name = f"trim of {trim.on.isoformat()}"
        if trim.to_mm is not None and not 0 <= trim.to_mm <= most:
            raise InputError(name, f"{trim.to_mm:g} mm can't be a length.", "Give it in millimetres.", code="length")
        if trim.on > today:
            raise InputError(name, "lies in the future.", "Give only trims that have been done.", code="future")


def examine(measurements: Sequence[DatedLength], trims: Sequence[Trim]) -> tuple[Doubt, ...]:
    """Consecutive measurements that hardly fit together."""
    limits = data("growth")["measuring"]
    doubts = [Doubt("wrong_order", a, b) for a, b in pairwise(measurements) if b.on < a.on]
    for a, b in pairwise(sorted(measurements, key=lambda m: m.on)):
        if any(a.on <= trim.on <= b.on for trim in trims):
            continue
        noise = limits["doubt_after_sds"] * math.hypot(a.sd_mm, b.sd_mm)
        days, grown = (b.on - a.on).days, b.mm - a.mm
        if days == 0 and abs(grown) > noise:
            doubts.append(Doubt("same_day_differs", a, b))
        elif days > 0 and grown < -noise:
            doubts.append(Doubt("shrank_without_trim", a, b))
        elif days > 0 and grown - noise > limits["fastest_mm_per_day"] * days:
            doubts.append(Doubt("too_fast", a, b))
    return tuple(doubts)


def rate_of(measurements: Sequence[DatedLength], trims: Sequence[Trim]) -> Rate:
    """Posterior of the growth rate: normal prior cut off at 0, normal errors, free level after each trim.

    Each stretch between trims contributes its precision-weighted slope; measurements on the day of a trim are left out,
    because nobody knows on which side of it they lie. Without two measurements in one stretch the prior is returned.
    """
    prior = data("growth")["prior"]
    precision = prior["sd"] ** -2
    weighted = prior["mean"] * precision
    used = 0
    for stretch in _stretches(measurements, trims):
        # All errors of a stretch are taken as equal: the largest, so that the interval is never too narrow.
        variance = max(m.sd_mm for m in stretch) ** 2
        days = [float(m.on.toordinal()) for m in stretch]
        middle = fmean(days)
        sxx = sum((day - middle) ** 2 for day in days)
        if sxx == 0:
            continue
        precision += sxx / variance
        weighted += sum((day - middle) * m.mm for day, m in zip(days, stretch, strict=True)) / variance
        used += len(stretch)
    posterior = NormalDist(weighted / precision, precision**-0.5)
    low, middle, high = (_cut_quantile(posterior, p) for p in _levels())
    return Rate(middle, low, high, "measurements" if used else "prior", used)


def interval_sds() -> float:
    """Standard deviations of a normal distribution on each side of its middle, within the promised level."""
    return NormalDist().inv_cdf(_levels()[2])


def _levels() -> tuple[float, float, float]:
    level = data("growth")["interval"]["level"]
    return (1 - level) / 2, 0.5, (1 + level) / 2


def _cut_quantile(dist: NormalDist, p: float) -> float:
    """Quantile of a normal distribution cut off at 0, never quite 0."""
    below = dist.cdf(0.0)
    return max(1e-3, dist.inv_cdf(min(1 - 1e-12, below + p * (1 - below))))


def _stretches(measurements: Sequence[DatedLength], trims: Sequence[Trim]) -> list[list[DatedLength]]:
    """Measurements between two trims, at least two each."""
    cuts = sorted(trim.on for trim in trims)
    groups: dict[int, list[DatedLength]] = {}
    for measurement in sorted(measurements, key=lambda m: m.on):
        if measurement.on not in cuts:
            groups.setdefault(sum(cut < measurement.on for cut in cuts), []).append(measurement)
    return [group for group in groups.values() if len(group) > 1]


def doubt_words(doubt: Doubt, language: str = "en") -> str:
    """A doubt as a question to the owner."""
    texts = catalogue(language, "care")
    return texts.say(
        f"doubt.{doubt.code}",
        first=texts.mm(doubt.first.mm),
        first_day=texts.day(doubt.first.on),
        second=texts.mm(doubt.second.mm),
        second_day=texts.day(doubt.second.on),
    )


# --- forecast ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Present:
    """Trunk length on a day, mm, half the width of its 95 % interval, how fast it grows and where it stops."""

    today: date
    mm: float
    error_mm: float
    rate: Rate
    limit_mm: float | None = None


@dataclass(frozen=True)
class Crossing:
    """When the coat passes a length: the likely date and its range; ``latest`` is None if it may never do so."""

    mm: float
    likely: date
    earliest: date
    latest: date | None


@dataclass(frozen=True)
class Growth:
    """The coat's expected growth.

    Attributes:
        mode: continuous; bounded (growing back after a clip); full_length (nothing to forecast).
        now_mm: trunk length today, mm; ``now_error_mm``: half the width of its 95 % interval.
        rate: growth in mm/day with interval.
        full_mm: the length at which the coat stops, None if it does not or nobody knows.
        crossings: the limits 19, 25, 75 mm still ahead before the next trim, when the kit changes.
        trim: when the wished (or the longest fitting) length is reached, None if not ahead.
        trim_mm: that length.
        look_again: dates on which a puppy's coat must be assessed again.
        doubts: measurements that are questioned; the rate then rests on the prior.
        curve: (date, low, likely, high) in mm, weekly for about a year.
        held: the length stays as it is until knots, skin or training have been seen to; no dates but the puppy's.
        sure: whether it is known that the coat grows on, or stops; else some of the possible coats do the other.
        measured: somebody has measured or cut the coat, so that today's length is more than a guess by the band.
        wished: ``trim_mm`` is the length that the owner wishes for, and not one that was reckoned.
    """

    mode: Mode
    today: date
    now_mm: float
    now_error_mm: float
    rate: Rate
    full_mm: float | None
    crossings: tuple[Crossing, ...]
    trim: Crossing | None
    trim_mm: float | None
    look_again: tuple[date, ...]
    doubts: tuple[Doubt, ...]
    curve: tuple[tuple[date, float, float, float], ...]
    held: bool = False
    sure: bool = True
    measured: bool = True
    wished: bool = False


def forecast(
    situation: CoatSituation,
    today: date,
    *,
    measurements: Sequence[DatedLength] = (),
    trims: Sequence[Trim] = (),
    full_length_mm: float | None = None,
    keeps_growing: bool | None = None,
    target_mm: float | None = None,
    held: bool = False,
) -> Growth:
    """Forecast the trunk length.

    Args:
        situation: the dog; its measured length counts as of ``today``.
        measurements, trims: dated lengths and cuts of this dog.
        full_length_mm: the dog's own untrimmed trunk length, mm, from its breed or its owner.
        keeps_growing: whether the coat grows on when not cut; by the coat category if None.
        target_mm: the length at which the next trim is due.
        held: nothing is grown now: no dates but the puppy's.

    Raises:
        InputError: for a length or date that can't be (codes ``length``, ``error``, ``future``).
    """
    _checked(measurements, trims, today)
    doubts = examine(measurements, trims)
    rate = rate_of(() if doubts else measurements, trims)
    now, error = _now(situation, today, () if doubts else measurements, trims, rate)
    mode = _mode(situation, keeps_growing, trims, full_length_mm, now)
    if mode != "continuous":
        rate = _regrowth_rate(trims, full_length_mm, now)
    present = Present(today, now, error, rate, full_length_mm)
    ceiling = target_mm if target_mm is not None and mode == "continuous" else math.inf  # the trim comes before that
    ahead = [mm for mm in data("growth")["changes_mm"]["values"] if now < mm <= ceiling]
    found = [passing(mm, present) for mm in ahead] if mode != "full_length" and not held else []
    trim = None
    if target_mm is not None and mode == "continuous" and not held:
        trim = passing(target_mm, present)
    looks = _look_again(situation, today)
    return Growth(
        mode=mode,
        today=today,
        now_mm=now,
        now_error_mm=error,
        rate=rate,
        full_mm=full_length_mm,
        # What lies behind the next look at a pup's coat is told then: the coat that grows by that time is another.
        crossings=tuple(one for one in found if one is not None and not (looks and one.likely > looks[0])),
        trim=trim,
        trim_mm=target_mm if trim else None,
        look_again=looks,
        doubts=doubts,
        curve=_curve(present) if mode != "full_length" and not held else (),
        held=held,
        sure=keeps_growing is not None or len({_growth_of(category) for category in categories(situation)}) == 1,
        measured=situation.measured_mm is not None or _last_known(() if doubts else measurements, trims) is not None,
        wished=target_mm is not None and target_mm == situation.wished_length_mm,
    )


def _growth_of(category: CoatCategory) -> str:
    return str(data("coats")["coat"][category]["growth"])


def passing(mm: float, present: Present) -> Crossing | None:
    """When a coat reaches a length in mm.

    Today if it is longer already; None if it stops before or needs more than three years.
    """
    if present.limit_mm is not None and mm > present.limit_mm:
        return None
    rate = present.rate
    furthest = data("growth")["interval"]["furthest_days"]

    def on(start: float, speed: float) -> date | None:
        days = max(0.0, (mm - start) / speed)
        return present.today + timedelta(days=round(days)) if days <= furthest else None

    likely = on(present.mm, rate.mean)
    earliest = on(present.mm + present.error_mm, rate.high)
    if likely is None or earliest is None:
        return None
    return Crossing(mm, likely, min(earliest, likely), on(present.mm - present.error_mm, rate.low))


def _mode(
    situation: CoatSituation,
    keeps_growing: bool | None,
    trims: Sequence[Trim],
    full_mm: float | None,
    now_mm: float,
) -> Mode:
    grows = keeps_growing
    if grows is None:
        grows = any(_growth_of(category) == "continuous" for category in categories(situation))
    if grows:
        return "continuous"
    known = any(trim.to_mm is not None for trim in trims) and full_mm is not None
    return "bounded" if known and full_mm is not None and now_mm < full_mm else "full_length"


def _now(
    situation: CoatSituation, today: date, measurements: Sequence[DatedLength], trims: Sequence[Trim], rate: Rate
) -> tuple[float, float]:
    """Trunk length today and half the width of its interval, mm: a ruler today, the last ruler or clip, or the band.

    The width is that of the promised level, as everywhere in this room, not one standard deviation of the measuring.
    """
    error = interval_sds() * float(data("growth")["measuring"]["error_mm"])
    if situation.measured_mm is not None:
        return situation.measured_mm, error
    known = _last_known(measurements, trims)
    if known is not None:
        last, mm = known
        days = (today - last).days
        own = max((m.sd_mm for m in measurements if m.on == last), default=0.0)
        return mm + rate.mean * days, max(error, interval_sds() * own) + (rate.high - rate.low) / 2 * days
    low = min((band_limits_mm(band)[0] for band in situation.bands), default=0.0)
    likely = length_mm(situation)
    return likely, max(error, likely - low)


def _last_known(measurements: Sequence[DatedLength], trims: Sequence[Trim]) -> tuple[date, float] | None:
    """The last day of a ruler or clip with the length, mm; None if there was none, or nobody told the length."""
    last = max([m.on for m in measurements] + [t.on for t in trims], default=None)
    mm = None if last is None else _length_of_day(last, measurements, trims)
    return None if last is None or mm is None else (last, mm)


def _length_of_day(day: date, measurements: Sequence[DatedLength], trims: Sequence[Trim]) -> float | None:
    """Length at the end of a day, mm: what a trim left, or the mean of the day's measurements.

    None after a trim to a length that nobody told: a measurement of that day may have come before it.
    """
    cuts = [trim.to_mm for trim in trims if trim.on == day]
    if cuts:
        return min((mm for mm in cuts if mm is not None), default=None)
    return fmean(m.mm for m in measurements if m.on == day)


def _regrowth_rate(trims: Sequence[Trim], full_mm: float | None, now_mm: float) -> Rate:
    """Rate at which a clipped coat that sheds reaches its full length, mm/day.

    The Labradors' weeks, but never faster than hair grows.
    """
    table = data("growth")
    weeks, speed = table["regrowth_weeks"], table["rate_mm_per_day"]
    start = min((trim.to_mm for trim in trims if trim.to_mm is not None), default=0.0)
    to_grow = max(1.0, (full_mm if full_mm is not None else now_mm) - start)
    seasons = [weeks[season]["value"] for season in ("spring", "summer", "autumn", "winter")]

    def rate(in_weeks: float, at_most: float) -> float:
        return float(min(at_most, to_grow / (7 * in_weeks)))

    middle = (speed["fast_low"] + speed["fast_high"]) / 2
    return Rate(
        mean=rate(weeks["mean"]["value"], middle),
        low=rate(max(seasons), speed["fast_low"]),
        high=rate(min(seasons), speed["fast_high"]),
        based_on="published",
        measurements=0,
    )


def _look_again(situation: CoatSituation, today: date) -> tuple[date, ...]:
    """When a puppy's coat must be assessed again."""
    table = data("growth")
    age = situation.age_months
    if age is None:
        return ()
    per_month = table["calendar"]["days_per_month"]
    return tuple(
        today + timedelta(days=round((month - age) * per_month))
        for month in table["puppy"]["look_again_months"]
        if month > age
    )


def _curve(present: Present) -> tuple[tuple[date, float, float, float], ...]:
    limit, rate = present.limit_mm, present.rate

    def at(days: int, start: float, speed: float) -> float:
        grown = max(0.0, start + speed * days)
        return grown if limit is None else min(max(limit, start), grown)

    return tuple(
        (
            present.today + timedelta(days=days),
            at(days, present.mm - present.error_mm, rate.low),
            at(days, present.mm, rate.mean),
            at(days, present.mm + present.error_mm, rate.high),
        )
        for days in range(0, 365, 7)
    )


# --- in words ---------------------------------------------------------------------------------------------------------


def growth_words(
    growth: Growth, language: str = "en", *, comes_off: bool = False, cut_on: date | None = None
) -> tuple[str, ...]:
    """The expected growth in sentences.

    Args:
        growth: what is expected.
        language: one of :data:`coatclass.words.LANGUAGES`.
        comes_off: the groomer has to take the coat off.
        cut_on: the day of a booked visit that brings the trim.
    """
    texts = catalogue(language, "care")
    if comes_off:
        lines = [texts.say("growth.held_comes_off")]
    elif growth.held:
        lines = [texts.say("growth.held_full_length" if growth.mode == "full_length" else "growth.held")]
    elif growth.mode == "full_length":
        lines = [texts.say("growth.full_length")]
    elif growth.mode == "bounded":
        weeks = texts.number(data("growth")["regrowth_weeks"]["mean"]["value"])
        lines = [texts.say("growth.bounded", full=texts.about_mm(growth.full_mm or 0.0), weeks=weeks)]
    elif growth.rate.based_on == "measurements":
        rate = growth.rate
        numbers = {name: texts.number(getattr(rate, value), 2) for name, value in _RATE_NUMBERS}
        lines = [texts.say("growth.measurements", n=rate.measurements, **numbers)]
    else:
        lines = [texts.say("growth.prior")]
    if growth.crossings and not growth.sure:
        lines.append(texts.say("growth.if_it_grows"))
    lines += [crossing_words(crossing, language) for crossing in growth.crossings]
    if growth.trim is not None:
        if cut_on is None:
            lines.append(trim_words(growth, growth.trim, language))
        else:
            lines.append(texts.say("growth.trim_booked", mm=_trim_length(growth, texts), day=texts.day(cut_on)))
    if growth.look_again:
        dates = texts.joined(texts.day(day) for day in growth.look_again)
        lines.append(texts.say("growth.look_again", dates=dates))
    return tuple(lines)


def _trim_length(growth: Growth, texts: Catalogue) -> str:
    """The length of the next trim: as it was wished, or as a ruler shows what was reckoned."""
    mm = growth.trim_mm or 0.0
    return texts.mm(mm) if growth.wished else texts.about_mm(mm)


def trim_words(growth: Growth, trim: Crossing, language: str = "en") -> str:
    """When the next trim is due, or that it is due now."""
    texts = catalogue(language, "care")
    mm = _trim_length(growth, texts)
    if trim.likely > growth.today:
        return _dated("trim", trim, texts, mm)
    if not growth.measured:
        return texts.say("growth.trim_unmeasured", mm=mm)
    key = "trim_keeps" if growth.now_mm <= trim.mm + growth.now_error_mm else "trim_now"
    return texts.say(f"growth.{key}", mm=mm)


_RATE_NUMBERS = (("rate", "mean"), ("low", "low"), ("high", "high"))


def crossing_words(crossing: Crossing, language: str = "en") -> str:
    """When the coat passes a length, and between which dates."""
    texts = catalogue(language, "care")
    return _dated("crossing", crossing, texts, texts.mm(crossing.mm))


def _dated(key: str, crossing: Crossing, texts: Catalogue, mm: str) -> str:
    values = {
        "mm": mm,
        "likely": texts.day(crossing.likely),
        "earliest": texts.day(crossing.earliest),
    }
    if crossing.latest is None:
        return texts.say(f"growth.{key}_open", **values)
    return texts.say(f"growth.{key}", **values, latest=texts.day(crossing.latest))
