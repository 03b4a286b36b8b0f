"""The figures of the evaluation, from their published definitions, and their intervals.

Truth is an integer per case, probabilities are (N, K). scikit-learn is the reference in the tests, where it has the
same figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from coatclass.errors import MissingExtraError

__all__ = [
    "SMALLEST",
    "Figure",
    "accuracy",
    "adaptive_calibration_error",
    "adaptive_calibration_error_of",
    "area_under_risk_coverage",
    "area_under_risk_coverage_of",
    "area_under_roc",
    "balanced_accuracy",
    "balanced_accuracy_of",
    "binomial_interval",
    "bootstrap",
    "brier_score",
    "calibration_bins",
    "confusion",
    "coverage_at_risk",
    "coverage_at_risk_of",
    "expected_calibration_error",
    "kappa",
    "kappa_of",
    "log_loss",
    "macro_f1",
    "macro_f1_of",
    "risk_coverage",
    "roc",
    "soft_brier_score",
    "soft_log_loss",
    "within_one",
]

Floats = NDArray[np.float64]
Truth = NDArray[Any]
BINS = 15
SMALLEST = 1e-12
"""Probabilities below it count as this, so that no single photo makes a log loss infinite."""


def accuracy(truth: Truth, guess: Truth) -> float:
    """Share of cases classified correctly."""
    return float((truth == guess).mean())


def confusion(truth: Truth, guess: Truth, classes: int) -> Floats:
    """Counts (classes, classes): rows by truth, columns by what was said."""
    table = np.zeros((classes, classes))
    np.add.at(table, (truth, guess), 1)
    return table


def balanced_accuracy(truth: Truth, guess: Truth) -> float:
    """Mean recall over the classes that occur."""
    classes = int(max(truth.max(), guess.max())) + 1
    return float(balanced_accuracy_of(confusion(truth, guess, classes)[None])[0])


def balanced_accuracy_of(counts: Floats) -> Floats:
    """The same of confusion counts (..., classes, classes)."""
    labelled, hits = counts.sum(axis=-1), np.diagonal(counts, axis1=-2, axis2=-1)
    there = labelled > 0
    recall: Floats = (hits / np.where(there, labelled, 1) * there).sum(axis=-1) / there.sum(axis=-1)
    return recall


def macro_f1(truth: Truth, guess: Truth, labels: list[int]) -> float:
    """Mean over ``labels`` of 2 TP / (2 TP + FP + FN); 0 for a class neither there nor said."""
    classes = int(max(truth.max(), guess.max(), *labels)) + 1
    return float(macro_f1_of(confusion(truth, guess, classes)[None], labels)[0])


def macro_f1_of(counts: Floats, labels: list[int]) -> Floats:
    """The same of confusion counts (..., classes, classes)."""
    named = counts.sum(axis=-1) + counts.sum(axis=-2)
    scores = 2 * np.diagonal(counts, axis1=-2, axis2=-1) / np.where(named > 0, named, 1)
    mean: Floats = scores[..., labels].mean(axis=-1)
    return mean


def log_loss(truth: Truth, p: Floats) -> float:
    """Mean of -log P(truth), in nats."""
    return float(-np.log(p[np.arange(len(truth)), truth].clip(SMALLEST)).mean())


def brier_score(truth: Truth, p: Floats) -> float:
    """Mean over cases of the squared distance to the truth, summed over classes: 0 to 2 (Brier 1950)."""
    return soft_brier_score(np.eye(p.shape[1])[truth], p)


def soft_log_loss(shares: Floats, p: Floats) -> float:
    """Cross-entropy against soft labels q (N, K), in nats; never below their own entropy."""
    return float(-(shares * np.log(p.clip(SMALLEST))).sum(axis=1).mean())


def soft_brier_score(shares: Floats, p: Floats) -> float:
    """Brier score against soft labels."""
    return float(((p - shares) ** 2).sum(axis=1).mean())


def calibration_bins(sure: Floats, right: Truth, edges: Floats) -> list[tuple[float, float, int]]:
    """For each bin (low, high] that holds cases: mean sureness, share right, count."""
    places = np.clip(np.searchsorted(edges, sure, side="left") - 1, 0, len(edges) - 2)
    return [
        (float(sure[places == place].mean()), float(right[places == place].mean()), int((places == place).sum()))
        for place in range(len(edges) - 1)
        if (places == place).any()
    ]


def _calibration_error(sure: Floats, right: Truth, edges: Floats) -> float:
    bins = calibration_bins(sure, right, edges)
    return float(sum(count * abs(mean - share) for mean, share, count in bins) / len(sure))


def expected_calibration_error(sure: Floats, right: Truth, bins: int = BINS) -> float:
    """ECE over bins of equal width (Guo, Pleiss, Sun and Weinberger 2017)."""
    return _calibration_error(sure, right, np.linspace(0, 1, bins + 1))


def adaptive_calibration_error(sure: Floats, right: Truth, bins: int = BINS) -> float:
    """ECE over bins that hold equally many cases (Nguyen and O'Connor 2015)."""
    parts = np.array_split(np.argsort(sure, kind="stable"), bins)
    return float(
        sum(len(part) * abs(sure[part].mean() - right[part].mean()) for part in parts if len(part)) / len(sure)
    )


def risk_coverage(sure: Floats, right: Truth) -> tuple[Floats, Floats]:
    """Coverage 1/N .. 1 and the share wrong among the surest that many (El-Yaniv and Wiener 2010).

    Equally sure cases are answered in a random order: their errors are spread evenly.
    """
    order = np.argsort(-sure, kind="stable")
    wrong = 1.0 - np.asarray(right, dtype=np.float64)[order]
    _, starts, tied = np.unique(-sure[order], return_index=True, return_counts=True)
    spread = np.repeat(np.add.reduceat(wrong, starts) / tied, tied)
    counts = np.arange(1, len(sure) + 1)
    risk: Floats = np.cumsum(spread) / counts
    return counts / len(sure), risk


def area_under_risk_coverage(sure: Floats, right: Truth) -> float:
    """AURC: the mean of the selective risk over all coverages (Geifman and El-Yaniv 2017; Geifman et al. 2019)."""
    return float(risk_coverage(sure, right)[1].mean())


def coverage_at_risk(sure: Floats, right: Truth, risk: float) -> float:
    """The largest share of cases, surest first, among which at most ``risk`` are wrong."""
    coverage, risks = risk_coverage(sure, right)
    kept = np.flatnonzero(risks <= risk + 1e-12)
    return float(coverage[kept[-1]]) if len(kept) else 0.0


def area_under_risk_coverage_of(photos: Floats, wrong: Floats) -> Floats:
    """AURC of counts (..., steps), surest step first; the photos of a step are equally sure.

    Over a step the risk is (W + j r) / (N + j) at its j-th photo, with N photos and W wrong ones before it and the
    share r wrong in it; its sum has a closed form by the digamma function (Abramowitz and Stegun 1964, 6.3.6).
    """
    from scipy.special import digamma

    before, wrong_before = photos.cumsum(axis=-1) - photos, wrong.cumsum(axis=-1) - wrong
    share = wrong / np.where(photos > 0, photos, 1)
    terms = wrong + (wrong_before - share * before) * (digamma(before + photos + 1) - digamma(before + 1))
    area: Floats = terms.sum(axis=-1) / photos.sum(axis=-1)
    return area


def coverage_at_risk_of(photos: Floats, wrong: Floats, risk: float) -> Floats:
    """:func:`coverage_at_risk` of counts (..., steps), surest step first; the photos of a step are equally sure."""
    before, wrong_before = photos.cumsum(axis=-1) - photos, wrong.cumsum(axis=-1) - wrong
    share = wrong / np.where(photos > 0, photos, 1)
    spare = risk * before - wrong_before + 1e-9  # wrong answers that may still be given
    rising = share > risk
    some = np.floor(spare / np.where(rising, share - risk, 1))
    whole = np.where(spare >= (share - risk) * photos, photos, 0)
    answered = np.where(rising, np.clip(some, 0, photos), whole)
    covered: Floats = np.where(answered >= 1, before + answered, 0).max(axis=-1) / photos.sum(axis=-1)
    return covered


def adaptive_calibration_error_of(photos: Floats, wrong: Floats, level: Floats, bins: int = BINS) -> Floats:
    """:func:`adaptive_calibration_error` of counts (..., steps), surest step first; ``level``: how sure each is."""
    total = photos.sum(axis=-1, keepdims=True)
    sums = [np.insert(one.cumsum(axis=-1), 0, 0, axis=-1) for one in (photos, photos * level, photos - wrong)]
    ends = np.linspace(0, 1, bins + 1)
    errors = np.zeros(photos.shape[:-1])
    for row in np.ndindex(errors.shape):
        sure, right = (np.interp(ends * total[row], sums[0][row], one[row]) for one in sums[1:])
        errors[row] = np.abs(np.diff(sure) - np.diff(right)).sum() / total[row][0] if total[row][0] else np.nan
    return errors


def within_one(truth: Truth, guess: Truth) -> float:
    """Share of cases at most one step off on an ordered scale."""
    return float((np.abs(truth - guess) <= 1).mean())


def kappa(first: Truth, second: Truth, classes: int, *, quadratic: bool = False) -> float:
    """Cohen's kappa (1960), or weighted by squared distance (1968): agreement beyond chance; 1 if one class is all."""
    return float(kappa_of(confusion(first, second, classes)[None], quadratic=quadratic)[0])


def kappa_of(counts: Floats, *, quadratic: bool = False) -> Floats:
    """The same of confusion counts (..., classes, classes)."""
    observed = counts / counts.sum(axis=(-2, -1), keepdims=True)
    expected = observed.sum(axis=-1)[..., :, None] * observed.sum(axis=-2)[..., None, :]
    steps = np.subtract.outer(np.arange(counts.shape[-1]), np.arange(counts.shape[-1]))
    weights = steps**2 if quadratic else (steps != 0).astype(float)
    by_chance, seen = ((weights * of).sum(axis=(-2, -1)) for of in (expected, observed))
    agreement: Floats = np.where(by_chance == 0, 1.0, 1.0 - seen / np.where(by_chance == 0, 1, by_chance))
    return agreement


def roc(score: Floats, positive: Truth) -> tuple[Floats, Floats]:
    """False-alarm rate and detection rate as the threshold falls, one point for each distinct score, from (0, 0)."""
    order = np.argsort(-score, kind="stable")
    hits = np.asarray(positive, dtype=np.float64)[order]
    last = np.append(np.flatnonzero(np.diff(score[order])), len(score) - 1)
    detected, alarms = np.cumsum(hits)[last], np.cumsum(1 - hits)[last]
    return np.append(0, alarms / max(alarms[-1], 1)), np.append(0, detected / max(detected[-1], 1))


def area_under_roc(score: Floats, positive: Truth) -> float:
    """Probability that a random positive scores above a random negative, ties counting half."""
    alarms, detected = roc(score, positive)
    return float(np.trapezoid(detected, alarms))


RESAMPLES = 1000
_LOW, _HIGH = 2.5, 97.5


class Figure(NamedTuple):
    """A figure with its 95 % interval and the number of cases behind it."""

    value: float
    low: float
    high: float
    n: int


def bootstrap(
    figures: Mapping[str, Callable[[NDArray[np.int64]], float]],
    groups: Sequence[str] | NDArray[Any],
    *,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> dict[str, Figure]:
    """Every figure with its 95 % interval (Efron and Tibshirani 1993, percentile method, groups as units).

    Args:
        figures: functions of row numbers (with repeats) to a number; all see the same resamples.
        groups: the group of each row.
    """
    rows_of = [np.flatnonzero(np.asarray(groups) == group) for group in dict.fromkeys(groups)]
    everything = np.arange(len(groups))
    rng = np.random.default_rng(seed)
    draws = [
        np.concatenate([rows_of[place] for place in rng.integers(len(rows_of), size=len(rows_of))])
        for _ in range(resamples if len(rows_of) > 1 else 0)
    ]
    result = {}
    for name, figure in figures.items():
        value = figure(everything)
        spread = np.array([figure(rows) for rows in draws] or [value])
        low, high = np.nanpercentile(spread, [_LOW, _HIGH]) if np.isfinite(spread).any() else (value, value)
        result[name] = Figure(value, float(low), float(high), len(everything))
    return result


def binomial_interval(hits: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of Clopper and Pearson (1934) for a share; 0 to 1 of none.

    Raises:
        MissingExtraError: if scipy is not installed.
    """
    if n == 0:
        return 0.0, 1.0
    try:
        from scipy.stats import binomtest
    except ImportError as error:
        raise MissingExtraError("The evaluation report", "evaluate") from error
    low, high = binomtest(hits, n).proportion_ci(confidence, method="exact")
    return float(low), float(high)
