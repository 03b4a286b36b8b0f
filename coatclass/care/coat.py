"""What care is worked out from: lengths, how often, families of tools and their strokes. Data: ``data/*.toml``."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.contract import CoatSituation
from coatclass.resources import read_toml
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    ZONES,
    BodyZone,
    CoatCategory,
    MatState,
    Undercoat,
    band_limits_mm,
    band_of_mm,
)
from coatclass.triage import hairless, likely_coats

__all__ = [
    "CANNOT_BEAR",
    "DOUBLE_COAT",
    "PUPPY",
    "adult_months",
    "categories",
    "coat_still_worn",
    "data",
    "family",
    "gentleness",
    "interpolate",
    "length_limits_mm",
    "length_mm",
    "likely",
    "line_brushed",
    "longest_mm",
    "may_have_undercoat",
    "ordered",
    "rounds_a_week",
    "sessions_for",
    "standard_mm",
    "stroke",
    "zones_matted",
]

# Rules of the triage that this room looks for by name.
PUPPY = "puppy"
CANNOT_BEAR = "cannot-bear"
DOUBLE_COAT = "double-coat"

_DATA = Path(__file__).with_name("data")
_UNDERCOATED = {CoatCategory.ARCTIC, CoatCategory.FUR, CoatCategory.MIXED, CoatCategory.WIRE}


@cache
def data(name: str) -> dict[str, Any]:
    """One of the care room's data files."""
    return read_toml(_DATA / f"{name}.toml")


def interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Straight lines between points, level outside them; ``xs`` rises strictly."""
    right = bisect.bisect_left(xs, x)
    if right in (0, len(xs)):
        return float(ys[0] if right == 0 else ys[-1])
    x0, x1, y0, y1 = xs[right - 1], xs[right], ys[right - 1], ys[right]
    return float(y0 + (y1 - y0) * (x - x0) / (x1 - x0))


def ordered(zones: Iterable[BodyZone]) -> tuple[BodyZone, ...]:
    """Zones in the taxonomy's order."""
    chosen = set(zones)
    return tuple(zone for zone in ZONES if zone in chosen)


def categories(situation: CoatSituation) -> tuple[CoatCategory, ...]:
    """The categories still possible in the taxonomy's order; all of them if nobody knows."""
    return tuple(category for category in CATEGORIES if category in situation.categories) or CATEGORIES


def likely(situation: CoatSituation) -> tuple[CoatCategory, ...]:
    """The categories that the work is reckoned for, in the taxonomy's order: those that the tools are bought for.

    A smooth dog is not brushed three times a week because one in twelve like it is a cross. What could harm any
    possible coat is left out all the same, and all of them say whether the coat may be cut.
    """
    worn = likely_coats(situation.categories, situation.shares)
    return tuple(category for category in CATEGORIES if category in worn)


def zones_matted(situation: CoatSituation, at_least: MatState) -> frozenset[BodyZone]:
    """Zones in which knots of this state or worse were found."""
    return frozenset(zone for zone, state in situation.mats.items() if state.severity >= at_least.severity)


def may_have_undercoat(situation: CoatSituation) -> bool:
    """Down was seen, or nobody looked and a coat that is still possible usually has it."""
    if situation.undercoats:
        return bool(situation.undercoats - {Undercoat.NONE})
    if hairless(situation):
        return False
    return bool(_UNDERCOATED & set(categories(situation)))


# --- length -----------------------------------------------------------------------------------------------------------


def length_mm(situation: CoatSituation) -> float:
    """Trunk length to work with, mm: measured, or typical of the longest band still possible.

    Whole millimetres, rounded down: a ruler on a dog tells no tenths, and rounding up could pass a limit of the trade.
    """
    if situation.measured_mm is not None:
        return float(math.floor(situation.measured_mm))
    if hairless(situation):
        return float(data("coats")["bare"]["mm"])
    return _longest_of(situation, "band_mm")


def standard_mm(mm: float) -> float:
    """The length that stands for the band of a length, mm.

    What is advised in whole steps (how often, where knots begin) looks at this one, so that it changes at the limits of
    the trade only and not at some tenth of a millimetre between them.
    """
    return float(data("coats")["band_mm"][band_of_mm(mm)])


def longest_mm(situation: CoatSituation) -> float:
    """The longest trunk length still possible, mm."""
    if situation.measured_mm is not None:
        return situation.measured_mm
    if hairless(situation):
        return float(data("coats")["bare"]["mm"])
    return _longest_of(situation, "band_longest_mm")


def length_limits_mm(situation: CoatSituation) -> tuple[float, float | None]:
    """Between which limits the trunk's length lies, mm, over every band still possible; None for no upper limit."""
    limits = [band_limits_mm(band) for band in situation.bands or BANDS]
    high = max(high for _, high in limits)
    return min(low for low, _ in limits), None if math.isinf(high) else high


def _longest_of(situation: CoatSituation, table: str) -> float:
    return max(float(data("coats")[table][band]) for band in situation.bands or BANDS)


def sessions_for(possible: Sequence[CoatCategory], mm: float) -> float:
    """Whole sessions a week that the most demanding of the possible coats wants at a trunk length in mm."""
    table = data("coats")
    lengths = table["frequency_mm"]["values"]
    return max(interpolate(mm, lengths, table["coat"][category]["per_week"]) for category in possible)


def rounds_a_week(possible: Sequence[CoatCategory], mm: float) -> int:
    """How often a week the whole dog is brushed and combed through at a trunk length in mm, 1 to 7."""
    return max(1, math.ceil(sessions_for(possible, standard_mm(mm)) - 0.5))


def adult_months() -> float:
    """Age from which a dog wears its adult coat, months."""
    return float(data("growth")["puppy"]["look_again_months"][-1])


def coat_still_worn(found_on: date, today: date, born_on: date | None) -> bool:
    """Whether the coat that hands found on a day is the one that the dog wears today (``data/ageing.toml``).

    A dog whose birth nobody knows counts as grown.
    """
    if born_on is None:
        return True
    rule, month = data("ageing")["finding"], data("growth")["calendar"]["days_per_month"]
    then, now = ((day - born_on).days / month for day in (found_on, today))
    if then < rule["puppy_until_months"]:
        return bool(now < rule["puppy_until_months"])
    changing = then < rule["changing_until_months"]
    return not changing or (today - found_on).days <= 7 * rule["changing_holds_weeks"]


def line_brushed(situation: CoatSituation) -> bool:
    """Whether any coat that is still possible has to be brushed line by line from the skin."""
    table = data("coats")["coat"]
    longest = longest_mm(situation)
    return any(longest >= table[category]["line_brush_from_mm"] for category in categories(situation))


# --- tools ------------------------------------------------------------------------------------------------------------


@cache
def family(tool: str) -> str:
    """The family of a tool by its id, ``other`` if no rule knows it."""
    words = set(tool.split("_"))
    for rule in data("techniques")["family"]:
        if words.issuperset(rule["all"]):
            return str(rule["id"])
    return "other"


def gentleness(tool: str) -> int:
    """Rank of a tool, gentlest first; an unknown tool ranks last."""
    ranks = {rule["id"]: int(rule["gentle"]) for rule in data("techniques")["family"]}
    return ranks.get(family(tool), max(ranks.values()) + 1)


def stroke(tool: str, lined: bool) -> str:
    """The id of the stroke that a tool is used with; ``lined`` where the coat is brushed line by line."""
    row = data("techniques")["stroke"][family(tool)]
    return str(row.get("lined", row["plain"]) if lined else row["plain"])
