"""Trunk length over time: when the kit changes, when to trim, when to look again. Numbers: ``data/growth.toml``.

Two models. A coat that sheds grows back from the last clip to the dog's own full length and stops there. A coat that
keeps growing does so at a rate that is learnt from dated measurements of this dog; before any, the prior speaks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from coatclass.care._coat import categories, data, length_mm
from coatclass.care._measurements import Doubt, Measurement, Rate, Trim, checked, examine, rate_of
from coatclass.contract import CoatSituation
from coatclass.taxonomy import band_limits_mm

__all__ = ["Crossing", "Growth", "Present", "forecast", "passing"]

Mode = Literal["continuous", "bounded", "full_length"]


@dataclass(frozen=True)
class Present:
    """Trunk length on a day, mm, half the width of its interval, how fast it grows and where it stops."""

    today: date
    mm: float
    error_mm: float
    rate: Rate
    limit_mm: float | None = None


@dataclass(frozen=True)
class Crossing:
    """When the coat passes a length: the likely date and the honest range; ``latest`` None: perhaps never."""

    mm: float
    likely: date
    earliest: date
    latest: date | None


@dataclass(frozen=True)
class Growth:
    """Where the coat is going.

    Attributes:
        mode: continuous; bounded (growing back after a clip); full_length (nothing to forecast).
        now_mm: trunk length today, mm; ``now_error_mm``: half the width of its interval.
        rate: growth in mm/day with interval.
        full_mm: the length at which the coat stops, None if it does not or nobody knows.
        crossings: the limits 19, 25, 75 mm still ahead before the next trim, when the kit changes.
        trim: when the wished (or the longest fitting) length is reached, None if not ahead.
        trim_mm: that length.
        look_again: dates on which a puppy's coat must be assessed again.
        doubts: measurements that are questioned; the rate then rests on the prior.
        curve: (date, low, likely, high) in mm, weekly for about a year.
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


def forecast(
    situation: CoatSituation,
    today: date,
    *,
    measurements: Sequence[Measurement] = (),
    trims: Sequence[Trim] = (),
    full_length_mm: float | None = None,
    keeps_growing: bool | None = None,
    target_mm: float | None = None,
) -> Growth:
    """Forecast the trunk length.

    Args:
        situation: the dog; its measured length counts as of ``today``.
        measurements, trims: dated lengths and cuts of this dog.
        full_length_mm: the dog's own untrimmed trunk length, mm, from its breed or its owner.
        keeps_growing: whether the coat grows on when not cut; by the coat category if None.
        target_mm: the length at which the next trim is due.

    Raises:
        InputError: for a length or date that can't be (codes ``length``, ``error``, ``future``).
    """
    checked(measurements, trims, today)
    doubts = examine(measurements, trims)
    rate = rate_of(() if doubts else measurements, trims)
    now, error = _now(situation, today, () if doubts else measurements, trims, rate)
    mode = _mode(situation, keeps_growing, trims, full_length_mm, now)
    if mode != "continuous":
        rate = _regrowth_rate(trims, full_length_mm, now)
    present = Present(today, now, error, rate, full_length_mm)
    ceiling = target_mm if target_mm is not None and mode == "continuous" else math.inf  # a trim comes first
    ahead = [mm for mm in data("growth")["changes_mm"]["values"] if now < mm <= ceiling]
    found = [passing(mm, present) for mm in ahead] if mode != "full_length" else []
    trim = None
    if target_mm is not None and mode == "continuous":
        trim = passing(target_mm, present)
    return Growth(
        mode=mode,
        today=today,
        now_mm=now,
        now_error_mm=error,
        rate=rate,
        full_mm=full_length_mm,
        crossings=tuple(crossing for crossing in found if crossing is not None),
        trim=trim,
        trim_mm=target_mm if trim else None,
        look_again=_look_again(situation, today),
        doubts=doubts,
        curve=_curve(present) if mode != "full_length" else (),
    )


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
        grows = any(data("coats")["coat"][category]["growth"] == "continuous" for category in categories(situation))
    if grows:
        return "continuous"
    known = any(trim.to_mm is not None for trim in trims) and full_mm is not None
    return "bounded" if known and full_mm is not None and now_mm < full_mm else "full_length"


def _now(
    situation: CoatSituation, today: date, measurements: Sequence[Measurement], trims: Sequence[Trim], rate: Rate
) -> tuple[float, float]:
    """Trunk length today and half the width of its interval, mm: a ruler today, the last ruler or clip, or the band."""
    error = float(data("growth")["measuring"]["error_mm"])
    if situation.measured_mm is not None:
        return situation.measured_mm, error
    known = [(m.on, m.mm) for m in measurements] + [(t.on, t.to_mm) for t in trims if t.to_mm is not None]
    if known:
        last, mm = max(known)
        if not any(trim.on > last for trim in trims):
            days = (today - last).days
            return mm + rate.mean * days, error + (rate.high - rate.low) / 2 * days
    low = min((band_limits_mm(band)[0] for band in situation.bands), default=0.0)
    likely = length_mm(situation)
    return likely, max(error, likely - low)


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
