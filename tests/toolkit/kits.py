"""Small words for the tests of this room: a dog, its kit, and what the kit says of a tool."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from coatclass.contract import CoatSituation, KitItem, Role
from coatclass.taxonomy import BANDS, BodyZone, CoatCategory, LengthBand, MatState, Texture, Undercoat, band_of_mm
from coatclass.toolkit import judge_owned, recommend, why_not
from coatclass.toolkit.coats import views
from coatclass.toolkit.owned import OwnedJudgement
from coatclass.toolkit.tables import OwnedToolLike
from coatclass.triage import triage


def dog(
    categories: str | Iterable[str],
    mm: float | None = None,
    *,
    bands: Iterable[str] = (),
    feel: str | Iterable[str] = (),
    undercoat: str | Iterable[str] = (),
    mats: dict[str, str] | None = None,
    **known: Any,
) -> CoatSituation:
    """A situation in short words; ``mm`` is a measured length."""
    return CoatSituation(
        categories=frozenset(CoatCategory(word) for word in _words(categories)),
        bands=frozenset(LengthBand(word) for word in bands) or frozenset({band_of_mm(mm)} if mm is not None else BANDS),
        measured_mm=mm,
        textures=frozenset(Texture(word) for word in _words(feel)),
        undercoats=frozenset(Undercoat(word) for word in _words(undercoat)),
        mats={BodyZone(zone): MatState(state) for zone, state in (mats or {}).items()},
        **known,
    )


def _words(words: str | Iterable[str]) -> list[str]:
    return words.split() if isinstance(words, str) else list(words)


def kit_of(situation: CoatSituation, language: str = "en") -> tuple[KitItem, ...]:
    """The kit of a dog after its triage."""
    return recommend(situation, triage(situation), language=language)


def reason(tool: str, situation: CoatSituation, language: str = "en") -> str:
    """Why a tool is or is not in the kit of a dog after its triage."""
    return why_not(tool, situation, triage(situation), language=language)


def judged(owned: OwnedToolLike, situation: CoatSituation) -> OwnedJudgement:
    """What becomes of a tool at home after the dog's triage."""
    return judge_owned(owned, situation, triage(situation))


class Kit:
    """A kit that can be asked about."""

    def __init__(self, situation: CoatSituation) -> None:
        self.items: dict[str, KitItem] = {item.tool: item for item in kit_of(situation)}
        self.seen = views(situation, triage(situation))

    def role(self, tool: str) -> Role | None:
        """The role of a tool, None if the kit doesn't name it."""
        return self.items[tool].role if tool in self.items else None

    def uses(self, *tools: str) -> bool:
        """Whether the owner is to use every one of these tools."""
        return all(self.role(tool) in (Role.ESSENTIAL, Role.HELPFUL) for tool in tools)

    def fits(self, *tools: str) -> bool:
        """Whether every one of these tools is right for the coat, in this order, be the kit full without it or not."""
        orders = [self.seen[tool].order for tool in tools if self.seen[tool].wanted]
        harmless = all(not self.seen[tool].harm.harm.forbids for tool in tools)
        return harmless and len(orders) == len(tools) and orders == sorted(orders)

    def needs(self, *tools: str) -> bool:
        """Whether every one of these tools is essential."""
        return all(self.role(tool) is Role.ESSENTIAL for tool in tools)

    def leaves(self, *tools: str) -> bool:
        """Whether the owner is to use none of these tools."""
        return not any(self.uses(tool) for tool in tools)

    def in_order(self, *tools: str) -> bool:
        """Whether these tools are used one after the other."""
        orders = [self.items[tool].order for tool in tools]
        return None not in orders and orders == sorted(order for order in orders if order is not None)

    def zones(self, tool: str) -> set[str]:
        """Where a tool is used."""
        return {zone.value for zone in self.items[tool].zones}

    def why(self, tool: str) -> str:
        """Why a tool has its role."""
        return self.items[tool].why


def kit(categories: str | Iterable[str], mm: float | None = None, **known: Any) -> Kit:
    """The kit of a dog in short words."""
    return Kit(dog(categories, mm, **known))
