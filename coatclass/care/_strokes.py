"""From a tool to its family and its stroke. Rules: ``data/techniques.toml``."""

from __future__ import annotations

from coatclass.care._coat import data

__all__ = ["family", "gentleness", "stroke"]


def family(tool: str) -> str:
    """The family of a tool by its id, ``other`` if no rule knows it."""
    words = set(tool.split("_"))
    for rule in data("techniques")["family"]:
        if words.issuperset(rule["all"]):
            return str(rule["id"])
    return "other"


def gentleness(tool: str) -> int:
    """Rank of a tool, gentlest first; an unknown tool ranks last."""
    ranks = {rule["id"]: int(rule["gentle"]) for rule in data("techniques")["family"]}
    return ranks.get(family(tool), max(ranks.values()) + 1)


def stroke(tool: str, lined: bool) -> str:
    """The id of the stroke that a tool is used with; ``lined`` where the coat is brushed line by line."""
    row = data("techniques")["stroke"][family(tool)]
    return str(row.get("lined", row["plain"]) if lined else row["plain"])
