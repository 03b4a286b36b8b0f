"""Tools that the owner already has, and what is left to buy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from coatclass.contract import CoatSituation, KitItem, Role, Specification
from coatclass.taxonomy import BodyZone
from coatclass.toolkit._data import catalogue, message, rule_file, texts
from coatclass.toolkit._explain import why_not
from coatclass.toolkit._kit import recommend
from coatclass.toolkit._model import OwnedToolLike, Tool
from coatclass.toolkit._views import views
from coatclass.toolkit._words import tool_name
from coatclass.words import LANGUAGES

OwnedVerdict = Literal["keep", "keep_for_zones", "not_for_this_coat", "unclear"]


@dataclass(frozen=True)
class OwnedJudgement:
    """What becomes of a tool at home. ``tools``: what it may be, by its description."""

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
    """The families of the first word of the list that is spoken; longer, more telling words stand first."""
    for row in rule_file()["kind"]:
        if any(word in spoken for word in row["words"]):
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
    off = _outside(owned.pin_length_mm, wanted.pin_length_mm) + _outside(owned.tooth_gap_mm, wanted.tooth_gap_mm)
    return wrong, off


def _outside(value: float | None, limits: tuple[float, float] | None) -> float:
    """How far a measure lies outside a range, mm; 0 where nothing can be said."""
    if value is None or limits is None:
        return 0.0
    return max(limits[0] - value, value - limits[1], 0.0)


def judge_owned(owned: OwnedToolLike, situation: CoatSituation, *, language: str = "en") -> OwnedJudgement:
    """Whether a tool at home may stay: keep it, keep it for some zones, or not for this coat, and why.

    A description that fits several tools which would be judged differently is *unclear*: the reason says what to look
    at.
    """
    tools = identify(owned)
    if not tools:
        return OwnedJudgement("unclear", (), (), message(language, "not_recognised"))
    judgements = [_judge(tool, situation, language) for tool in tools]
    if len({judgement.verdict for judgement in judgements}) > 1:
        fine = [tool_name(j.tools[0], language=language) for j in judgements if j.verdict != "not_for_this_coat"]
        wrong = [tool_name(j.tools[0], language=language) for j in judgements if j.verdict == "not_for_this_coat"]
        key = "unclear" if wrong else "unclear_but_fine"
        why = message(language, key, fine=", ".join(fine), wrong=", ".join(wrong))
        return OwnedJudgement("unclear", tools, (), why)
    first = judgements[0]
    if len(tools) == 1 or first.verdict == "not_for_this_coat":
        return OwnedJudgement(first.verdict, tools, first.zones, first.why)
    names = ", ".join(tool_name(tool, language=language) for tool in tools)
    shared = frozenset.intersection(*(frozenset(judgement.zones) for judgement in judgements))
    why = message(language, "unclear_but_fine", fine=names)
    return OwnedJudgement(first.verdict, tools, tuple(zone for zone in BodyZone if zone in shared), why)


def _judge(tool: str, situation: CoatSituation, language: str) -> OwnedJudgement:
    item = next((i for i in recommend(situation, language=language) if i.tool == tool), None)
    if item is not None and item.role in (Role.ESSENTIAL, Role.HELPFUL):
        if BodyZone.TRUNK in item.zones:
            why = message(language, "keep", why=item.why)
            return OwnedJudgement("keep", (tool,), item.zones, why)
        zones = texts(language).zones(item.zones)
        why = message(language, "keep_for_zones", zones=zones, why=item.why)
        return OwnedJudgement("keep_for_zones", (tool,), item.zones, why)
    harmless = views(situation)[tool].harm.harm.severity == 0
    if harmless and (item is None or item.role is not Role.LATER):
        return OwnedJudgement("keep", (tool,), (), message(language, "keep_spare"))
    why = message(language, "not_for", why=why_not(tool, situation, language=language))
    return OwnedJudgement("not_for_this_coat", (tool,), (), why)


def shopping_list(
    kit: Iterable[KitItem], owned: Iterable[OwnedToolLike] = (), *, language: str = "en"
) -> tuple[ShoppingItem, ...]:
    """What is left to buy, what does the most for its price first.

    Essential tools come before helpful ones; then a tool counts by the share of the dog that it serves, divided by its
    relative price (1 to 5, an assumption). A tool at home counts as there only if its description leaves no doubt.
    """
    at_home = {tools[0] for tool in owned if len(tools := identify(tool)) == 1}
    missing = [i for i in kit if i.role in (Role.ESSENTIAL, Role.HELPFUL) and i.tool not in at_home]
    missing.sort(key=lambda item: (item.role is not Role.ESSENTIAL, -_worth(item), item.order))
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


def _worth(item: KitItem) -> float:
    weight: float = rule_file()["worth"][catalogue()[item.tool].job]
    return weight * len(item.zones) / catalogue()[item.tool].price


def _urgency(order: int, item: KitItem) -> str:
    if order == 1:
        return "buy_first"
    return "buy_next" if item.role is Role.ESSENTIAL else "buy_helpful"
