"""From a situation to every single coat that the dog may have."""

from __future__ import annotations

import math
from functools import cache

from coatclass.contract import CoatSituation
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    CoatCategory,
    LengthBand,
    MatState,
    Patience,
    Texture,
    Undercoat,
    band_limits_mm,
    band_of_mm,
)
from coatclass.toolkit._data import LIMITS_MM, demotions, rule_file
from coatclass.toolkit._model import Demotion, Flag, MatsSeen

TIGHT = MatState.TIGHT_MATS.severity
_SORE = frozenset({"sores", "redness", "pain"})
Cell = tuple[CoatCategory, float]
"""A category and a length that stands for everything between two limits of the rules."""


def cells(situation: CoatSituation) -> tuple[Cell, ...]:
    """Every category with every length still possible; a measured length beats the bands."""
    categories = [category for category in CATEGORIES if category in situation.categories] or list(CATEGORIES)
    return tuple((category, length) for category in categories for length in _lengths(situation))


def _lengths(situation: CoatSituation) -> tuple[float, ...]:
    if situation.measured_mm is not None:
        return (_standing_for(situation.measured_mm),)
    bands = [band for band in BANDS if band in situation.bands] or list(BANDS)
    return tuple(_of_band(band) for band in bands)


def _standing_for(length_mm: float) -> float:
    """A limit stands for itself, anything else for the middle of its band: rules can't tell more apart."""
    if length_mm in LIMITS_MM:
        return length_mm
    return _of_band(band_of_mm(length_mm))


@cache
def _of_band(band: LengthBand) -> float:
    low, high = band_limits_mm(band)
    return (low + (high if math.isfinite(high) else 2 * low)) / 2


def textures_of(situation: CoatSituation, category: CoatCategory) -> tuple[Texture, ...]:
    """The textures that were reported, or else those usual for the category."""
    stated = situation.textures or frozenset(rule_file()["usual"]["textures"][category])
    return tuple(texture for texture in Texture if texture in stated)


def undercoats_of(situation: CoatSituation, category: CoatCategory) -> tuple[Undercoat, ...]:
    """The undercoats that were reported, or else those usual for the category."""
    stated = situation.undercoats or frozenset(rule_file()["usual"]["undercoats"][category])
    return tuple(undercoat for undercoat in Undercoat if undercoat in stated)


def known_of(situation: CoatSituation) -> dict[str, Flag | MatsSeen]:
    """What is known of the dog whatever its coat; the keyword arguments of a `PossibleCoat`."""
    sore = bool(situation.skin_trouble & _SORE)
    return {
        "hand_stripped": _flag(situation.hand_stripped),
        "clipped": _flag(situation.clipped),
        "long_furnishings": _flag(situation.long_furnishings),
        "sparse": "yes" if situation.sparse else "no",
        "sensitive_skin": "yes" if situation.sensitive_skin or sore else "no",
        "bears_brush": "no" if situation.patience == Patience.CANNOT_BEAR else "yes",
        "mats": _mats(situation),
    }


def _flag(value: bool | None) -> Flag:
    return "unknown" if value is None else "yes" if value else "no"


def _mats(situation: CoatSituation) -> MatsSeen:
    worst = situation.worst_mats
    if worst is None:
        return "unknown"
    if worst.severity >= TIGHT:
        return "tight"
    return {MatState.NONE: "none", MatState.TANGLES: "tangles", MatState.MATS: "mats"}[worst]  # type: ignore[return-value]


def blocked_zones(situation: CoatSituation) -> frozenset[BodyZone]:
    """Zones that no owner touches: tight mats or felt."""
    return frozenset(zone for zone, state in situation.mats.items() if state.severity >= TIGHT)


def matted_zones(situation: CoatSituation) -> tuple[BodyZone, ...]:
    """Zones with knots that an owner may try, thin-skinned zones left out."""
    thin = rule_file()["zones"]["thin_skinned"]
    knotted = (MatState.TANGLES, MatState.MATS)
    return tuple(zone for zone in BodyZone if situation.mats.get(zone) in knotted and zone not in thin)


def demotions_of(situation: CoatSituation) -> tuple[Demotion, ...]:
    """The demotions that hold for this dog."""
    return tuple(demotion for demotion in demotions() if _holds(demotion, situation))


def _holds(demotion: Demotion, situation: CoatSituation) -> bool:
    match demotion.when:
        case "tight_mats":
            return bool(blocked_zones(situation))
        case "skin_trouble":
            return bool(situation.skin_trouble & demotion.skin_trouble)
        case "cannot_bear":
            return situation.patience == Patience.CANNOT_BEAR
        case "puppy":
            age = situation.age_months
            return age is not None and demotion.below_months is not None and age < demotion.below_months
        case "tight_zones" | "thin_skin":
            return False  # the recommender sees for itself where a tool is left without a zone
    raise ValueError(f"unknown demotion {demotion.when}")
