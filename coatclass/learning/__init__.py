"""Learning from a groomer's findings: they correct the stated answer tables and the temperatures."""

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
