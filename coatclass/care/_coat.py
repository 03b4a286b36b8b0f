"""What the care plan takes from the coat: the length to reckon with, how often, whether it may be cut shorter."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.contract import CoatSituation
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CoatCategory, MatState, Undercoat

__all__ = ["data", "interpolate", "length_mm", "line_brushed", "longest_mm", "may_have_undercoat", "sessions_for"]

_DATA = Path(__file__).with_name("data")
_UNDERCOATED = {CoatCategory.ARCTIC, CoatCategory.FUR, CoatCategory.MIXED, CoatCategory.WIRE}


@cache
def data(name: str) -> dict[str, Any]:
    """One of the care room's data files."""
    return read_toml(_DATA / f"{name}.toml")


def interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Straight lines between points, level outside them; ``xs`` rises strictly."""
    if x <= xs[0]:
        return float(ys[0])
    for (x0, y0), (x1, y1) in zip(zip(xs, ys, strict=True), zip(xs[1:], ys[1:], strict=True), strict=False):
        if x <= x1:
            return float(y0 + (y1 - y0) * (x - x0) / (x1 - x0))
    return float(ys[-1])


def length_mm(situation: CoatSituation) -> float:
    """Trunk length to reckon with, mm: measured, or what stands for the longest band still possible."""
    if situation.measured_mm is not None:
        return situation.measured_mm
    bands = situation.bands or frozenset(BANDS)
    return max(float(data("coats")["band_mm"][band]) for band in bands)


def longest_mm(situation: CoatSituation) -> float:
    """The longest trunk length still possible, mm."""
    if situation.measured_mm is not None:
        return situation.measured_mm
    bands = situation.bands or frozenset(BANDS)
    return max(float(data("coats")["band_longest_mm"][band]) for band in bands)


def categories(situation: CoatSituation) -> tuple[CoatCategory, ...]:
    """The categories still possible in the taxonomy's order; all of them if nobody knows."""
    return tuple(category for category in CoatCategory if category in (situation.categories or set(CoatCategory)))


def sessions_for(possible: Sequence[CoatCategory], mm: float) -> float:
    """Full sessions a week that the most demanding of the possible coats wants at a trunk length in mm."""
    table = data("coats")
    knots = table["frequency_mm"]["values"]
    return max(interpolate(mm, knots, table["coat"][category]["per_week"]) for category in possible)


def line_brushed(situation: CoatSituation) -> bool:
    """Whether any coat that is still possible has to be brushed line by line from the skin."""
    table = data("coats")["coat"]
    longest = longest_mm(situation)
    return any(longest >= table[category]["line_brush_from_mm"] for category in categories(situation))


def may_have_undercoat(situation: CoatSituation) -> bool:
    """Down was seen, or nobody looked and a coat that is still possible usually has it."""
    if situation.undercoats:
        return bool(situation.undercoats - {Undercoat.NONE})
    return bool(_UNDERCOATED & set(categories(situation)))


def zones_matted(situation: CoatSituation, at_least: MatState) -> frozenset[Any]:
    """Zones in which knots of this state or worse were found."""
    return frozenset(zone for zone, state in situation.mats.items() if state.severity >= at_least.severity)
