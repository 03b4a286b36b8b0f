"""How likely each zone is to mat: an explicit score, monotone in every factor. Weights: ``data/load.toml``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from coatclass.care._coat import categories, data, interpolate, length_mm
from coatclass.contract import CoatSituation
from coatclass.taxonomy import BodyZone

__all__ = ["RISK_ZONES", "Level", "ZoneLoad", "load", "zone_length_mm"]

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
        score: 0 (bare) to 100, by the formula in ``data/load.toml``.
        level: low, moderate or high.
        factors: what went into it, by name: ``capacity``, ``texture``, ``undercoat``, ``length``, ``friction`` and each
            added load that is not 0.
    """

    zone: BodyZone
    score: float
    level: Level
    factors: tuple[tuple[str, float], ...]


def load(situation: CoatSituation) -> tuple[ZoneLoad, ...]:
    """The mat risk of every zone, in the taxonomy's order of zones."""
    return tuple(_zone_load(situation, zone) for zone in BodyZone)


def zone_length_mm(situation: CoatSituation, zone: BodyZone) -> float:
    """Hair length in a zone, mm: that of the trunk, or of furnishings and beard where these are longer."""
    own = data("load")["own_length"]
    lengths = [length_mm(situation)]
    if situation.long_furnishings and zone in own["furnishings"]["zones"]:
        lengths.append(own["furnishings"]["mm"])
    if zone in own["beard"]["zones"] and set(own["beard"]["categories"]) & set(categories(situation)):
        lengths.append(own["beard"]["mm"])
    return float(max(lengths))


def _zone_load(situation: CoatSituation, zone: BodyZone) -> ZoneLoad:
    weights = data("load")
    textures = situation.textures or {"unknown"}
    undercoats = situation.undercoats or {"unknown"}
    factors = {
        "capacity": max(weights["capacity"][category] for category in categories(situation)),
        "texture": max(weights["texture"][texture] for texture in textures),
        "undercoat": max(weights["undercoat"][undercoat] for undercoat in undercoats),
        "length": interpolate(zone_length_mm(situation, zone), weights["length"]["mm"], weights["length"]["factor"]),
        "friction": weights["friction"][_worn_as(situation, zone, weights["only_with"])],
    }
    added = {name: value for name, value in _added(situation, zone, weights["added"]).items() if value > 0}
    x = math.prod(factors.values()) * (1 + sum(added.values()))
    score = 100 * -math.expm1(-x)
    if (state := situation.mats.get(zone)) is not None:
        score = max(score, weights["found"][state])
    return ZoneLoad(zone, score, _level(score), (*factors.items(), *added.items()))


def _worn_as(situation: CoatSituation, zone: BodyZone, only_with: dict[str, Any]) -> str:
    """The zone whose friction counts: a dog without a beard has a face there."""
    rule = only_with.get(zone)
    if rule is None or set(rule["categories"]) & set(categories(situation)):
        return zone
    return str(rule["else_zone"])


def _added(situation: CoatSituation, zone: BodyZone, weights: dict[str, Any]) -> dict[str, float]:
    """Each added load in a zone, 0 where it is absent or nobody said."""

    def worn(name: str, present: bool | None) -> float:
        return float(weights[name].get(zone, weights[name].get("all", 0.0))) if present else 0.0

    age, change = situation.age_months, weights["coat_change"]
    bath = weights["bath_without_brushing"]
    combed = weights["days_since_combed"]
    unbrushed = bath[situation.brushed_before_bath or "unknown"] * (situation.baths_per_month or 0.0)
    return {
        "swims": worn("swims", situation.swims),
        "harness": worn("harness", situation.wears_harness),
        "clothing": worn("clothing", situation.wears_clothing),
        "collar": worn("collar", situation.collar_on_full_neck),
        "coat_change": worn("coat_change", age is not None and change["from_months"] <= age < change["to_months"]),
        "bath_without_brushing": min(bath["most"], unbrushed),
        "days_since_combed": min(combed["most"], combed["per_day"] * (situation.days_since_combed or 0.0)),
    }


def _level(score: float) -> Level:
    limits = data("load")["level"]
    if score >= limits["high"]:
        return "high"
    return "moderate" if score >= limits["moderate"] else "low"
