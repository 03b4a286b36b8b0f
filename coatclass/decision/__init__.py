"""Prediction sets, verdict and reasons: what the program dares to say, and what it would ask next."""

from coatclass.decision._decide import decide
from coatclass.decision._question import Askable, measuring_question, next_question
from coatclass.decision._sets import agreement, band_set, category_set
from coatclass.decision._thresholds import RegimeThresholds, Thresholds, load, promise

__all__ = [
    "Askable",
    "RegimeThresholds",
    "Thresholds",
    "agreement",
    "band_set",
    "category_set",
    "decide",
    "load",
    "measuring_question",
    "next_question",
    "promise",
]
