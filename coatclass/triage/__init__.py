"""What may be done with a dog, where and by whom: one pure stage between the decision and all advice.

Rules: ``data/triage.toml``. Every rule that fits takes something away, none gives back: more trouble never allows more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, get_args

from coatclass.contract import DRAGS, CoatSituation, Drag, Permission, Touch, Triage, Who, ZoneClearance
from coatclass.errors import ModelFilesError
from coatclass.resources import read_toml
from coatclass.taxonomy import CATEGORIES, ZONES, BodyZone, CoatCategory, MatState, Patience, Undercoat, band_of_mm

__all__ = [
    "RULE_FILE",
    "Rule",
    "after_visit",
    "bare",
    "closed_by",
    "hairless",
    "likely_coats",
    "probable_coat",
    "rules",
    "thin_skinned",
    "toolless",
    "triage",
    "zones_of",
]

RULE_FILE = Path(__file__).with_name("data") / "triage.toml"
_PERMISSIONS = ("session", "bath", "shorter", "growth", "training", "shopping")
_AUTHORITY = list(Who)


@dataclass(frozen=True)
class Rule:
    """One rule; the words are explained at the head of the data file."""

    id: str
    first: Who
    source: str
    skin: str | None = None
    mats: frozenset[MatState] = frozenset()
    thin_skin: bool | None = None
    at_least: int = 1
    in_any: frozenset[BodyZone] = frozenset()
    patience: frozenset[Patience] = frozenset()
    below_months: float | None = None
    categories: frozenset[CoatCategory] = frozenset()
    may_have_down: bool = False
    corded: bool = False
    zones: frozenset[BodyZone] = frozenset()
    there: Touch | None = None
    elsewhere: Touch | None = None
    unnamed: Touch | None = None
    drag: Drag | None = None
    no_knots: bool = False
    closes: frozenset[str] = frozenset()
    closes_unnamed: frozenset[str] = frozenset()
    comes_off: bool = False
    no_tools: bool = False
    within_days: int = 1


@dataclass(frozen=True)
class _Fit:
    """A rule that fits a dog, the zones that it is about, and whether somebody named them."""

    rule: Rule
    zones: frozenset[BodyZone]
    named: bool

    @property
    def closes(self) -> frozenset[str]:
        """Permissions that it closes."""
        return self.rule.closes if self.named else self.rule.closes | self.rule.closes_unnamed


_SETS: Mapping[str, type] = {
    "mats": MatState, "in_any": BodyZone, "zones": BodyZone, "patience": Patience, "categories": CoatCategory,
    "closes": str, "closes_unnamed": str,
}  # fmt: skip
_WORDS: Mapping[str, type] = {"there": Touch, "elsewhere": Touch, "unnamed": Touch, "first": Who}


@cache
def rules() -> tuple[Rule, ...]:
    """Every rule in the order of the data file.

    Raises:
        ModelFilesError: if the file holds a word that is not explained at its head.
    """
    try:
        return tuple(_rule(row) for row in read_toml(RULE_FILE)["rule"])
    except (TypeError, ValueError, KeyError) as error:
        raise ModelFilesError("triage.toml", f"has a row that makes no sense: {error}.", "Install coatclass again.",
                              code="damaged") from error  # fmt: skip


def _rule(row: Mapping[str, Any]) -> Rule:
    values: dict[str, Any] = dict(row)
    for name, kind in _SETS.items():
        if name in values:
            values[name] = frozenset(kind(word) for word in values[name])
    for name, kind in _WORDS.items():
        if name in values:
            values[name] = kind(values[name])
    rule = Rule(**values)
    unknown = (rule.closes | rule.closes_unnamed) - set(_PERMISSIONS)
    if unknown or {rule.drag} - {None, *get_args(Drag)} or not rule.source or rule.within_days < 1:
        raise ValueError(rule.id)
    return rule


def toolless(cleared: Triage) -> str:
    """The rule for which no tool goes through this coat, now or later; empty if there is none."""
    return next((rule.id for rule in rules() if rule.no_tools and rule.id in cleared.rules), "")


@cache
def thin_skinned() -> frozenset[BodyZone]:
    """Zones of thin skin and folds, where no knot is worked on with a firm tool."""
    return frozenset(BodyZone(zone) for zone in read_toml(RULE_FILE)["zones"]["thin_skin"])


def likely_coats(possible: Iterable[CoatCategory], shares: Mapping[CoatCategory, float]) -> frozenset[CoatCategory]:
    """The coats that a plan is made for; what harms any possible one is left out of it all the same.

    Args:
        possible: coats that are not ruled out; none means any.
        shares: how likely each is, [0, 1]; where nobody reckoned it, all that are possible count as likely.
    """
    least: float = read_toml(RULE_FILE)["likely"]["share"]
    coats = frozenset(possible) or frozenset(CATEGORIES)
    return frozenset(one for one in coats if shares.get(one, 0.0) >= least) or coats


def probable_coat(possible: Iterable[CoatCategory], shares: Mapping[CoatCategory, float]) -> CoatCategory | None:
    """The coat to name of several: far likelier than all others together, or likelier and the only likely one.

    It is a matter of words: tools are chosen for every likely coat, and none harms one that is possible.
    """
    coats = frozenset(possible)
    best = max(coats, key=lambda one: shares.get(one, 0.0), default=None)
    if best is None or len(coats) < 2:
        return None
    alone = likely_coats(coats, shares) == {best}
    share, least = shares.get(best, 0.0), float(read_toml(RULE_FILE)["likely"]["title"])
    return best if share >= least or (alone and share > 0.5) else None


def bare(situation: CoatSituation) -> bool:
    """Whether there is next to no hair on the trunk now, by nature or shaved: the skin is cared for, not the hair."""
    measured = situation.measured_mm
    return hairless(situation) or (measured is not None and measured < read_toml(RULE_FILE)["bare"]["below_mm"])


def hairless(situation: CoatSituation) -> bool:
    """Whether there is next to no hair on the trunk by nature: the breed's, or so short that only a bare skin is."""
    limits, measured = read_toml(RULE_FILE)["bare"], situation.measured_mm
    if situation.hairless:
        return measured is None or measured < limits["coated_from_mm"]
    flat = situation.categories == {CoatCategory.FUR}
    return flat and situation.clipped is not True and measured is not None and measured < limits["below_mm"]


