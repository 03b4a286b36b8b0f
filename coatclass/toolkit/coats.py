"""Every coat that a dog may have, and what the rules and the harm table say of each tool over all of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from coatclass.contract import CoatSituation, Role, Triage
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    CoatCategory,
    LengthBand,
    MatState,
    Texture,
    Undercoat,
    band_limits_mm,
    band_of_mm,
)
from coatclass.toolkit.tables import (
    LIMITS_MM,
    Flag,
    Harm,
    HarmCell,
    PossibleCoat,
    ToolRule,
    catalogue,
    harm_table,
    rule_file,
    tool_rules,
)
from coatclass.triage import bare

TIGHT = (MatState.TIGHT_MATS, MatState.FELTED)
_RIGHT = (Role.ESSENTIAL, Role.HELPFUL)
Cell = tuple[CoatCategory, float]
"""A category and a length that stands for everything between two limits of the rules."""
Known = tuple[tuple[str, Any], ...]
"""What is known of the dog whatever its coat, as (field of `PossibleCoat`, value)."""


def cells(situation: CoatSituation) -> tuple[Cell, ...]:
    """Every category with every length still possible; a measured length beats the bands."""
    categories = [category for category in CATEGORIES if category in situation.categories] or list(CATEGORIES)
    return tuple((category, length) for category in categories for length in _lengths(situation))


def _lengths(situation: CoatSituation) -> tuple[float, ...]:
    if bare(situation):
        return (_standing_for(0.0),)
    if situation.measured_mm is not None:
        return (_standing_for(situation.measured_mm),)
    bands = [band for band in BANDS if band in situation.bands] or list(BANDS)
    return tuple(_of_band(band) for band in bands)


def _standing_for(length_mm: float) -> float:
    """A limit stands for itself, any other length for the middle of its band: rules distinguish no more.

    Only a measured length can be shorter than any usual clip; an estimate of the band stands for the longer ones.
    """
    if length_mm in LIMITS_MM:
        return length_mm
    if length_mm < LIMITS_MM[0]:
        return LIMITS_MM[0] / 2
    return _of_band(band_of_mm(length_mm))


@cache
def _of_band(band: LengthBand) -> float:
    low, high = band_limits_mm(band)
    return (low + (high if math.isfinite(high) else 2 * low)) / 2


def textures_of(situation: CoatSituation, category: CoatCategory) -> tuple[Texture, ...]:
    """The textures that were reported, or else those usual for the category."""
    return _textures(situation.textures, category)


@cache
def _textures(stated: frozenset[Texture], category: CoatCategory) -> tuple[Texture, ...]:
    possible = stated or frozenset(rule_file()["usual"]["textures"][category])
    return tuple(texture for texture in Texture if texture in possible)


def undercoats_of(situation: CoatSituation, category: CoatCategory) -> tuple[Undercoat, ...]:
    """The undercoats that were reported, or else those usual for the category."""
    return _undercoats(situation.undercoats, category)


@cache
def _undercoats(stated: frozenset[Undercoat], category: CoatCategory) -> tuple[Undercoat, ...]:
    possible = stated or frozenset(rule_file()["usual"]["undercoats"][category])
    return tuple(undercoat for undercoat in Undercoat if undercoat in possible)


def known_of(situation: CoatSituation, cleared: Triage) -> Known:
    """What is known of the dog whatever its coat; loose knots count only where the owner may work on them."""
    values: dict[str, Any] = {
        "hand_stripped": _flag(situation.hand_stripped),
        "clipped": _flag(situation.clipped),
        "long_furnishings": _flag(situation.long_furnishings),
        "sparse": "yes" if situation.sparse or bare(situation) else "no",
        "bare": "yes" if bare(situation) else "no",
        "sensitive_skin": "yes" if situation.sensitive_skin else "no",
        "mats": frozenset(state for zone, state in situation.mats.items() if state in TIGHT or zone in cleared.knots),
    }
    return tuple(values.items())


def _flag(value: bool | None) -> Flag:
    return "unknown" if value is None else "yes" if value else "no"


# --- harm ------------------------------------------------------------------------------------------------------------


def harm_of(tool: str, coat: PossibleCoat) -> HarmCell:
    """The harm of a tool on one coat.

    The most special row holds: a row for this dog (hand-stripped, thin hair, ...) before a row for the texture, before
    the row of the category; among rows alike the worst. Rows that raise are added to whatever holds.
    """
    return _harms(coat)[tool]


def _harms(coat: PossibleCoat) -> Mapping[str, HarmCell]:
    return _harms_of(coat.category, coat.band, coat.texture, _conditions(coat))


@lru_cache(maxsize=4096)
def _harms_of(
    category: CoatCategory, band: LengthBand, texture: Texture, conditions: tuple[str, ...]
) -> Mapping[str, HarmCell]:
    """The harm of every tool; the undercoat has no part in it."""
    return {tool: _harm(tool, category, band, ("any", texture), ("", *conditions)) for tool in catalogue()}


def _harm(
    tool: str, category: CoatCategory, band: LengthBand, textures: Iterable[str], conditions: Iterable[str]
) -> HarmCell:
    found: dict[str, list[HarmCell]] = {"base": [], "texture": [], "dog": [], "raises": []}
    table = harm_table()
    for texture in textures:
        for condition in conditions:
            row = table.get((tool, category, texture, condition))
            if row is not None:
                effect, cells = row
                level = ("dog" if condition else "texture") if effect == "replaces" else effect
                found[level].append(cells[band])
    decisive = found["dog"] or found["texture"] or found["base"]
    return max(decisive + found["raises"], key=lambda cell: cell.harm.severity)


def _conditions(coat: PossibleCoat) -> tuple[str, ...]:
    holds = {
        "hand_stripped": coat.hand_stripped == "yes",
        "natural": coat.clipped == "no",
        "clipped": coat.clipped == "yes",
        "sparse": coat.sparse == "yes",
        "sensitive_skin": coat.sensitive_skin == "yes",
    }
    return tuple(condition for condition, true in holds.items() if true)


# --- views -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ToolView:
    """One tool over a number of possible coats.

    Attributes:
        harm: the worst harm, and ``harmed`` the first coat that takes it.
        right, essential: share of the coats for which a rule wants the tool (as essential), summed over ``cells``.
        everyday: the share for which one wants it for more than knots.
        harmless, harmful: share of the coats on which it does nothing bad at all, or real harm, summed likewise.
        harm_varies: whether texture or undercoat, within one category and length, decides the worst harm.
        right_cells: the cells in which some coat wants it.
        only_if: the textures and undercoats that it needs, for each of these cells; empty where any will do.
        only_over: the undercoats over which it is wanted for more than knots; empty where some coat wants it over any.
        wanted, put_off, unwanted: the rules that recommend it, put it off, or warn of it.
    """

    harm: HarmCell
    harmed: PossibleCoat
    cells: int
    right: float
    essential: float
    everyday: float
    harmless: float
    harmful: float
    harm_varies: bool
    right_cells: tuple[Cell, ...]
    only_if: frozenset[tuple[frozenset[Texture], frozenset[Undercoat]]]
    only_over: frozenset[Undercoat]
    wanted: tuple[ToolRule, ...]
    put_off: tuple[ToolRule, ...]
    unwanted: tuple[ToolRule, ...]

    @property
    def zones(self) -> frozenset[BodyZone]:
        """Zones in which a rule wants the tool, knotted zones left out."""
        return frozenset(zone for rule in self.wanted for zone in rule.zones)

    @property
    def knots(self) -> frozenset[MatState]:
        """States of knots for which a rule wants the tool."""
        return frozenset(state for rule in self.wanted if rule.only_matted_zones for state in rule.mats)

    @property
    def order(self) -> int:
        """Lowest rank in the order of work."""
        return min(rule.order for rule in self.wanted)


def views(situation: CoatSituation, cleared: Triage) -> Mapping[str, ToolView]:
    """Every tool of the catalogue, seen over every coat still possible."""
    possible = tuple(
        (cell, textures_of(situation, cell[0]), undercoats_of(situation, cell[0])) for cell in cells(situation)
    )
    return _views(possible, known_of(situation, cleared))


@lru_cache(maxsize=1024)
def _views(
    possible: tuple[tuple[Cell, tuple[Texture, ...], tuple[Undercoat, ...]], ...], known: Known
) -> Mapping[str, ToolView]:
    parts = [_cell_views(*one, known) for one in possible]
    return {tool: _merge([part[tool] for part in parts]) for tool in catalogue()}


@lru_cache(maxsize=1024)
def _cell_views(
    cell: Cell, textures: tuple[Texture, ...], undercoats: tuple[Undercoat, ...], known: Known
) -> Mapping[str, ToolView]:
    coats = [PossibleCoat(*cell, texture, undercoat, **dict(known)) for texture in textures for undercoat in undercoats]
    near = [rule for rule in tool_rules() if rule.fits(coats[0], whatever=("texture", "undercoat"))]
    fitting = [_by_tool(rule for rule in near if rule.fits(coat)) for coat in coats]
    harms = [_harms(coat) for coat in coats]
    return {
        tool: _view(cell, coats, [rules.get(tool, ()) for rules in fitting], [harm[tool] for harm in harms])
        for tool in catalogue()
    }


def _by_tool(rules: Iterable[ToolRule]) -> Mapping[str, tuple[ToolRule, ...]]:
    found: dict[str, tuple[ToolRule, ...]] = {}
    for rule in rules:
        found[rule.tool] = (*found.get(rule.tool, ()), rule)
    return found


def _view(
    cell: Cell, coats: list[PossibleCoat], fitting: list[tuple[ToolRule, ...]], harms: list[HarmCell]
) -> ToolView:
    worst = max(range(len(coats)), key=lambda index: harms[index].harm.severity)
    right = [
        (coat, [rule for rule in rules if rule.role in _RIGHT]) for coat, rules in zip(coats, fitting, strict=True)
    ]
    wanting = [coat for coat, rules in right if rules]
    everyday = [coat for coat, rules in right if not all(rule.only_matted_zones for rule in rules)]
    return ToolView(
        harm=harms[worst],
        harmed=coats[worst],
        cells=1,
        right=len(wanting) / len(coats),
        essential=sum(any(rule.role is Role.ESSENTIAL for rule in rules) for _, rules in right) / len(coats),
        everyday=len(everyday) / len(coats),
        harmless=sum(one.harm is Harm.NONE for one in harms) / len(coats),
        harmful=sum(one.harm.forbids for one in harms) / len(coats),
        harm_varies=len({one.harm for one in harms}) > 1,
        right_cells=(cell,) if wanting else (),
        only_if=frozenset({_needs(wanting, coats)} if wanting else ()),
        only_over=_needs(everyday, coats)[1],
        wanted=_with_role(fitting, *_RIGHT),
        put_off=_with_role(fitting, Role.LATER),
        unwanted=_with_role(fitting, Role.AVOID),
    )


def _needs(wanting: list[PossibleCoat], coats: list[PossibleCoat]) -> tuple[frozenset[Texture], frozenset[Undercoat]]:
    textures = frozenset(coat.texture for coat in wanting)
    undercoats = frozenset(coat.undercoat for coat in wanting)
    any_texture = len(textures) == len({coat.texture for coat in coats})
    any_undercoat = len(undercoats) == len({coat.undercoat for coat in coats})
    return frozenset() if any_texture else textures, frozenset() if any_undercoat else undercoats


def _with_role(fitting: Iterable[Iterable[ToolRule]], *roles: Role) -> tuple[ToolRule, ...]:
    return _once(rule for rules in fitting for rule in rules if rule.role in roles)


def _once(rules: Iterable[ToolRule]) -> tuple[ToolRule, ...]:
    return tuple({rule.id: rule for rule in rules}.values())


def _merge(parts: list[ToolView]) -> ToolView:
    worst = max(parts, key=lambda part: part.harm.harm.severity)
    return ToolView(
        harm=worst.harm,
        harmed=worst.harmed,
        cells=len(parts),
        right=sum(part.right for part in parts),
        essential=sum(part.essential for part in parts),
        everyday=sum(part.everyday for part in parts),
        harmless=sum(part.harmless for part in parts),
        harmful=sum(part.harmful for part in parts),
        harm_varies=worst.harm_varies,
        right_cells=tuple(cell for part in parts for cell in part.right_cells),
        only_if=frozenset(need for part in parts for need in part.only_if),
        only_over=_only_over(parts),
        wanted=_once(rule for part in parts for rule in part.wanted),
        put_off=_once(rule for part in parts for rule in part.put_off),
        unwanted=_once(rule for part in parts for rule in part.unwanted),
    )


def _only_over(parts: list[ToolView]) -> frozenset[Undercoat]:
    needs = [part.only_over for part in parts if part.everyday]
    return frozenset().union(*needs) if all(needs) else frozenset()
