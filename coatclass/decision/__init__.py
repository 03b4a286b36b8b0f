"""Prediction sets, verdict and reasons: what the program dares to say, and what it would ask next."""

from coatclass.decision._decide import (
    LENGTH_FAMILY,
    RegimeThresholds,
    Thresholds,
    band_set,
    category_set,
    decide,
    families,
    limits,
    load,
    promise,
    shares_that_hold,
)
from coatclass.decision._next_question import Askable, next_question

__all__ = [
    "LENGTH_FAMILY",
    "Askable",
    "RegimeThresholds",
    "Thresholds",
    "band_set",
    "category_set",
    "decide",
    "families",
    "limits",
    "load",
    "next_question",
    "promise",
    "shares_that_hold",
]
