"""Which warnings and stop rules apply to this dog and this kit. Rules: ``data/cautions.toml``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from coatclass.care._coat import categories, data, longest_mm, may_have_undercoat, zones_matted
from coatclass.care._strokes import family
from coatclass.contract import Caution, CoatSituation, KitItem, Role
from coatclass.taxonomy import BodyZone, MatState
from coatclass.words import Catalogue, catalogue

__all__ = ["cautions", "facts"]


def cautions(situation: CoatSituation, kit: Sequence[KitItem], language: str = "en") -> tuple[Caution, ...]:
    """The warnings that apply, stop rules first, in the order of the data file.

    More trouble, worse mats or more coats still possible never take a warning away.
    """
    texts = catalogue(language, "care")
    found = [
        _caution(rule, situation, texts)
        for rule in data("cautions")["caution"]
        if all(_holds(name, wanted, situation, kit) for name, wanted in rule["when"].items())
    ]
    return tuple(sorted(found, key=lambda caution: ("stop", "care", "note").index(caution.level)))


def facts(texts: Catalogue) -> dict[str, str]:
    """The published numbers that texts quote, by placeholder."""
    rows = data("facts")["fact"]
    return {f"fact_{name}": "–".join(texts.number(value) for value in row["numbers"]) for name, row in rows.items()}


def _caution(rule: dict[str, Any], situation: CoatSituation, texts: Catalogue) -> Caution:
    zones = {BodyZone(zone) for zone in rule.get("zones", ())}
    if rule.get("zones_from") == "mats":
        zones |= zones_matted(situation, MatState(rule["when"]["mats_at_least"]))
    return Caution(
        code=rule["code"],
        level=rule["level"],
        text=texts.say(f"caution.{rule['code']}", **facts(texts)),
        zones=tuple(zone for zone in BodyZone if zone in zones),
        source=rule["source"],
        place=rule["place"],
    )


def _holds(name: str, wanted: Any, situation: CoatSituation, kit: Sequence[KitItem]) -> bool:
    return _CONDITIONS[name](wanted, situation, kit)


def _mats_at_least(wanted: str, situation: CoatSituation, kit: Sequence[KitItem]) -> bool:
    worst = situation.worst_mats
    return worst is not None and worst.severity >= MatState(wanted).severity


def _families(wanted: list[str], situation: CoatSituation, kit: Sequence[KitItem]) -> bool:
    in_use = (item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL))
    return any(family(item.tool) in wanted for item in in_use)


def _loads(wanted: list[str], situation: CoatSituation, kit: Sequence[KitItem]) -> bool:
    present = {
        "swims": situation.swims,
        "harness": situation.wears_harness,
        "clothing": situation.wears_clothing,
        "collar": situation.collar_on_full_neck,
    }
    return any(present[name] for name in wanted)


_Condition = Callable[[Any, CoatSituation, Sequence[KitItem]], bool]

# The vocabulary of `when`; each word is explained at the head of the data file.
_CONDITIONS: dict[str, _Condition] = {
    "always": lambda wanted, situation, kit: bool(wanted),
    "skin_trouble": lambda wanted, situation, kit: bool(situation.skin_trouble & set(wanted)),
    "mats_at_least": _mats_at_least,
    "categories": lambda wanted, situation, kit: any(category in wanted for category in categories(situation)),
    "textures": lambda wanted, situation, kit: any(texture in wanted for texture in situation.textures),
    "undercoat": lambda wanted, situation, kit: may_have_undercoat(situation) is wanted,
    "families": _families,
    "patience": lambda wanted, situation, kit: situation.patience is not None and situation.patience in wanted,
    "longest_mm": lambda wanted, situation, kit: longest_mm(situation) >= wanted,
    "under_months": lambda wanted, situation, kit: situation.age_months is not None and situation.age_months < wanted,
    "sensitive_skin": lambda wanted, situation, kit: bool(situation.sensitive_skin),
    "sparse": lambda wanted, situation, kit: bool(situation.sparse),
    "load": _loads,
}
