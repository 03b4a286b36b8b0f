"""Which tools fit which coat: catalogue, rules, harm table, and the recommender."""

from coatclass.toolkit._data import catalogue, rules_version
from coatclass.toolkit._harm import harm_of
from coatclass.toolkit._kit import recommend
from coatclass.toolkit._model import Harm, PossibleCoat, RuleRecord, Tool

__all__ = [
    "Harm",
    "PossibleCoat",
    "RuleRecord",
    "Tool",
    "catalogue",
    "harm_of",
    "recommend",
    "rules_version",
]
