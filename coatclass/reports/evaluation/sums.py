"""Figures from sums over photos, so that a table of any length needs a single pass, a piece at a time.

Intervals: in each resample every dog's photos count Poisson(1) times, independently of other dogs. For many dogs this
is the bootstrap with dogs as units (Hanley and MacGibbon 2006; Chamandy, Muralidharan, Najmi and Naidu, "Estimating
Uncertainty for Massive Data Streams", 2012), but it needs neither all dogs at once nor their photos side by side: the
count follows from a hash of the dog's name and the number of the resample. Two runs on the same photos thus share their
resamples, and their difference gets a paired interval.

What is kept: the sums of each resample, whatever the number of photos; and for the figures that need an order, 17 bytes
a photo (how sure, right or wrong, which dog). Their resamples see sureness in steps of 1/1024.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.reports.evaluation import metrics
from coatclass.reports.evaluation.metrics import Figure
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

__all__ = ["Part", "Tally", "differences", "hashed", "in_steps", "interval", "poisson_counts"]

Floats = NDArray[np.float64]
Hashes = NDArray[np.uint64]
_STEPS = 1024
_LOW, _HIGH = 2.5, 97.5
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_ALL = list(range(len(CATEGORIES)))


# --- resampling -------------------------------------------------------------------------------------------------------


def hashed(names: Iterable[str]) -> Hashes:
    """A number of 64 bits for each name, the same everywhere."""
    return np.array(
        [int.from_bytes(blake2b(name.encode(), digest_size=8).digest(), "little") for name in names], dtype=np.uint64
    )


def poisson_counts(groups: Hashes, resamples: int) -> NDArray[np.float32]:
    """How often each group counts in each resample, (N, resamples): Poisson(1), the same whenever it is asked.

    Counter-based: the mixing function of SplitMix64 (Steele, Lea and Flood 2014) on group and resample gives four
    numbers of 16 bits, and each is looked up in the cumulative distribution.
    """
    with np.errstate(over="ignore"):
        steps = np.arange(1, -(-resamples // 4) + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        mixed = groups[:, None] + steps[None, :]
        mixed ^= mixed >> np.uint64(30)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= mixed >> np.uint64(27)
        mixed *= np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(31)
    counts: NDArray[np.float32] = _poisson_table()[mixed.view(np.uint16)][:, :resamples]
    return counts


@cache
def _poisson_table() -> NDArray[np.float32]:
    """Counts by a uniform number of 16 bits: inverse of the cumulative distribution, rounded to 2^-16."""
    probability, cumulative, table = float(np.exp(-1)), 0.0, np.zeros(1 << 16, dtype=np.float32)
    for count in range(1, 10):
        cumulative += probability
        table[round(cumulative * (1 << 16)) :] = count
        probability /= count
    return table


# --- what is summed ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Part:
    """Photos of dogs with a known coat that were judged.

    Attributes:
        truth: category, (N,). p: P(category), (N, 7). shares: both annotators' votes, (N, 7).
        band: length band, (N,), -1 where it is not known or not to be seen. b: P(band), (N, 4).
        group: which dog, hashed, (N,).
    """

    truth: NDArray[np.int64]
    p: Floats
    shares: Floats
    band: NDArray[np.int64]
    b: Floats
    group: Hashes

    def where(self, keep: NDArray[Any]) -> Part:
        """Those for which ``keep`` holds, or those at the places that it names."""
        return Part(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


_BINS = metrics.BINS
_CELLS, _LOSSES = len(CATEGORIES) ** 2, 4
_BAND_CELLS = len(BANDS) ** 2


def _one_hot(places: NDArray[np.int64], many: int) -> Floats:
    table = np.zeros((len(places), many))
    table[np.arange(len(places)), places] = 1
    return table


def _bins(sure: Floats, right: NDArray[np.bool_]) -> Floats:
    """Overconfidence by bin of equal width, (N, bins): all that a calibration error needs."""
    return _one_hot(_bin(sure), _BINS) * (sure - right)[:, None]


def _bin(sure: Floats) -> NDArray[np.int64]:
    edges = np.linspace(0, 1, _BINS + 1)
    return np.clip(np.searchsorted(edges, sure, side="left") - 1, 0, _BINS - 1)


def _log(p: Floats) -> Floats:
    loss: Floats = -np.log(p.clip(metrics.SMALLEST))
    return loss


def _category_features(part: Part) -> Floats:
    guess, rows = part.p.argmax(axis=1), np.arange(len(part.truth))
    losses = [
        _log(part.p[rows, part.truth]),
        ((part.p - np.eye(len(CATEGORIES))[part.truth]) ** 2).sum(axis=1),
        (part.shares * _log(part.p)).sum(axis=1),
        ((part.p - part.shares) ** 2).sum(axis=1),
    ]
    cells = _one_hot(part.truth * len(CATEGORIES) + guess, _CELLS)
    return np.hstack([cells, np.column_stack(losses), _bins(part.p.max(axis=1), guess == part.truth)])


def _band_features(part: Part) -> Floats:
    guess, rows = part.b.argmax(axis=1), np.arange(len(part.band))
    cells = _one_hot(part.band * len(BANDS) + guess, _BAND_CELLS)
    loss = _log(part.b[rows, part.band])[:, None]
    return np.hstack([cells, loss, _bins(part.b.max(axis=1), guess == part.band)])


def _step(sure: Floats) -> NDArray[np.int64]:
    return ((1 - sure) * _STEPS).astype(np.int64).clip(0, _STEPS - 1)


def in_steps(p: Floats) -> NDArray[np.int64]:
    """Places of photos, surest step first: in this order :class:`Tally` takes them, so that it need not sort counts."""
    return np.argsort(_step(p.max(axis=1)), kind="stable")


class Tally:
    """Sums over judged photos, of all of them and of each resample."""

    def __init__(self, resamples: int) -> None:
        self.resamples = resamples
        self._category = np.zeros((1 + resamples, _CELLS + _LOSSES + _BINS))
        self._band = np.zeros((1 + resamples, _BAND_CELLS + 1 + _BINS))
        self._bins = {"category": np.zeros((3, _BINS)), "band": np.zeros((3, _BINS))}
        self._steps = np.zeros((2, 1 + resamples, _STEPS))  # photos, and wrong ones, surest first
        self._sure: list[Floats] = []
        self._right: list[NDArray[np.bool_]] = []
        self._groups: list[Hashes] = []

    def add(self, part: Part) -> NDArray[np.float32]:
        """Count photos in the order of :func:`in_steps`; return how often each counts in each resample."""
        counts = poisson_counts(part.group, self.resamples)
        if not len(part.truth):
            return counts
        _sum(self._category, _category_features(part), counts)
        known = part.band >= 0
        if known.any():
            measured = part.where(known)
            _sum(self._band, _band_features(measured), counts if known.all() else counts[known])
            self._count_bins("band", measured.b.max(axis=1), measured.b.argmax(axis=1) == measured.band)
        sure, right = part.p.max(axis=1), part.p.argmax(axis=1) == part.truth
        self._count_bins("category", sure, right)
        self._sum_steps(sure, right, counts)
        self._sure.append(sure)
        self._right.append(right)
        self._groups.append(part.group)
        return counts

    def _sum_steps(self, sure: Floats, right: NDArray[np.bool_], counts: NDArray[np.float32]) -> None:
        step = _step(sure)
        for of, counted, into in ((step, counts, self._steps[0]), (step[~right], counts[~right], self._steps[1])):
            if len(of):
                steps, starts = np.unique(of, return_index=True)
                into[0, steps] += np.diff(np.append(starts, len(of)))
                into[1:, steps] += np.add.reduceat(counted, starts, axis=0).T

    def _count_bins(self, what: str, sure: Floats, right: NDArray[np.bool_]) -> None:
        place = _bin(sure)
        for row, weights in enumerate((None, sure, right.astype(float))):
            self._bins[what][row] += np.bincount(place, weights, _BINS)

    @property
    def photos(self) -> int:
        """How many were counted."""
        return round(float(self._category[0, :_CELLS].sum()))

    @property
    def measured(self) -> int:
        """How many of them have a known length."""
        return round(float(self._band[0, :_BAND_CELLS].sum()))

    @property
    def dogs(self) -> int:
        """How many dogs they show."""
        return len(np.unique(np.concatenate(self._groups))) if self._groups else 0

    def confusion(self, what: str) -> Floats:
        """Counts by truth (rows) and by what was said (columns)."""
        sums, many = (self._category, len(CATEGORIES)) if what == "category" else (self._band, len(BANDS))
        return sums[0, : many * many].reshape(many, many)

    def bins(self, what: str) -> list[tuple[float, float, int]]:
        """For each bin of equal width that holds photos: mean sureness, share right, count."""
        return [(s / n, r / n, round(n)) for n, s, r in self._bins[what].T.tolist() if n]

    def curve(self) -> tuple[Floats, Floats]:
        """Coverage and risk, as :func:`metrics.risk_coverage`."""
        return metrics.risk_coverage(np.concatenate(self._sure), np.concatenate(self._right))

    def spread(self) -> dict[str, dict[str, Floats]]:
        """Every figure of all photos, and then of each resample: by part and name, (1 + resamples,)."""
        with np.errstate(invalid="ignore", divide="ignore"):
            found = {"category": self._category_spread()}
            return found | ({"band": self._band_spread()} if self.measured else {})

    def figures(self) -> dict[str, dict[str, Figure]]:
        """Every figure with its 95 % interval (percentiles of the resamples)."""
        counts = {"category": self.photos, "band": self.measured}
        return {
            part: {name: _figure(values, counts[part]) for name, values in of.items()}
            for part, of in self.spread().items()
        }

    def _category_spread(self) -> dict[str, Floats]:
        sums = self._category
        cells = sums[:, :_CELLS].reshape(-1, len(CATEGORIES), len(CATEGORIES))
        n = cells.sum(axis=(1, 2))
        losses = (sums[:, _CELLS : _CELLS + _LOSSES] / n[:, None]).T
        found = {
            "accuracy": np.trace(cells, axis1=1, axis2=2) / n,
            "balanced_accuracy": metrics.balanced_accuracy_of(cells),
            "macro_f1": metrics.macro_f1_of(cells, _ALL),
            "macro_f1_without_mixed": metrics.macro_f1_of(cells, [label for label in _ALL if label != _MIXED]),
            "log_loss": losses[0],
            "brier": losses[1],
            "ece_15": np.abs(sums[:, -_BINS:]).sum(axis=1) / n,
        }
        found |= self._ordered()
        return found | {"log_loss_against_annotators": losses[2], "brier_against_annotators": losses[3]}

    def _ordered(self) -> dict[str, Floats]:
        """Figures that need an order: exact for all photos; in steps for the resamples, moved by what steps cost."""
        sure, right = np.concatenate(self._sure), np.concatenate(self._right)
        photos, wrong = self._steps
        # Mean sureness of each step over all photos; the resamples don't keep it.
        step = _step(sure)
        level = np.bincount(step, sure, _STEPS) / np.maximum(np.bincount(step, minlength=_STEPS), 1)
        exact = {
            "adaptive_ece_15": metrics.adaptive_calibration_error(sure, right),
            "aurc": metrics.area_under_risk_coverage(sure, right),
            "coverage_at_2_percent_error": metrics.coverage_at_risk(sure, right, 0.02),
            "coverage_at_5_percent_error": metrics.coverage_at_risk(sure, right, 0.05),
        }
        in_steps = {
            "adaptive_ece_15": metrics.adaptive_calibration_error_of(photos, wrong, level),
            "aurc": metrics.area_under_risk_coverage_of(photos, wrong),
            "coverage_at_2_percent_error": metrics.coverage_at_risk_of(photos, wrong, 0.02),
            "coverage_at_5_percent_error": metrics.coverage_at_risk_of(photos, wrong, 0.05),
        }
        moved = {name: values + (exact[name] - values[0]) for name, values in in_steps.items()}
        return {name: np.clip(values, 0, 1) for name, values in moved.items()}

    def _band_spread(self) -> dict[str, Floats]:
        sums = self._band
        cells = sums[:, :_BAND_CELLS].reshape(-1, len(BANDS), len(BANDS))
        n = cells.sum(axis=(1, 2))
        steps = np.abs(np.subtract.outer(np.arange(len(BANDS)), np.arange(len(BANDS))))
        return {
            "exact": np.trace(cells, axis1=1, axis2=2) / n,
            "within_one": (cells * (steps <= 1)).sum(axis=(1, 2)) / n,
            "quadratic_weighted_kappa": metrics.kappa_of(cells, quadratic=True),
            "log_loss": sums[:, _BAND_CELLS] / n,
            "ece_15": np.abs(sums[:, -_BINS:]).sum(axis=1) / n,
        }


def _sum(into: Floats, features: Floats, counts: NDArray[np.float32]) -> None:
    into[0] += features.sum(axis=0)
    into[1:] += counts.T @ features.astype(np.float32)


def _figure(values: Floats, n: int) -> Figure:
    low, high = interval(values)
    return Figure(float(values[0]), low, high, n)


def interval(values: Floats) -> tuple[float, float]:
    """The middle 95 % of the resamples; the figure itself where there are none."""
    resampled = values[1:][np.isfinite(values[1:])]
    if not len(resampled):
        return float(values[0]), float(values[0])
    low, high = np.percentile(resampled, [_LOW, _HIGH])
    return float(low), float(high)


def differences(ours: Tally, theirs: Tally) -> dict[str, dict[str, Figure]]:
    """Ours less theirs, on the same photos, with paired intervals: both count the same dogs in each resample."""
    counts = {"category": ours.photos, "band": ours.measured}
    mine, other = ours.spread(), theirs.spread()
    return {
        part: {name: _figure(values - other[part][name], counts[part]) for name, values in of.items()}
        for part, of in mine.items()
        if part in other
    }
