"""What the rules and the harm table say of every tool, gathered over all coats that the dog may have."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from coatclass.contract import CoatSituation, Role
from coatclass.taxonomy import BodyZone, Texture, Undercoat
from coatclass.toolkit._coats import Cell, cells, known_of, textures_of, undercoats_of
from coatclass.toolkit._data import catalogue, tool_rules
from coatclass.toolkit._harm import harm_of
from coatclass.toolkit._model import HarmCell, PossibleCoat, Rule


@dataclass(frozen=True)
class View:
    """One tool over a number of possible coats.

    Attributes:
        harm: the worst harm, and ``harmed`` the first coat that takes it.
        right, essential: share of the coats for which a rule wants the tool (as essential), summed over ``cells``.
        harmless: share of the coats on which it does nothing bad at all, summed likewise.
        harm_varies: whether texture or undercoat, within one category and length, decides the worst harm.
        right_cells: the cells in which some coat wants it.
        only_if: the textures and undercoats that it needs, for each of these cells; empty where any will do.
        wanted, put_off, unwanted: the rules that recommend it, put it off, or warn of it.
    """

    harm: HarmCell
    harmed: PossibleCoat
    cells: int
    right: float
    essential: float
    harmless: float
    harm_varies: bool
    right_cells: tuple[Cell, ...]
    only_if: frozenset[tuple[frozenset[Texture], frozenset[Undercoat]]]
    wanted: tuple[Rule, ...]
    put_off: tuple[Rule, ...]
    unwanted: tuple[Rule, ...]

    @property
    def zones(self) -> frozenset[BodyZone]:
        """Zones in which a rule wants the tool, knotted zones left out."""
        return frozenset(zone for rule in self.wanted for zone in rule.zones)

    @property
    def for_mats(self) -> bool:
        """Whether a rule wants it for knotted zones."""
        return any(rule.only_matted_zones for rule in self.wanted)

    @property
    def order(self) -> int:
        """Lowest rank in the order of work."""
        return min(rule.order for rule in self.wanted)


def views(situation: CoatSituation) -> Mapping[str, View]:
    """Every tool of the catalogue, seen over every coat still possible."""
    known = tuple(known_of(situation).items())
    parts = [
        _cell_views(cell, textures_of(situation, cell[0]), undercoats_of(situation, cell[0]), known)
        for cell in cells(situation)
    ]
    return {tool: _merge([part[tool] for part in parts]) for tool in catalogue()}


@lru_cache(maxsize=512)
def _cell_views(
    cell: Cell,
    textures: tuple[Texture, ...],
    undercoats: tuple[Undercoat, ...],
    known: tuple[tuple[str, str], ...],
) -> Mapping[str, View]:
    category, length = cell
    coats = [
        PossibleCoat(category, length, texture, undercoat, **dict(known))  # type: ignore[arg-type]
        for texture in textures
        for undercoat in undercoats
    ]
    fitting = [_fitting_rules(coat) for coat in coats]
    return {tool: _view(tool, cell, coats, [rules.get(tool, ()) for rules in fitting]) for tool in catalogue()}


@lru_cache(maxsize=4096)
def _fitting_rules(coat: PossibleCoat) -> Mapping[str, tuple[Rule, ...]]:
    fitting: dict[str, tuple[Rule, ...]] = {}
    for rule in tool_rules():
        if rule.fits(coat):
            fitting[rule.tool] = (*fitting.get(rule.tool, ()), rule)
    return fitting


def _view(tool: str, cell: Cell, coats: list[PossibleCoat], fitting: list[tuple[Rule, ...]]) -> View:
    harms = [harm_of(tool, coat) for coat in coats]
    worst = max(range(len(coats)), key=lambda index: harms[index].harm.severity)
    roles = [{rule.role for rule in rules} for rules in fitting]
    essential = sum(Role.ESSENTIAL in found for found in roles)
    wanting = [coat for coat, found in zip(coats, roles, strict=True) if found & {Role.ESSENTIAL, Role.HELPFUL}]
    return View(
        harm=harms[worst],
        harmed=coats[worst],
        cells=1,
        right=len(wanting) / len(coats),
        essential=essential / len(coats),
        harmless=sum(cell_harm.harm.severity == 0 for cell_harm in harms) / len(coats),
        harm_varies=len({cell_harm.harm for cell_harm in harms}) > 1,
        right_cells=(cell,) if wanting else (),
        only_if=frozenset({_needs(wanting, coats)} if wanting else ()),
        wanted=_with_role(fitting, Role.ESSENTIAL, Role.HELPFUL),
        put_off=_with_role(fitting, Role.LATER),
        unwanted=_with_role(fitting, Role.AVOID),
    )


def _needs(wanting: list[PossibleCoat], coats: list[PossibleCoat]) -> tuple[frozenset[Texture], frozenset[Undercoat]]:
    textures = frozenset(coat.texture for coat in wanting)
    undercoats = frozenset(coat.undercoat for coat in wanting)
    any_texture = len(textures) == len({coat.texture for coat in coats})
    any_undercoat = len(undercoats) == len({coat.undercoat for coat in coats})
    return frozenset() if any_texture else textures, frozenset() if any_undercoat else undercoats


def _with_role(fitting: Iterable[Iterable[Rule]], *roles: Role) -> tuple[Rule, ...]:
    return _once(rule for rules in fitting for rule in rules if rule.role in roles)


def _once(rules: Iterable[Rule]) -> tuple[Rule, ...]:
    return tuple({rule.id: rule for rule in rules}.values())


def _merge(parts: list[View]) -> View:
    worst = max(parts, key=lambda part: part.harm.harm.severity)
    return View(
        harm=worst.harm,
        harmed=worst.harmed,
        cells=len(parts),
        right=sum(part.right for part in parts),
        essential=sum(part.essential for part in parts),
        harmless=sum(part.harmless for part in parts),
        harm_varies=worst.harm_varies,
        right_cells=tuple(cell for part in parts for cell in part.right_cells),
        only_if=frozenset(need for part in parts for need in part.only_if),
        wanted=_once(rule for part in parts for rule in part.wanted),
        put_off=_once(rule for part in parts for rule in part.put_off),
        unwanted=_once(rule for part in parts for rule in part.unwanted),
    )
