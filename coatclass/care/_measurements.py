"""Dated measurements of one dog: refused when they can't be, questioned when they hardly can, else a growth rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from statistics import NormalDist, fmean
from typing import Literal

from coatclass.care._coat import data
from coatclass.errors import InputError
from coatclass.words import catalogue

__all__ = ["Doubt", "Measurement", "Rate", "Trim", "checked", "doubt_words", "examine", "rate_of"]

DoubtCode = Literal["wrong_order", "shrank_without_trim", "too_fast", "same_day_differs"]


@dataclass(frozen=True)
class Measurement:
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
    """Two measurements that hardly go together; somebody should look again."""

    code: DoubtCode
    first: Measurement
    second: Measurement


@dataclass(frozen=True)
class Rate:
    """Growth in mm/day with a 95 % interval, and what it rests on."""

    mean: float
    low: float
    high: float
    based_on: Literal["prior", "measurements", "published"]
    measurements: int


def checked(measurements: Sequence[Measurement], trims: Sequence[Trim], today: date) -> None:
    """Refuse what can't be.

    Raises:
        InputError: codes ``length``, ``error``, ``future``.
    """
    most = data("growth")["measuring"]["most_mm"]
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


def examine(measurements: Sequence[Measurement], trims: Sequence[Trim]) -> tuple[Doubt, ...]:
    """Neighbouring measurements that hardly go together."""
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


def rate_of(measurements: Sequence[Measurement], trims: Sequence[Trim]) -> Rate:
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


def _levels() -> tuple[float, float, float]:
    level = data("growth")["interval"]["level"]
    return (1 - level) / 2, 0.5, (1 + level) / 2


def _cut_quantile(dist: NormalDist, p: float) -> float:
    """Quantile of a normal distribution cut off at 0, never quite 0."""
    below = dist.cdf(0.0)
    return max(1e-3, dist.inv_cdf(min(1 - 1e-12, below + p * (1 - below))))


def _stretches(measurements: Sequence[Measurement], trims: Sequence[Trim]) -> list[list[Measurement]]:
    """Measurements between two trims, at least two each."""
    cuts = sorted(trim.on for trim in trims)
    groups: dict[int, list[Measurement]] = {}
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
