"""Which tools fit which coat: catalogue, rules, harm table, the recommender, drawings of the tools."""

from coatclass.toolkit._data import catalogue, rules_version
from coatclass.toolkit._drawing import drawing
from coatclass.toolkit._explain import TrialStep, harm_records, rules, trial_order, why_not
from coatclass.toolkit._harm import harm_of
from coatclass.toolkit._kit import recommend
from coatclass.toolkit._model import Harm, HarmCell, OwnedToolLike, PossibleCoat, RuleRecord, Tool
from coatclass.toolkit._owned import OwnedJudgement, ShoppingItem, identify, judge_owned, shopping_list
from coatclass.toolkit._words import describe, specification_words, tool_name

__all__ = [
    "Harm",
    "HarmCell",
    "OwnedJudgement",
    "OwnedToolLike",
    "PossibleCoat",
    "RuleRecord",
    "ShoppingItem",
    "Tool",
    "TrialStep",
    "catalogue",
    "describe",
    "drawing",
    "harm_of",
    "harm_records",
    "identify",
    "judge_owned",
    "recommend",
    "rules",
    "rules_version",
    "shopping_list",
    "specification_words",
    "tool_name",
    "trial_order",
    "why_not",
]
