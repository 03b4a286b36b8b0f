"""Learning from a groomer's hands: findings correct what the questionnaire's tables state, and the temperatures."""

from coatclass.learning._shelf import Shelf, shelf_of
from coatclass.learning.fitting import (
    RELEASED,
    Example,
    LearnedModel,
    LearningReport,
    Scores,
    examples,
    learn,
    pack_photos,
)

__all__ = [
    "RELEASED",
    "Example",
    "LearnedModel",
    "LearningReport",
    "Scores",
    "Shelf",
    "examples",
    "learn",
    "pack_photos",
    "shelf_of",
]