def zones_of(situation: CoatSituation) -> tuple[BodyZone, ...]:
    """The zones that this dog has: no beard on a spitz, no harness path without a harness.

    Where something was found, there is a zone; one that only an unlikely coat has waits until somebody finds it.
    """
    table = read_toml(RULE_FILE)["zones"]
    possible = likely_coats(situation.categories, situation.shares)
    found = {zone for zone, state in situation.mats.items() if state is not MatState.NONE} | set(situation.skin)
    worn = bool(situation.wears_harness or situation.wears_clothing)
    lacking = {zone for zone in (BodyZone.BEARD, BodyZone.TOP_KNOT) if not possible & set(table[zone])}
    if not worn:
        lacking.add(BodyZone.HARNESS_PATH)
    return tuple(zone for zone in ZONES if zone not in lacking - found)


def triage(situation: CoatSituation, *, having: tuple[BodyZone, ...] | None = None) -> Triage:
    """What may be done with this dog now, where, and by whom. Pure and monotone: more trouble never allows more.

    Args:
        situation: the dog.
        having: its zones; those that a coat that is still possible has if None.
    """
    fits = (fit for rule in rules() if (fit := _fit(rule, situation)) is not None)
    return _decided(tuple((fit.rule.id, fit.zones, fit.named) for fit in fits), having or zones_of(situation))


@lru_cache(maxsize=1024)
def _decided(held: tuple[tuple[str, frozenset[BodyZone], bool], ...], having: tuple[BodyZone, ...]) -> Triage:
    """The triage of a dog with these zones, for which rules (by id) hold in zones that somebody named, or did not."""
    by_id = {rule.id: rule for rule in rules()}
    fits = [_Fit(by_id[rule], zones, named) for rule, zones, named in held]
    closed = {name: [fit.rule for fit in fits if name in fit.closes] for name in _PERMISSIONS}
    stopping = [fit.rule.first for fit in fits if fit.closes & {"session", "bath"} or fit.rule.there is Touch.NOTHING]
    return Triage(
        zones=tuple(_clearance(zone, fits) for zone in having),
        comes_off=any(fit.rule.comes_off for fit in fits),
        first=_highest(stopping),
        rules=tuple(fit.rule.id for fit in fits),
        **{name: _permission(by) for name, by in closed.items()},
    )


def _permission(by: list[Rule]) -> Permission:
    return Permission(open=not by, first=_highest(rule.first for rule in by), rules=tuple(rule.id for rule in by))


def _highest(who: Iterable[Who]) -> Who:
    return max(who, key=_AUTHORITY.index, default=Who.OWNER)


def _fit(rule: Rule, situation: CoatSituation) -> _Fit | None:
    """The rule with its zones if it holds for this dog."""
    matted = _matted(rule, situation) if rule.mats else frozenset()
    if not _holds(rule, situation, matted):
        return None
    zones, named = rule.zones or frozenset(ZONES), True
    if rule.skin is not None:
        where = _troubled(rule, situation)
        zones, named = where or frozenset(ZONES), bool(where)
    if rule.mats:
        zones = matted
    return _Fit(rule, zones, named)


def _troubled(rule: Rule, situation: CoatSituation) -> frozenset[BodyZone]:
    """The zones in which somebody said that the rule's trouble is; none where nobody said."""
    return rule.zones | {zone for zone, trouble in situation.skin.items() if trouble == rule.skin}


