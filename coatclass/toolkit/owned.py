"""Tools that the owner already has, what is left to buy, and what to take or to leave in a shop."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from coatclass.contract import CoatSituation, KitItem, Role, Specification, Triage
from coatclass.resources import read_toml
from coatclass.taxonomy import ZONES, BodyZone
from coatclass.toolkit.coats import views
from coatclass.toolkit.kit import USABLE, closing, recommend, why_not
from coatclass.toolkit.sentences import tool_name, triage_sentence
from coatclass.toolkit.tables import FOLDER, Harm, OwnedToolLike, Tool, catalogue, damaged, message, rule_file, texts
from coatclass.triage import bare, toolless
from coatclass.words import LANGUAGES

__all__ = ["Instead", "instead", "not_these"]

OwnedVerdict = Literal["keep", "keep_for_zones", "not_now", "not_for_this_coat", "unclear"]


@dataclass(frozen=True)
class OwnedJudgement:
    """Whether a tool at home may stay. ``tools``: what it may be, by its description."""

    verdict: OwnedVerdict
    tools: tuple[str, ...]
    zones: tuple[BodyZone, ...]
    why: str


@dataclass(frozen=True)
class ShoppingItem:
    """A tool still to buy: ``order`` 1 is what to buy if only one thing can be bought."""

    order: int
    tool: str
    name: str
    role: Role
    specification: Specification
    why: str


def identify(owned: OwnedToolLike) -> tuple[str, ...]:
    """The tools of the catalogue that a description fits best; several if it leaves them open, none if it fits none.

    The tip and a blade tell more than stiffness, and stiffness more than millimetres, which people measure badly.
    """
    spoken = owned.kind.strip().lower().replace("-", " ").replace("_", " ")
    for tool in catalogue().values():
        if spoken in (tool.id.replace("_", " "), *_names(tool.id)):
            return (tool.id,)
    families = _families(spoken)
    candidates = [tool for tool in catalogue().values() if tool.family in families]
    if not candidates:
        return ()
    distances = {tool.id: _distance(owned, tool) for tool in candidates}
    nearest = min(distances.values())
    return tuple(tool_id for tool_id, distance in distances.items() if distance == nearest)


def _names(tool: str) -> tuple[str, ...]:
    return tuple(tool_name(tool, language=language).lower().replace("-", " ") for language in LANGUAGES)


def _families(spoken: str) -> tuple[str, ...]:
    """The families of the first listed word found in the text; longer, more specific words come first."""
    for row in rule_file()["kind"]:
        alone = any(re.search(rf"\b{word}s?\b", spoken) for word in row["words"])
        if alone or any(part in spoken for part in row.get("parts", ())):
            return tuple(row["families"])
    return ()


def _distance(owned: OwnedToolLike, tool: Tool) -> tuple[int, float]:
    wanted = tool.specification
    tip = {"plastic": "ball"}.get(owned.pin_tip or "", owned.pin_tip)
    tips = (wanted.tip, "coated") if tool.family == "pin_brush" and wanted.tip == "ball" else (wanted.tip,)
    if tool.family == "slicker" and wanted.tip == "coated":
        tips = ("coated", "ball")
    # Nobody who sees drops on the wires of a slicker calls it just a slicker.
    wrong = int(tip is None and tool.family == "slicker" and wanted.tip == "coated")
    if tip is not None and wanted.tip is not None and tip not in tips:
        wrong += 4
    if owned.blade is not None and owned.blade != tool.blade:
        wrong += 4
    # A coated or ball tip settles what the tool is, however stiff its pins are.
    if owned.stiffness is not None and wanted.stiffness is not None and wanted.tip in (None, "plain"):
        wrong += 2 * (owned.stiffness != wanted.stiffness)
    off = _outside(owned.pin_length_mm, wanted.pin_length_mm or wanted.tooth_length_mm) + _outside(
        owned.tooth_gap_mm, wanted.tooth_gap_mm or tool.pin_gap_mm
    )
    return wrong, off


def _outside(value: float | None, limits: tuple[float, float] | None) -> float:
    """How far a measure lies outside a range, mm; 0 where nothing can be said."""
    if value is None or limits is None:
        return 0.0
    return max(limits[0] - value, value - limits[1], 0.0)


def judge_owned(
    owned: OwnedToolLike, situation: CoatSituation, cleared: Triage, *, language: str = "en"
) -> OwnedJudgement:
    """Whether a tool at home may stay: keep it, keep it for some zones, not now, or not for this coat, and why.

    A description that fits several tools which would be judged differently is *unclear*: the reason says what to look
    at. A kind that nobody knows is *unclear* too, and names no tool.
    """
    tools = identify(owned)
    if not tools:
        return OwnedJudgement("unclear", (), (), message(language, "not_recognised"))
    judgements = [_judge(tool, situation, cleared, language) for tool in tools]
    first = judgements[0]
    if len({judgement.verdict for judgement in judgements}) > 1:
        return _unclear(judgements, language)
    if len(tools) == 1 or not first.zones:
        return OwnedJudgement(first.verdict, tools, first.zones, first.why)
    shared = frozenset.intersection(*(frozenset(judgement.zones) for judgement in judgements))
    why = message(language, "unclear_but_fine", fine=_names_of(judgements, language))
    return OwnedJudgement(first.verdict, tools, tuple(zone for zone in ZONES if zone in shared), why)


def places_in_words(found: OwnedJudgement, cleared: Triage, *, language: str = "en") -> str:
    """What a tool that is kept is for on this dog, and where it does not go; empty for one that has no place."""
    if not found.zones:
        return ""
    words = texts(language)
    there, rest = words.zones(found.zones, having=cleared.having), cleared.having - set(found.zones)
    if not rest:
        return message(language, "for_all", zones=there)
    return message(language, "for_some", zones=there, rest=words.zones(rest, having=cleared.having))


def _unclear(judgements: Iterable[OwnedJudgement], language: str) -> OwnedJudgement:
    """What the tool may be, which of these are fine and which are not (now, or for this coat)."""
    judgements = tuple(judgements)
    wrong = [one for one in judgements if one.verdict in ("not_for_this_coat", "not_now")]
    fine = [one for one in judgements if one not in wrong]
    key = "unclear" if fine and wrong else "unclear_wrong" if wrong else "unclear_but_fine"
    why = message(language, key, fine=_names_of(fine, language), wrong=_names_of(wrong, language))
    return OwnedJudgement("unclear", tuple(one.tools[0] for one in judgements), (), why)


def _names_of(judgements: Iterable[OwnedJudgement], language: str) -> str:
    return ", ".join(tool_name(one.tools[0], language=language) for one in judgements)


def _judge(tool: str, situation: CoatSituation, cleared: Triage, language: str) -> OwnedJudgement:
    item = next((i for i in recommend(situation, cleared, language=language) if i.tool == tool), None)
    if item is not None and item.role in USABLE:
        verdict: OwnedVerdict = "keep" if BodyZone.TRUNK in item.zones else "keep_for_zones"
        zones = texts(language).zones(item.zones, having=cleared.having)
        return OwnedJudgement(verdict, (tool,), item.zones, message(language, verdict, zones=zones, why=item.why))
    if item is not None and item.role is Role.LATER:
        return OwnedJudgement("not_now", (tool,), (), message(language, "not_now", why=item.why))
    if rule := toolless(cleared):
        return OwnedJudgement("not_for_this_coat", (tool,), (), triage_sentence(rule, language))
    if item is None and not bare(situation) and views(situation, cleared)[tool].harm.harm is Harm.NONE:
        rule = closing(tool, cleared)
        if rule:
            return OwnedJudgement(
                "not_now", (tool,), (), message(language, "not_now", why=triage_sentence(rule, language))
            )
        return OwnedJudgement("keep", (tool,), (), message(language, "keep_spare"))
    why = message(language, "not_for", why=why_not(tool, situation, cleared, language=language))
    return OwnedJudgement("not_for_this_coat", (tool,), (), why)


def shopping_list(
    kit: Iterable[KitItem], owned: Iterable[OwnedToolLike] = (), *, language: str = "en"
) -> tuple[ShoppingItem, ...]:
    """What is left to buy: essential tools before helpful ones, each in the order of work.

    A tool at home counts as there only if its description leaves no doubt.
    """
    at_home = {tools[0] for tool in owned if len(tools := identify(tool)) == 1}
    missing = [item for item in kit if item.role in USABLE and item.tool not in at_home]
    missing.sort(key=lambda item: (item.role is not Role.ESSENTIAL, item.order is None, item.order or 0))
    return tuple(
        ShoppingItem(
            order=order,
            tool=item.tool,
            name=item.name,
            role=item.role,
            specification=item.specification,
            why=f"{message(language, _urgency(order, item))} {item.why}",
        )
        for order, item in enumerate(missing, start=1)
    )


def _urgency(order: int, item: KitItem) -> str:
    if order == 1:
        return "buy_first"
    return "buy_next" if item.role is Role.ESSENTIAL else "buy_helpful"


# --- in the shop ----------------------------------------------------------------------------------------------------


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
