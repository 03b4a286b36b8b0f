"""Percentile intervals by resampling groups: photos of one dog stand or fall together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import lgamma, log, log1p
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Figure", "binomial_interval", "bootstrap"]

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
    """The exact interval of Clopper and Pearson (1934) for a share, by bisection on the binomial tail."""
    # In logarithms: from n = 1030 on, binomial coefficients are too large for a float.
    ways = np.array([lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) for k in range(n + 1)])
    tail = (1 - confidence) / 2

    def at_least(k: int, p: float) -> float:
        counts = np.arange(k, n + 1)
        return float(np.exp(ways[k:] + counts * log(p) + (n - counts) * log1p(-p)).sum())

    def solve(k: int, target: float) -> float:
        low, high = 0.0, 1.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if at_least(k, middle) < target else (low, middle)
        return (low + high) / 2

    return (solve(hits, tail) if hits else 0.0), (solve(hits + 1, 1 - tail) if hits < n else 1.0)
