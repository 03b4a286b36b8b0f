"""What a tool does to one coat, looked up in the harm table."""

from __future__ import annotations

from functools import lru_cache

from coatclass.toolkit._data import harm_table
from coatclass.toolkit._model import HarmCell, PossibleCoat


@lru_cache(maxsize=32768)
def harm_of(tool: str, coat: PossibleCoat) -> HarmCell:
    """The harm of a tool on one coat.

    The most special row holds: a row for this dog (hand-stripped, thin hair, ...) before a row for the texture, before
    the row of the category; among rows alike the worst. Rows that raise are added to whatever holds.
    """
    found: dict[str, list[HarmCell]] = {"base": [], "texture": [], "dog": [], "raises": []}
    table = harm_table()
    for texture in ("any", coat.texture):
        for condition in ("", *_conditions(coat)):
            row = table.get((tool, coat.category, texture, condition))
            if row is not None:
                effect, cells = row
                level = ("dog" if condition else "texture") if effect == "replaces" else effect
                found[level].append(cells[coat.band])
    decisive = found["dog"] or found["texture"] or found["base"]
    return max(decisive + found["raises"], key=lambda cell: cell.harm.severity)


def _conditions(coat: PossibleCoat) -> tuple[str, ...]:
    holds = {
        "hand_stripped": coat.hand_stripped == "yes",
        "natural": coat.clipped == "no",
        "clipped": coat.clipped == "yes",
        "sparse": coat.sparse == "yes",
        "sensitive_skin": coat.sensitive_skin == "yes",
    }
    return tuple(condition for condition, true in holds.items() if true)