def _holds(rule: Rule, situation: CoatSituation, matted: frozenset[BodyZone]) -> bool:
    """Whether every condition that the rule states holds for this dog."""
    age = situation.age_months
    return (
        (not rule.patience or situation.patience in rule.patience)
        and (rule.below_months is None or (age is not None and age < rule.below_months))
        and (not rule.categories or bool(rule.categories & (situation.categories or frozenset(CATEGORIES))))
        and (not rule.may_have_down or _may_have_down(situation))
        and (not rule.corded or situation.corded)
        and (rule.skin is None or rule.skin in situation.skin_trouble | set(situation.skin.values()))
        and (not rule.mats or len(matted) >= rule.at_least)
        and (not rule.in_any or bool(rule.in_any & matted))
    )


def _matted(rule: Rule, situation: CoatSituation) -> frozenset[BodyZone]:
    zones = frozenset(zone for zone, state in situation.mats.items() if state in rule.mats)
    if rule.skin is not None:
        zones &= _troubled(rule, situation) or zones
    if rule.thin_skin is None:
        return zones
    return zones & thin_skinned() if rule.thin_skin else zones - thin_skinned()


def _may_have_down(situation: CoatSituation) -> bool:
    """Down was seen, or nobody looked."""
    if hairless(situation):
        return False
    return not situation.undercoats or bool(situation.undercoats - {Undercoat.NONE})


def _clearance(zone: BodyZone, fits: Iterable[_Fit]) -> ZoneClearance:
    touch, drag, knots = Touch.BRUSH, DRAGS[-1], True
    first, by = Who.OWNER, []
    for fit in fits:
        most, strongest, no_knots = _limits(fit, zone)
        if most is None and strongest is None and not no_knots:
            continue
        if most is not None and most.rank < touch.rank:
            touch = most
        if strongest is not None and DRAGS.index(strongest) < DRAGS.index(drag):
            drag = strongest
        knots = knots and not no_knots
        by.append(fit.rule.id)
        if most is not None and most.rank < Touch.COMB.rank:
            first = _highest((first, fit.rule.first))
    return ZoneClearance(zone=zone, touch=touch, drag=drag, knots=knots, first=first, rules=tuple(by))


def _limits(fit: _Fit, zone: BodyZone) -> tuple[Touch | None, Drag | None, bool]:
    """What one rule still allows in a zone: most touch, strongest tool, and whether it forbids working on knots."""
    rule, inside = fit.rule, zone in fit.zones
    most = (rule.there if fit.named else rule.unnamed) if inside else rule.elsewhere
    strongest = rule.drag if inside or rule.elsewhere is not None else None
    return most, strongest, rule.no_knots and inside


def closed_by(
    situation: CoatSituation, zones: Iterable[BodyZone], drag: Drag, *, comb: bool = False, knots: bool = False
) -> tuple[str, ...]:
    """The rules that, each by itself, keep a tool out of some of these zones, in the order of the data file.

    Args:
        situation: the dog.
        zones: where the tool would go.
        drag: how hard it pulls.
        comb: whether it is a comb.
        knots: whether it is to work on knots.
    """
    places = tuple(zones)
    fits = [fit for rule in rules() if (fit := _fit(rule, situation)) is not None]
    return tuple(fit.rule.id for fit in fits if any(_closes(fit, zone, drag, comb, knots) for zone in places))


def _closes(fit: _Fit, zone: BodyZone, drag: Drag, comb: bool, knots: bool) -> bool:
    most, strongest, no_knots = _limits(fit, zone)
    needed = Touch.COMB if comb else Touch.BRUSH
    too_much = most is not None and most.rank < needed.rank
    too_strong = strongest is not None and DRAGS.index(strongest) < DRAGS.index(drag)
    return too_much or too_strong or (knots and no_knots)


def after_visit(situation: CoatSituation, found: Triage) -> CoatSituation:
    """The dog once vet and groomer have done what is theirs: skin healed, mats out, the coat clipped if it had to be.

    A dog that could not bear the brush is reckoned to fidget still after its training, and a lump to be there still.
    """
    lasting = frozenset(read_toml(RULE_FILE)["after"]["lasting"])
    after = replace(
        situation,
        mats=dict.fromkeys(situation.mats, MatState.NONE),
        skin_trouble=situation.skin_trouble & lasting,
        skin={zone: trouble for zone, trouble in situation.skin.items() if trouble in lasting},
        days_since_combed=None,
        patience=Patience.FIDGETS if situation.patience is Patience.CANNOT_BEAR else situation.patience,
    )
    if not found.comes_off:
        return after
    length = float(read_toml(RULE_FILE)["after"]["length_mm"])
    return replace(after, measured_mm=length, bands=frozenset({band_of_mm(length)}), clipped=True, hand_stripped=False,
                   notes=())  # fmt: skip
