"""In the shop: what to take where the right tool isn't there, and which look-alike to leave. Pure functions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from coatclass.contract import CoatSituation, KitItem, Triage
from coatclass.resources import read_toml
from coatclass.toolkit.coats import views
from coatclass.toolkit.kit import USABLE, closing
from coatclass.toolkit.model import Harm
from coatclass.toolkit.tables import FOLDER, catalogue, damaged

__all__ = ["Instead", "instead", "not_these"]


@dataclass(frozen=True)
class Instead:
    """A tool that stands in for another; ``loses`` is the key of the sentence that says what is lost."""

    tool: str
    loses: str


@cache
def shop_file() -> Mapping[str, Any]:
    """The data of this module.

    Raises:
        ModelFilesError: for a tool that the catalogue lacks, or a row without source.
    """
    data = read_toml(FOLDER / "shop.toml")
    for row in (*data["instead"], *data["mistaken"]):
        named = {row.get("tool"), *(tool for tool, _ in row.get("take", ()))} - {None} | {
            *row.get("tools", ()),
            *row.get("for", ()),
        }
        if not row.get("source") or not named <= set(catalogue()):
            raise damaged("shop.toml", f"a row of {sorted(named)} names an unknown tool, or no source.")
    return data


def instead(item: KitItem, situation: CoatSituation, cleared: Triage, kit: Sequence[KitItem] = ()) -> Instead | None:
    """What to take where a tool isn't to be had; None where nothing harmless does its work.

    It harms no coat that is still possible, no rule advises against it, it may go where the tool was to go, pulls no
    harder than the triage allows, and is not in the kit already.

    Args:
        item: the tool that is missing.
        situation: what is still possible and what is known.
        cleared: the triage of this situation.
        kit: the whole kit.
    """
    rows = [row["take"] for row in shop_file()["instead"] if row["tool"] == item.tool]
    in_kit = {one.tool for one in kit if one.role in USABLE} | {item.tool}
    for tool, loses in (pair for row in rows for pair in row):
        if tool not in in_kit and _serves(tool, item, situation, cleared):
            return Instead(tool, loses)
    return None


def _serves(tool: str, item: KitItem, situation: CoatSituation, cleared: Triage) -> bool:
    view, kind = views(situation, cleared)[tool], catalogue()[tool]
    where = cleared.cleared(kind.drag, comb=kind.combs)
    harmless = view.harm.harm is Harm.NONE and not view.unwanted and not kind.blade
    return harmless and not closing(tool, cleared) and bool(where.intersection(item.zones))


def not_these(
    tools: Collection[str], situation: CoatSituation, cleared: Triage, kit: Sequence[KitItem] = (), *, most: int = 2
) -> tuple[str, ...]:
    """Tools that are mistaken for these and harm a coat still possible, one a kind, the most harmful first."""
    seen = views(situation, cleared)
    in_kit = {one.tool for one in kit if one.role in USABLE}
    found: list[str] = []
    for row in shop_file()["mistaken"]:
        if set(row["tools"]) & set(tools):
            harmful = (tool for tool in row["for"] if seen[tool].harm.harm.forbids and tool not in in_kit)
            found += [tool for tool in list(harmful)[:1] if tool not in found]
    return tuple(found[:most])
