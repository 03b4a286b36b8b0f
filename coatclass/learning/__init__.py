"""Learning from a groomer's hands: findings correct what the questionnaire's tables state, and the temperatures."""

from coatclass.learning._shelf import Shelf, shelf_of
from coatclass.learning.fitting import RELEASED, Case, LearnedModel, LearningReport, Scores, cases, learn, pack_photos

__all__ = [
    "RELEASED",
    "Case",
    "LearnedModel",
    "LearningReport",
    "Scores",
    "Shelf",
    "cases",
    "learn",
    "pack_photos",
    "shelf_of",
]
