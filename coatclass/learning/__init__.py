"""Learning from a groomer's hands: findings correct what the questionnaire's tables state, and the temperatures."""

from coatclass.learning._cases import Case, cases, pack_photos
from coatclass.learning._model import RELEASED, LearnedModel
from coatclass.learning._shelf import Shelf, shelf_of
from coatclass.learning.fitting import LearningReport, Scores, learn

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
