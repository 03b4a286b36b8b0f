"""What a tool does to one coat, looked up in the harm table."""

from __future__ import annotations

from functools import cache

from coatclass.toolkit._data import harm_table
from coatclass.toolkit._model import HarmCell, PossibleCoat


@cache
def harm_of(tool: str, coat: PossibleCoat) -> HarmCell:
    """The harm of a tool on one coat.

    The row of the category holds, unless rows for the texture or for how the coat is kept replace it (the worst of
    these then counts). Rows for thin hair or sensitive skin only ever raise the harm.
    """
    found: dict[str, list[HarmCell]] = {"base": [], "replaces": [], "raises": []}
    table = harm_table()
    for texture in ("any", coat.texture):
        for condition in ("", *_conditions(coat)):
            row = table.get((tool, coat.category, texture, condition))
            if row is not None:
                effect, cells = row
                found[effect].append(cells[coat.band])
    decisive = found["replaces"] or found["base"]
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
