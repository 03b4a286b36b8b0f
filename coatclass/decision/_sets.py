"""Prediction sets from calibrated probabilities.

Hair and drop are one soft coat that keeps growing; where it lies over about 75 mm it is called drop. So they are first
taken as one family, and length tells them apart.
"""

from __future__ import annotations

from collections.abc import Sequence

from coatclass.decision._thresholds import RegimeThresholds
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

__all__ = ["LENGTH_FAMILY", "band_set", "category_set", "families", "share_of_rarer"]

LENGTH_FAMILY = frozenset({CoatCategory.HAIR, CoatCategory.DROP})
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_HAIR, _DROP = CATEGORIES.index(CoatCategory.HAIR), CATEGORIES.index(CoatCategory.DROP)


def families(probabilities: Sequence[float]) -> list[float]:
    """P of each category (7,) with *hair* and *drop* as one, at the place of *hair*; that of *drop* is 0."""
    joined = list(probabilities)
    joined[_HAIR], joined[_DROP] = probabilities[_HAIR] + probabilities[_DROP], 0.0
    return joined


def share_of_rarer(probabilities: Sequence[float]) -> float:
    """Of *hair* and *drop* together, the share of the less probable one, [0, 0.5]."""
    both = probabilities[_HAIR] + probabilities[_DROP]
    return min(probabilities[_HAIR], probabilities[_DROP]) / both if both > 0 else 0.0


def category_set(
    probabilities: Sequence[float], at: RegimeThresholds, bands: Sequence[LengthBand] = ()
) -> tuple[CoatCategory, ...]:
    """Categories that can't be ruled out, most probable first; never empty.

    The conformal set (least ambiguous classifier; Sadinle, Lei and Wasserman 2019) over families, with the most
    probable one always in it, and *mixed* from a lower probability on. Where the best alone is not sure enough to be
    called settled, the runner-up joins it; *mixed* joins by its own limit, and beside hair that is not sure: by look a
    soft cross is one or the other. Of hair and drop both stay, unless one
    is sure enough by itself and neither the other's share nor ``bands``, lengths that can't be ruled out, speak for it.
    """
    joined = families(probabilities)
    order = sorted(range(len(CATEGORIES)), key=lambda i: -joined[i])
    chosen = [i for i in order if joined[i] >= at.category_at and joined[i] > 0] or order[:1]
    if len(chosen) == 1 and joined[chosen[0]] < at.settle_at:
        chosen.append(next(i for i in order if i not in (chosen[0], _MIXED)))
    looks_mixed = chosen[0] == _HAIR and len(chosen) > 1 and probabilities[_HAIR] >= probabilities[_DROP]
    if _MIXED not in chosen and (probabilities[_MIXED] >= at.mixed_at or looks_mixed):
        chosen.append(_MIXED)
    if _HAIR in chosen:
        chosen = [i for i in chosen if i != _HAIR] + _by_length(probabilities, at, bands)
    best = max(range(len(CATEGORIES)), key=probabilities.__getitem__)
    if best not in chosen:  # more probable than hair and than drop, yet less than both together
        chosen.append(best)
    return tuple(CATEGORIES[i] for i in sorted(chosen, key=lambda i: (-probabilities[i], i)))


def _by_length(probabilities: Sequence[float], at: RegimeThresholds, bands: Sequence[LengthBand]) -> list[int]:
    """Hair, drop or both."""
    best, other = (_HAIR, _DROP) if probabilities[_HAIR] >= probabilities[_DROP] else (_DROP, _HAIR)
    long, shorter = LengthBand.OVER_75MM in bands, any(band is not LengthBand.OVER_75MM for band in bands)
    astride = long if best == _HAIR else shorter
    unsure = probabilities[best] < at.settle_at or share_of_rarer(probabilities) >= at.length_at
    return [best, other] if astride or unsure else [best]


def band_set(probabilities: Sequence[float], at: RegimeThresholds) -> tuple[LengthBand, ...]:
    """Length bands that can't be ruled out, most probable first, without gaps; never empty."""
    order = sorted(range(len(BANDS)), key=lambda i: -probabilities[i])
    chosen = [i for i in order if probabilities[i] >= at.band_at] or order[:1]
    span = range(min(chosen), max(chosen) + 1)
    return tuple(BANDS[i] for i in order if i in span)
