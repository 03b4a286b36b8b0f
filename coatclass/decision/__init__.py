"""Prediction sets, verdict and reasons: what the program dares to say, and what it would ask next."""

from coatclass.decision._decide import decide
from coatclass.decision._question import Askable, next_question
from coatclass.decision._sets import LENGTH_FAMILY, band_set, category_set, families, share_of_rarer
from coatclass.decision._thresholds import RegimeThresholds, Thresholds, limits, load, promise

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
    "share_of_rarer",
]
