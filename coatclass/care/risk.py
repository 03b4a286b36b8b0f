"""How likely each zone is to mat: an explicit score, monotone in every factor. Weights: ``data/mat_risk.toml``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from coatclass.care.coat import categories, data, interpolate, length_mm, likely, standard_mm
from coatclass.contract import CoatSituation, Fault, TechniqueCheck, VisitNote
from coatclass.taxonomy import ZONES, BodyZone

__all__ = ["RISK_ZONES", "Level", "MatRisk", "ZoneLoad", "last_check", "mat_reasons", "ranked", "zone_length_mm"]

Level = Literal["low", "moderate", "high"]

RISK_ZONES = (
    BodyZone.BEHIND_EARS,
    BodyZone.NECK,
    BodyZone.ARMPITS,
    BodyZone.HARNESS_PATH,
    BodyZone.CHEST,
    BodyZone.BELLY,
    BodyZone.GROIN,
    BodyZone.BREECHES,
    BodyZone.TAIL,
    BodyZone.FEET,
    BodyZone.BEARD,
    BodyZone.TOP_KNOT,
)
"""The zones at which knots begin, as the picture shows them."""


@dataclass(frozen=True)
class ZoneLoad:
    """The mat risk of one zone.

    Attributes:
        score: 0 (bare) to 100, by the formula in ``data/mat_risk.toml``.
        level: low, moderate or high.
        factors: what went into it, by name: ``capacity``, ``texture``, ``undercoat``, ``length``, ``friction`` and each
            added load that is not 0.
    """

    zone: BodyZone
    score: float
    level: Level
    factors: tuple[tuple[str, float], ...]


class MatRisk:
    """The mat risk of one dog; what does not depend on the length is computed once, so that any length is cheap.

    Attributes:
        stopped: zones where the comb stopped at the last technique check.
    """

    def __init__(self, situation: CoatSituation) -> None:
        weights = data("mat_risk")
        possible = likely(situation)
        self._situation = situation
        self._coat = {
            "capacity": max(weights["capacity"][category] for category in possible),
            "texture": max(weights["texture"][texture] for texture in situation.textures or {"unknown"}),
            "undercoat": max(weights["undercoat"][undercoat] for undercoat in situation.undercoats or {"unknown"}),
        }
        self._friction = {zone: _friction(situation, zone) for zone in ZONES}
        self._added = {zone: _added(situation, zone) for zone in ZONES}
        self._least = _least(situation)
        check = last_check(situation.notes)
        self.stopped: tuple[BodyZone, ...] = check.stopped if check else ()
        coat = math.prod(self._coat.values())
        self._product = {zone: coat * self._friction[zone] * (1 + sum(self._added[zone].values())) for zone in ZONES}
        self._levels: dict[float, dict[BodyZone, Level]] = {}

    @cached_property
    def today(self) -> tuple[ZoneLoad, ...]:
        """Every zone at today's length."""
        mm = standard_mm(length_mm(self._situation))
        return tuple(self._zone(zone, mm) for zone in ZONES)

    def levels(self, mm: float) -> dict[BodyZone, Level]:
        """The level of every zone at a trunk length in mm; the same between two limits of the trade."""
        standard = standard_mm(mm)
        if standard not in self._levels:
            self._levels[standard] = {zone: _level(self._score(zone, standard)) for zone in ZONES}
        return self._levels[standard]

    def _zone(self, zone: BodyZone, mm: float) -> ZoneLoad:
        score = self._score(zone, mm)
        length = ("length", _length_factor(self._situation, zone, mm))
        factors = (*self._coat.items(), length, ("friction", self._friction[zone]), *self._added[zone].items())
        return ZoneLoad(zone, score, _level(score), factors)

    def _score(self, zone: BodyZone, mm: float) -> float:
        x = self._product[zone] * _length_factor(self._situation, zone, mm)
        return float(max(100 * -math.expm1(-x), self._least.get(zone, 0.0)))


