"""Which tools fit which coat: catalogue, rules, harm table, the recommender, drawings of the tools."""

from coatclass.toolkit.coats import harm_of
from coatclass.toolkit.drawings import drawing
from coatclass.toolkit.kit import recommend, roles, why_not
from coatclass.toolkit.owned import (
    Instead,
    OwnedJudgement,
    ShoppingItem,
    identify,
    instead,
    judge_owned,
    not_these,
    places_in_words,
    shopping_list,
)
from coatclass.toolkit.sentences import describe, harm_records, rules, specification_words, tool_name
from coatclass.toolkit.tables import (
    Harm,
    HarmCell,
    OwnedToolLike,
    PossibleCoat,
    RuleRecord,
    Tool,
    catalogue,
    rules_version,
)

__all__ = [
    "Harm",
    "HarmCell",
    "Instead",
    "OwnedJudgement",
    "OwnedToolLike",
    "PossibleCoat",
    "RuleRecord",
    "ShoppingItem",
    "Tool",
    "catalogue",
    "describe",
    "drawing",
    "harm_of",
    "harm_records",
    "identify",
    "instead",
    "judge_owned",
    "not_these",
    "places_in_words",
    "recommend",
    "roles",
    "rules",
    "rules_version",
    "shopping_list",
    "specification_words",
    "tool_name",
    "why_not",
]
