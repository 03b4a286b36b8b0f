"""Prediction sets from calibrated probabilities, and how far two sources agree."""

from __future__ import annotations

from collections.abc import Sequence

from coatclass.decision._thresholds import RegimeThresholds
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

__all__ = ["agreement", "band_set", "category_set"]

_MIXED = CATEGORIES.index(CoatCategory.MIXED)


def category_set(probabilities: Sequence[float], at: RegimeThresholds) -> tuple[CoatCategory, ...]:
    """Categories that can't be ruled out, most probable first; never empty.

    The conformal set (least ambiguous classifier; Sadinle, Lei and Wasserman 2019) with the most probable category
    always in it, and *mixed* from a lower probability on. Where the best alone is not sure enough to be called
    settled, the runner-up joins it; *mixed* joins by its own limit alone.
    """
    order = sorted(range(len(CATEGORIES)), key=lambda i: -probabilities[i])
    chosen = [i for i in order if probabilities[i] >= at.category_at] or order[:1]
    if len(chosen) == 1 and probabilities[chosen[0]] < at.settle_at:
        chosen.append(next(i for i in order if i not in (chosen[0], _MIXED)))
    if _MIXED not in chosen and probabilities[_MIXED] >= at.mixed_at:
        chosen.append(_MIXED)
    return tuple(CATEGORIES[i] for i in chosen)


def band_set(probabilities: Sequence[float], at: RegimeThresholds) -> tuple[LengthBand, ...]:
    """Length bands that can't be ruled out, most probable first, without gaps; never empty."""
    order = sorted(range(len(BANDS)), key=lambda i: -probabilities[i])
    chosen = [i for i in order if probabilities[i] >= at.band_at] or order[:1]
    span = range(min(chosen), max(chosen) + 1)
    return tuple(BANDS[i] for i in order if i in span)


def agreement(first: Sequence[float], second: Sequence[float]) -> float:
    """How far two distributions over the same coats overlap: sum of minima, 0 (contradiction) to 1 (the same)."""
    return sum(min(p, q) for p, q in zip(first, second, strict=True))
