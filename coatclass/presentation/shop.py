"""The shop card: three tools in true size with what to see, what to take instead, and what to leave."""

from __future__ import annotations

from collections.abc import Sequence

from coatclass import toolkit
from coatclass.contract import KitItem, Role
from coatclass.planning import Phase, Plan
from coatclass.presentation.blocks import Gauge, NotThis, ShopCard, ShopRow
from coatclass.presentation.drawing import Drawing, Line, Point, hatch
from coatclass.presentation.wording import tool_name, usable
from coatclass.words import Catalogue

__all__ = ["shop_card"]

_MOST = 3

Range = tuple[float, float]


def shop_card(plan: Plan, dog: str, owned: Sequence[toolkit.OwnedToolLike], words: Catalogue) -> ShopCard:
    """What to look for in a shop: the three tools that are needed most and not at home.

    Args:
        plan: of the dog.
        dog: how it is called.
        owned: tools at home.
        words: the language.
    """
    buy = _to_buy(plan.now, owned) if plan.now.triage.shopping.open else []
    more = [tool_name(item, words) for item in buy[_MOST:] if item.role is Role.ESSENTIAL]
    return ShopCard(
        title=words.say("plan.shop.title", dog=dog),
        lead=words.say("plan.shop.lead" if buy else "plan.shop.nothing"),
        fits=words.say("plan.shop.fits"),
        scale=words.say("plan.shop.scale"),
        rows=tuple(_row(item, plan.now, words) for item in buy[:_MOST]),
        rest=words.say("plan.shop.more", tools=words.joined(more)) if more else "",
        not_word=words.say("plan.shop.not_this"),
        nots=_nots([item.tool for item in buy[:_MOST]], plan.now, words),
    )


def _to_buy(phase: Phase, owned: Sequence[toolkit.OwnedToolLike]) -> list[KitItem]:
    """Needed tools before helpful ones, each in the order of work; what is surely at home is left out."""
    wanted = [one.tool for one in toolkit.shopping_list(phase.kit, owned)]
    items = {item.tool: item for item in usable(phase) if item.tool in toolkit.catalogue()}
    return [items[tool] for tool in wanted if tool in items]


def _row(item: KitItem, phase: Phase, words: Catalogue) -> ShopRow:
    language, kind = words.language, toolkit.catalogue()[item.tool]
    spec = kind.specification
    sees = [words.say(f"toolkit.see.{one}") for one in (_feel(kind), spec.tip) if one]
    if kind.two_spacings:
        sees.append(words.say("toolkit.see.two_spacings"))
    if kind.blade:
        sees.append(words.say("toolkit.see.blade"))
    return ShopRow(
        tool=item.tool,
        name=item.name,
        role_word=words.word("role", item.role),
        features=", ".join(toolkit.specification_words(item.specification, tool=item.tool, language=language)),
        sees=tuple(sees),
        gauges=_gauges(kind, words),
        instead=_instead(item, phase, words),
        drawing=toolkit.drawing(item.tool, language=language, described=False),
        alt=toolkit.describe(item.tool, language=language),
    )


def _feel(kind: toolkit.Tool) -> str:
    if kind.family == "bristle_brush":
        return "bristles"
    return kind.specification.stiffness or ""


def _instead(item: KitItem, phase: Phase, words: Catalogue) -> str:
    found = toolkit.instead(item, phase.situation, phase.triage, phase.kit)
    if found is None:
        return words.say("plan.shop.instead_none")
    loses = words.say(f"toolkit.loses.{found.loses}")
    return words.say("plan.shop.instead", tool=words.tool(found.tool, inside=True), loses=loses)


def _nots(tools: Sequence[str], phase: Phase, words: Catalogue) -> tuple[NotThis, ...]:
    language = words.language
    return tuple(
        NotThis(
            name=words.tool(tool),
            why=toolkit.why_not(tool, phase.situation, phase.triage, language=language),
            drawing=toolkit.drawing(tool, language=language, described=False),
            alt=toolkit.describe(tool, language=language),
        )
        for tool in toolkit.not_these(tools, phase.situation, phase.triage, phase.kit)
    )


# --- gauges, in units of 1 mm -----------------------------------------------------------------------------------------


def _gauges(kind: toolkit.Tool, words: Catalogue) -> tuple[Gauge, ...]:
    spec, gauges = kind.specification, []
    for limits, word in ((spec.pin_length_mm, "pins"), (spec.tooth_length_mm, "teeth")):
        if limits is not None:
            gauges.append(_length_gauge(limits, words.say(f"plan.shop.{word}")))
    gap = spec.tooth_gap_mm or kind.pin_gap_mm
    if gap is not None:
        gauges.append(_gap_gauge(gap, words.say("plan.shop.gap")))
    return tuple(gauges)


def _box(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def _length_gauge(limits: Range, says: str) -> Gauge:
    """A strip from the pad on: empty up to the shortest length, hatched up to the longest."""
    low, high = limits
    allowed = _box(1 + low, 1, high - low, 5)
    shapes = (
        Line(_box(1, 1, low, 5), 0.25, closed=True, fill=1.0),
        Line(allowed, 0.25, closed=True, fill=1.0),
        *hatch(allowed, 1.6, rising=True, width=0.25),
        Line(((1, 0), (1, 7)), 0.9),
    )
    return Gauge(Drawing((0.0, 0.0, high + 2, 7.0), shapes, says, says), says)


def _gap_gauge(limits: Range, says: str) -> Gauge:
    """Two blocks, as wide as the narrowest and as the widest gap."""
    low, high = limits
    shapes = (
        Line(_box(1, 1, low, 5), 0.0, closed=True, fill=0.0, grey=0.0),
        Line(_box(1 + low + 5, 1, high, 5), 0.0, closed=True, fill=0.0, grey=0.0),
    )
    return Gauge(Drawing((0.0, 0.0, low + high + 7, 7.0), shapes, says, says), says)
