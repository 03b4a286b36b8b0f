"""Which warnings and stop rules apply to a dog and its kit, and every rule of the room for people to read.

Rules: ``data/cautions.toml``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from coatclass.care.coat import categories, data, family, longest_mm, may_have_undercoat, ordered, zones_matted
from coatclass.contract import Caution, CoatSituation, KitItem, Role
from coatclass.taxonomy import BodyZone, MatState
from coatclass.triage import bare, hairless
from coatclass.words import Catalogue, catalogue

__all__ = ["CareRule", "cautions", "rules"]

_FILES = ("coats", "techniques", "mat_risk", "time", "training", "growth", "calendar", "ageing", "facts")


def cautions(
    situation: CoatSituation,
    kit: Sequence[KitItem],
    *,
    having: Collection[BodyZone] = tuple(BodyZone),
    language: str = "en",
) -> tuple[Caution, ...]:
    """The warnings that apply, stop rules first, in the order of the data file.

    More trouble, worse mats or more coats still possible never take a warning away.

    Args:
        situation: the dog.
        kit: every tool that any phase of the plan uses.
        having: zones that the dog has; no caution names another.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    texts = catalogue(language, "care")
    quoted = _facts(texts)
    found = [
        _caution(rule, situation, having, texts, quoted)
        for rule in data("cautions")["caution"]
        if all(_holds(name, wanted, situation, kit) for name, wanted in rule["when"].items())
    ]
    return tuple(sorted(found, key=lambda caution: ("stop", "care", "note").index(caution.level)))


@cache
def _facts(texts: Catalogue) -> dict[str, str]:
    """The published numbers that texts quote, by placeholder."""
    rows = data("facts")["fact"]
    return {f"fact_{name}": "–".join(texts.number(value) for value in row["numbers"]) for name, row in rows.items()}


def _caution(
    rule: dict[str, Any],
    situation: CoatSituation,
    having: Collection[BodyZone],
    texts: Catalogue,
    quoted: Mapping[str, str],
) -> Caution:
    zones = {BodyZone(zone) for zone in rule.get("zones", ())}
    if rule.get("zones_from") == "mats":
        zones |= zones_matted(situation, MatState(rule["when"]["mats_at_least"]))
    if rule.get("zones_from") == "skin":
        zones |= {zone for zone, trouble in situation.skin.items() if trouble in rule["when"]["skin_trouble"]}
    doubtful = "unsure" in rule and any(one not in rule["when"]["categories"] for one in categories(situation))
    key = f"{rule['code']}_{rule['unsure']}" if doubtful else rule["code"]
    return Caution(
        code=rule["code"],
        level=rule["level"],
        text=texts.say(f"caution.{key}", **quoted),
        zones=ordered(zones & set(having)),
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
    "skin_trouble": lambda wanted, situation, kit: bool(
        (situation.skin_trouble | set(situation.skin.values())) & set(wanted)
    ),
    "mats_at_least": _mats_at_least,
    "categories": lambda wanted, situation, kit: any(category in wanted for category in categories(situation)),
    "textures": lambda wanted, situation, kit: any(texture in wanted for texture in situation.textures),
    "undercoat": lambda wanted, situation, kit: may_have_undercoat(situation) is wanted,
    "families": _families,
    "patience": lambda wanted, situation, kit: situation.patience is not None and situation.patience in wanted,
    "longest_mm": lambda wanted, situation, kit: longest_mm(situation) >= wanted,
    "under_months": lambda wanted, situation, kit: situation.age_months is not None and situation.age_months < wanted,
    "from_months": lambda wanted, situation, kit: situation.age_months is not None and situation.age_months >= wanted,
    "sensitive_skin": lambda wanted, situation, kit: bool(situation.sensitive_skin),
    "expecting": lambda wanted, situation, kit: bool(situation.expecting),
    "corded": lambda wanted, situation, kit: situation.corded is wanted,
    "bare": lambda wanted, situation, kit: bare(situation) is wanted,
    "hairless": lambda wanted, situation, kit: hairless(situation) is wanted,
    "sparse": lambda wanted, situation, kit: bool(situation.sparse),
    "load": _loads,
}


# --- every rule, for people to read -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class CareRule:
    """One rule: its id (file and place in it), what it says, and where it comes from."""

    id: str
    says: str
    source: str


def rules(language: str = "en") -> tuple[CareRule, ...]:
    """The cautions in words, then every sourced row of the data files."""
    texts = catalogue(language, "care")
    quoted = _facts(texts)
    warnings = (
        CareRule(f"caution.{rule['code']}", texts.say(f"caution.{rule['code']}", **quoted), rule["source"])
        for rule in data("cautions")["caution"]
    )
    rows = (row for name in _FILES for row in _sourced(name, data(name)))
    return (*warnings, *rows)


def _sourced(place: str, table: Mapping[str, Any]) -> Iterator[CareRule]:
    """Every table that states a source, and the tables inside it that state their own."""
    if "source" in table:
        own = {key: value for key, value in table.items() if key != "source" and not _has_source(value)}
        yield CareRule(place, ", ".join(f"{key} {_plain(value)}" for key, value in own.items()), str(table["source"]))
    for key, value in table.items():
        if isinstance(value, Mapping) and ("source" not in table or _has_source(value)):
            yield from _sourced(f"{place}.{key}", value)


def _has_source(value: Any) -> bool:
    return isinstance(value, Mapping) and "source" in value


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{key} {_plain(inner)}" for key, inner in value.items()) + ")"
    if isinstance(value, list):
        return "[" + ", ".join(_plain(inner) for inner in value) + "]"
    return str(value)