def _least(situation: CoatSituation) -> dict[BodyZone, float]:
    """The lowest score of zones where knots were found, or where the comb stopped behind the owner's brush."""
    weights = data("mat_risk")
    least: dict[BodyZone, float] = {zone: weights["found"][state] for zone, state in situation.mats.items()}
    check = last_check(situation.notes)
    if check is not None:
        seldom = Fault.TOO_SELDOM in check.faults
        floor = float(weights["checked"]["stopped_too_seldom" if seldom else "stopped"])
        least |= {zone: max(least.get(zone, 0.0), floor) for zone in check.stopped}
    return least


def last_check(notes: Sequence[VisitNote]) -> TechniqueCheck | None:
    """The newest technique check, None if there was none."""
    return next((note.check for note in reversed(notes) if note.check is not None), None)


def ranked(load: Iterable[ZoneLoad]) -> tuple[ZoneLoad, ...]:
    """The zones at which knots begin, the one that mats most easily first; equals in the order of the picture."""
    order = {zone: place for place, zone in enumerate(RISK_ZONES)}
    return tuple(sorted((row for row in load if row.zone in order), key=lambda row: (-row.score, order[row.zone])))


def mat_reasons(row: ZoneLoad, load: Iterable[ZoneLoad]) -> tuple[str, ...]:
    """Why a zone mats more easily than the trunk: ``rubs``, ``longer``, then each added load, by name."""
    rule, factors = data("mat_risk")["why"], dict(row.factors)
    trunk = next((dict(one.factors)["length"] for one in load if one.zone is BodyZone.TRUNK), factors["length"])
    own = (
        ("rubs", factors["friction"] >= rule["rubs_from"]),
        ("longer", factors["length"] >= rule["longer_from"] * trunk > 0),
    )
    return (*(name for name, there in own if there), *(name for name, _ in row.factors[5:]))


def zone_length_mm(situation: CoatSituation, zone: BodyZone, trunk_mm: float) -> float:
    """Hair length in a zone, mm: that of the trunk, or of furnishings and beard where these are longer."""
    own = data("mat_risk")["own_length"]
    lengths = [trunk_mm]
    if situation.long_furnishings and zone in own["furnishings"]["zones"]:
        lengths.append(own["furnishings"]["mm"])
    if zone in own["beard"]["zones"] and set(own["beard"]["categories"]) & set(categories(situation)):
        lengths.append(own["beard"]["mm"])
    return float(max(lengths))


def _length_factor(situation: CoatSituation, zone: BodyZone, trunk_mm: float) -> float:
    table = data("mat_risk")["length"]
    return interpolate(zone_length_mm(situation, zone, trunk_mm), table["mm"], table["factor"])


def _friction(situation: CoatSituation, zone: BodyZone) -> float:
    """A dog without a beard has the friction of a face there."""
    weights = data("mat_risk")
    rule = weights["only_with"].get(zone)
    own = rule is None or set(rule["categories"]) & set(categories(situation))
    return float(weights["friction"][zone if own else rule["else_zone"]])


def _added(situation: CoatSituation, zone: BodyZone) -> dict[str, float]:
    """Each added load in a zone that is not 0."""
    weights: dict[str, Any] = data("mat_risk")["added"]

    def worn(name: str, present: bool | None) -> float:
        return float(weights[name].get(zone, weights[name].get("all", 0.0))) if present else 0.0

    age, change = situation.age_months, weights["coat_change"]
    bath, combed = weights["bath_without_brushing"], weights["days_since_combed"]
    unbrushed = bath[situation.brushed_before_bath or "unknown"] * (situation.baths_per_month or 0.0)
    added = {
        "swims": worn("swims", situation.swims),
        "harness": worn("harness", situation.wears_harness),
        "clothing": worn("clothing", situation.wears_clothing),
        "collar": worn("collar", situation.collar_on_full_neck),
        "coat_change": worn("coat_change", age is not None and change["from_months"] <= age < change["to_months"]),
        "bath_without_brushing": min(bath["most"], unbrushed),
        "days_since_combed": min(combed["most"], combed["per_day"] * (situation.days_since_combed or 0.0)),
    }
    return {name: value for name, value in added.items() if value > 0}


def _level(score: float) -> Level:
    limits = data("mat_risk")["level"]
    if score >= limits["high"]:
        return "high"
    return "moderate" if score >= limits["moderate"] else "low"
