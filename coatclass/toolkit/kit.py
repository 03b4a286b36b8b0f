"""The recommender: from a situation and its triage to the kit. Pure: the same dog gets the same kit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from coatclass.contract import CoatSituation, KitItem, Role, Triage
from coatclass.errors import InputError
from coatclass.taxonomy import ZONES, BodyZone
from coatclass.toolkit.coats import ToolView, views
from coatclass.toolkit.sentences import (
    coat_phrase,
    describe,
    harm_sentence,
    later_sentence,
    right_sentence,
    rule_sentence,
    tool_name,
    triage_sentence,
    undercoat_sentence,
    unsure_sentence,
)
from coatclass.toolkit.tables import Harm, ToolRule, catalogue, message, rule_file, texts, zone_group
from coatclass.triage import bare, closed_by, likely_coats, toolless

UNCERTAIN = "uncertain-coat"
USABLE = (Role.ESSENTIAL, Role.HELPFUL)
_STAND_IN_RANK = 50
_ROUNDING = 1e-9  # shares are sums of thirds and halves


class _Dog:
    """A dog with its triage, and where each tool may go.

    Attributes:
        situation: the dog in every coat that it may have; no tool harms one of them.
        likely: the same in its likely coats only; these decide what is bought.
        doubted: the coats that are likely enough for nobody to buy an extra that one of them has no use for.
        as_likely: every tool seen over them.
    """

    def __init__(self, situation: CoatSituation, cleared: Triage) -> None:
        self.situation, self.cleared = situation, cleared
        self.having, self.knots = cleared.having, cleared.knots
        self.likely = replace(situation, categories=likely_coats(situation.categories, situation.shares))
        self.as_likely = views(self.likely, cleared)
        least: float = rule_file()["policy"]["share_for_extras"]
        shares, likely = situation.shares, self.likely.categories
        self.doubted = likely | {one for one in situation.categories if shares.get(one, 0.0) >= least}
        self.allowed = {tool.id: cleared.cleared(tool.drag, comb=tool.combs) for tool in catalogue().values()}


@dataclass(frozen=True)
class _Choice:
    """A tool with its role, not yet put into words, which not everybody needs. Only usable tools have zones.

    ``why`` takes a language; ``closed`` tells the triage rule for which a tool that is right for the coat waits.
    """

    tool: str
    role: Role
    rules: tuple[str, ...]
    rank: int
    why: Callable[[str], str]
    zones: frozenset[BodyZone] = frozenset()
    closed: Callable[[], str] | None = None


def recommend(situation: CoatSituation, cleared: Triage, *, language: str = "en") -> tuple[KitItem, ...]:
    """The kit for this dog: what is right or harmless for every coat that it may have, where a tool may go at all.

    Essential and helpful tools come first, in their order of work (1, 2, ...); an essential one leads. Then what has to
    wait, then what to leave in the shop. A tool has one role. No tool above *ineffective* in the harm table for any
    coat still possible is ever essential or helpful; none has a zone that is not cleared for it; none is recommended
    while there is nothing to buy, and where the coat has to come off not even for later.

    Args:
        situation: what is still possible and what is known; no category means any category.
        cleared: the triage of this situation.
        language: ``en`` or ``de``.
    """
    return tuple(_item(choice, order, language) for choice, order in _chosen(situation, cleared))


def roles(situation: CoatSituation, cleared: Triage) -> frozenset[tuple[str, Role]]:
    """The kit without its words, for comparing many kits: (tool, role)."""
    return frozenset((choice.tool, choice.role) for choice, _ in _chosen(situation, cleared))


def _chosen(situation: CoatSituation, cleared: Triage) -> list[tuple[_Choice, int | None]]:
    """Every tool of the kit in the order of the kit, with its place in the order of work."""
    dog, seen = _Dog(situation, cleared), views(situation, cleared)
    choices = {tool: choice for tool in seen if (choice := _choose(tool, seen[tool], dog))}
    if cleared.shopping.open:
        for job in ("brush", "comb"):
            _promote(job, choices, seen, dog)
        choices = _few({tool: _small(choice, choices, seen, dog) for tool, choice in choices.items()}, dog)
    else:
        choices = _nothing_to_buy(choices, cleared)
    usable = _essential_first([choice for choice in choices.values() if choice.role in USABLE])
    later = [choice for choice in choices.values() if choice.role is Role.LATER]
    later.sort(key=lambda choice: (-seen[choice.tool].essential, -seen[choice.tool].right))
    avoid = sorted((c for c in choices.values() if c.role is Role.AVOID), key=lambda choice: choice.rank)
    policy = rule_file()["policy"]
    others = (*later[: policy["most_later"]], *avoid[: policy["most_avoided"]])
    return [(choice, order) for order, choice in enumerate(usable, start=1)] + [(choice, None) for choice in others]


def _essential_first(usable: list[_Choice]) -> list[_Choice]:
    """By rank in the order of work, but what the dog needs leads what only helps."""
    usable.sort(key=lambda choice: choice.rank)
    first = next((choice for choice in usable if choice.role is Role.ESSENTIAL), None)
    return _brushes_together(usable if first is None else [first, *(one for one in usable if one is not first)])


def _brushes_together(ordered: list[_Choice]) -> list[_Choice]:
    """The same order, in which a tool that drags out coat stands before all brushes or behind them.

    Between two of them it would drag at what only the next one opens.
    """
    brushes = [place for place, one in enumerate(ordered) if _opens_knots(one.tool) and BodyZone.TRUNK in one.zones]
    if not brushes:
        return ordered
    first, last = brushes[0], brushes[-1]
    middle = ordered[first : last + 1]
    dragging = [one for one in middle if _drags_out_coat(one.tool)]
    return [*ordered[:first], *(one for one in middle if one not in dragging), *dragging, *ordered[last + 1 :]]


def _drags_out_coat(tool: str) -> bool:
    return catalogue()[tool].job == "coat" and catalogue()[tool].drag != "gentle"


def _opens_knots(tool: str) -> bool:
    return catalogue()[tool].family in ("slicker", "pin_brush")


def _few(choices: Mapping[str, _Choice], dog: _Dog) -> dict[str, _Choice]:
    """The kit with no more helpful tools than most owners use.

    What waits for vet, groomer or training keeps its place, and a knot opens no other part of the dog to a tool: so
    trouble brings nothing in but what the knot itself asks for.
    """
    most: int = rule_file()["policy"]["most_in_use"]
    wanted = [choice for choice in choices.values() if choice.role in USABLE or choice.closed is not None]
    needed = [choice for choice in wanted if _needed(choice, dog)]
    extras = sorted((choice for choice in wanted if choice not in needed), key=lambda one: _helps_most(one, dog))
    everyday = [choice for choice in extras if _rules(choice, dog, knots=False)][: max(most - len(needed), 0)]
    knots = [_only_at_knots(choice, dog) for choice in extras if choice not in everyday and choice.closed is None]
    knots = [choice for choice in knots if choice.zones]
    essential = [choice for choice in knots if choice.role is Role.ESSENTIAL]
    helpful = [*(choice for choice in knots if choice.role is Role.HELPFUL), *everyday]
    kept = [*needed, *essential, *helpful[: max(most - len(needed) - len(essential), 0)]]
    others = [choice for choice in choices.values() if choice.role not in USABLE]
    return {choice.tool: choice for choice in (*others, *kept)}


def _rules(choice: _Choice, dog: _Dog, *, knots: bool) -> tuple[ToolRule, ...]:
    """The rules of a choice that are about knots only, or those that are not."""
    wanted = dog.as_likely[choice.tool].wanted
    return tuple(rule for rule in wanted if rule.id in choice.rules and rule.only_matted_zones is knots)


def _needed(choice: _Choice, dog: _Dog) -> bool:
    view, everyday = dog.as_likely[choice.tool], _rules(choice, dog, knots=False)
    role = Role.ESSENTIAL if choice.closed is not None and view.essential >= view.cells else choice.role
    needed = any(rule.role is Role.ESSENTIAL for rule in everyday)
    return UNCERTAIN in choice.rules or (role is Role.ESSENTIAL and needed)


def _helps_most(choice: _Choice, dog: _Dog) -> tuple[float, int]:
    """By the share of the coats that need it every day, then as the rules rank what only helps."""
    ranks: list[str] = rule_file()["policy"]["helps_most"]
    needed = any(rule.role is Role.ESSENTIAL for rule in _rules(choice, dog, knots=False))
    share = dog.as_likely[choice.tool].essential if needed else 0.0
    return -share, ranks.index(choice.tool) if choice.tool in ranks else len(ranks)


def _only_at_knots(choice: _Choice, dog: _Dog) -> _Choice:
    """The same choice for the knots that ask for it, and nowhere else."""
    rules = _rules(choice, dog, knots=True)
    there = replace(dog.as_likely[choice.tool], wanted=rules)
    return replace(
        choice,
        rules=tuple(rule.id for rule in rules),
        zones=frozenset().union(*(_places(rule, dog) for rule in rules)),
        why=lambda language: right_sentence(there, dog.likely, language),
    )


def _small(choice: _Choice, choices: Mapping[str, _Choice], seen: Mapping[str, ToolView], dog: _Dog) -> _Choice:
    """The same choice; put off where only one of several likely coats wants it and the kit has what they share.

    Nobody should buy a tool for each coat that a dog may have: what they share will do until hands have told. One that
    is wanted for a knot stays at the knot: a tangle in one place lets no firmer tool into another.
    """
    possible, view = dog.likely.categories, dog.as_likely[choice.tool]
    job = catalogue()[choice.tool].job
    if choice.role not in USABLE or UNCERTAIN in choice.rules or job not in ("brush", "comb", "coat"):
        return choice
    shared = {
        catalogue()[tool].job
        for tool, one in choices.items()
        if tool != choice.tool and one.role is Role.ESSENTIAL and BodyZone.TRUNK in one.zones
    }
    if len(dog.doubted) == 1 or ("comb" if job == "comb" else "brush") not in shared:
        return choice
    if choice.role is Role.HELPFUL and not dog.doubted <= {category for category, _ in seen[choice.tool].right_cells}:
        return _unsure(choice.tool, seen[choice.tool], dog.situation)
    if len(possible) == 1:
        return choice
    at_knots = _only_at_knots(choice, dog)
    return choice if not at_knots.zones or view.everyday >= view.cells - _ROUNDING else at_knots


def _nothing_to_buy(choices: Mapping[str, _Choice], cleared: Triage) -> dict[str, _Choice]:
    """The rest of a kit while nothing should be bought; for a coat that comes off or takes no tool, only warnings."""
    if cleared.comes_off or toolless(cleared):
        return {tool: choice for tool, choice in choices.items() if choice.role is Role.AVOID or _of_mats(choice)}
    by = cleared.shopping.rules[0]
    return {tool: _put_off(choice, lambda: by) if choice.role in USABLE else choice for tool, choice in choices.items()}


def _of_mats(choice: _Choice) -> bool:
    return choice.role is Role.LATER and choice.rules == ("tight-mats-no-dematting",)


def _item(choice: _Choice, order: int | None, language: str) -> KitItem:
    why, rules = choice.why(language), choice.rules
    if choice.closed is not None:
        by = choice.closed()
        why, rules = triage_sentence(by, language), (by, *rules)
    return KitItem(
        tool=choice.tool,
        name=tool_name(choice.tool, language=language),
        role=choice.role,
        zones=tuple(zone for zone in ZONES if zone in choice.zones),
        order=order,
        why=why,
        rule=rules,
        specification=catalogue()[choice.tool].specification,
    )


def _choose(tool: str, view: ToolView, dog: _Dog) -> _Choice | None:
    """The role of one tool, None if it has none."""
    if view.harm.harm.forbids:
        return _forbidden(tool, view, dog)
    likely = dog.as_likely[tool]
    if likely.wanted and _enough(likely.right, likely):
        knots = any(rule.only_matted_zones for rule in likely.wanted)
        return _usable(tool, likely, dog) if knots or _for_every_day(likely) else _unsure(tool, likely, dog.likely)
    if view.essential or (view.wanted and _enough(view.right, view)):
        return _unsure(tool, view, dog.situation)
    if view.put_off:
        return _by_rule(tool, Role.LATER, view.put_off[0])
    return None if view.wanted else _avoid(tool, view)


def _for_every_day(view: ToolView) -> bool:
    """Whether a tool may be bought for more than knots, and nobody has to look for undercoat first."""
    return _enough(view.everyday, view) and not view.only_over


def _unsure(tool: str, view: ToolView, situation: CoatSituation) -> _Choice:
    """A tool that waits for hands, or for somebody who parts the hair."""
    if view.only_over and len(situation.categories) == 1:
        return _later(tool, view, lambda language: undercoat_sentence(view, language))
    return _later(tool, view, lambda language: unsure_sentence(view, situation, language))


def _enough(share: float, view: ToolView) -> bool:
    """Whether a tool is right for so many of the coats that it was seen over that it may be recommended."""
    least: float = rule_file()["policy"]["share_of_possible_coats"]
    return share >= least * view.cells - _ROUNDING


def _forbidden(tool: str, view: ToolView, dog: _Dog) -> _Choice | None:
    """A tool that harms a possible coat: it waits if others want it. A stop of the triage is told first."""
    if view.harmful >= view.cells - _ROUNDING and not view.unwanted and view.wanted:
        # Whichever coat it is: there is nothing to wait for.
        rules = tuple(rule.id for rule in view.wanted)
        return _Choice(tool, Role.AVOID, rules, view.order, lambda language: harm_sentence(view.harm, language))
    if not view.essential and (view.unwanted or not view.wanted):
        return _avoid(tool, view)
    waits = _later(tool, view, lambda language: later_sentence(view, language))
    return waits if dog.allowed[tool] else _put_off(waits, _closed(tool, view, dog))


def _later(tool: str, view: ToolView, why: Callable[[str], str]) -> _Choice:
    return _Choice(tool, Role.LATER, tuple(rule.id for rule in view.wanted), view.order, why)


def _avoid(tool: str, view: ToolView) -> _Choice | None:
    return _by_rule(tool, Role.AVOID, min(view.unwanted, key=lambda rule: rule.order)) if view.unwanted else None


def _by_rule(tool: str, role: Role, rule: ToolRule) -> _Choice:
    return _Choice(tool, role, (rule.id,), rule.order, lambda language: rule_sentence(rule, language))


# --- where a tool may go -------------------------------------------------------------------------------------------


def _usable(tool: str, view: ToolView, dog: _Dog) -> _Choice | None:
    """A wanted tool in its cleared zones; put off where none is cleared, None where the dog has none of its zones."""
    if not _for_every_day(view):
        view = replace(view, wanted=tuple(rule for rule in view.wanted if rule.only_matted_zones))
    places = [_places(rule, dog) for rule in view.wanted]
    placed = tuple(rule for rule, zones in zip(view.wanted, places, strict=True) if zones)
    right = replace(view, wanted=placed) if 0 < len(placed) < len(view.wanted) else view
    choice = _Choice(
        tool=tool,
        role=Role.ESSENTIAL if view.essential >= view.cells else Role.HELPFUL,
        rules=tuple(rule.id for rule in right.wanted),
        rank=right.order,
        why=lambda language: right_sentence(right, dog.likely, language),
        zones=frozenset().union(*places),
    )
    if choice.zones:
        return choice
    had = dog.having & view.zones or any(rule.only_matted_zones for rule in view.wanted)
    return _put_off(choice, _closed(tool, view, dog)) if had else None


def _places(rule: ToolRule, dog: _Dog) -> frozenset[BodyZone]:
    if rule.only_matted_zones:
        return _knotted(rule, dog.situation) & dog.knots & dog.allowed[rule.tool]
    return dog.allowed[rule.tool].intersection(rule.zones)


def _knotted(rule: ToolRule, situation: CoatSituation) -> frozenset[BodyZone]:
    return frozenset(zone for zone, state in situation.mats.items() if state in rule.mats)


def _closed(tool: str, view: ToolView, dog: _Dog) -> Callable[[], str]:
    """How to find the first triage rule that keeps a tool from its zones: vet before groomer before owner."""

    def first() -> str:
        zones, kind = dog.having & view.zones, catalogue()[tool]
        knotted = frozenset().union(*(_knotted(rule, dog.situation) for rule in view.wanted if rule.only_matted_zones))
        where = zones or knotted or dog.having
        return closed_by(dog.situation, where, kind.drag, comb=kind.combs, knots=bool(knotted and not zones))[0]

    return first


def _put_off(choice: _Choice, closed: Callable[[], str]) -> _Choice:
    """A tool that waits until the triage clears it."""
    return replace(choice, role=Role.LATER, zones=frozenset(), closed=closed)


# --- uncertain coats -----------------------------------------------------------------------------------------------


def _promote(job: str, choices: dict[str, _Choice], seen: Mapping[str, ToolView], dog: _Dog) -> None:
    """Where no tool of a job is right for every possible coat and may be used, name the nearest that harms none."""
    of_job = [tool for tool in seen if catalogue()[tool].job == job]
    likely = dog.as_likely
    needed = any(likely[tool].essential or (job == "brush" and likely[tool].wanted) for tool in of_job)
    there = [tool for tool in of_job if tool in choices and BodyZone.TRUNK in likely[tool].zones]
    done = (choices[tool].role is Role.ESSENTIAL and _brushes_the_coat(choices[tool], likely[tool], dog)
            for tool in there)  # fmt: skip
    if not needed or bare(dog.situation) or any(done):
        return
    free = {tool: dog.allowed[tool].intersection(zone_group("all_over")) for tool in of_job}
    safe = [tool for tool in of_job if free[tool] and not seen[tool].harm.harm.forbids]
    if not safe:
        return
    helpful = {tool for tool in there if choices[tool].role is Role.HELPFUL}
    best = max(safe, key=lambda tool: _nearness(tool, seen[tool], likely[tool], tool in helpful))
    view = likely[best]
    waiting = any(choices[tool].closed is not None for tool in there)
    key = "stand_in" if waiting or seen[best].cells == 1 else "uncertain"
    chosen = _Choice(
        tool=best,
        role=Role.ESSENTIAL,
        rules=(*(rule.id for rule in view.wanted), UNCERTAIN),
        rank=view.order if view.wanted else _STAND_IN_RANK,
        why=lambda language: message(language, key, what=describe(best, language=language)),
        zones=free[best],
    )
    if best in helpful:
        own = choices[best]
        chosen = replace(chosen, zones=own.zones, rank=own.rank, why=chosen.why if waiting else own.why)
    choices[best] = chosen


def _brushes_the_coat(choice: _Choice, view: ToolView, dog: _Dog) -> bool:
    """Whether a needed tool goes over the body, and not only at a knot, whichever coat it is."""
    trunk = BodyZone.TRUNK
    if trunk not in choice.zones:
        return trunk not in dog.allowed[choice.tool]
    return len(dog.likely.categories) == 1 or view.everyday >= view.cells - _ROUNDING


def _nearness(tool: str, view: ToolView, likely: ToolView, helpful: bool) -> tuple[float, ...]:
    """How well a harmless tool substitutes, higher is better; ties go to the first in the catalogue."""
    for_all = helpful and likely.everyday >= likely.cells - _ROUNDING
    gentle = catalogue()[tool].drag == "gentle"
    return (
        for_all,
        gentle,
        helpful,
        likely.essential,
        likely.right,
        view.right,
        view.harmless,
        view.harm.harm is Harm.NONE,
    )


# --- why not the other brush ---------------------------------------------------------------------------------------


def why_not(tool: str, situation: CoatSituation, cleared: Triage, *, language: str = "en") -> str:
    """Why a tool of the catalogue is not in the kit, or why it is.

    Raises:
        InputError: if the catalogue has no such tool.
    """
    if tool not in catalogue():
        raise InputError(tool, "is no tool of the catalogue.", f"Choose one of {', '.join(catalogue())}.")
    kit = recommend(situation, cleared, language=language)
    item = next((item for item in kit if item.tool == tool), None)
    if item is not None and item.role in USABLE:
        return message(language, "why_in_kit", why=item.why)
    if item is not None and item.role is Role.LATER:
        return message(language, "why_later", why=item.why)
    if said := _no_tool_fits(situation, cleared, language):
        return said
    view = views(situation, cleared)[tool]
    if view.harm.harm is Harm.NONE:
        if _enough(view.right, view) and not closing(tool, cleared) and _full(kit):
            return message(language, "why_enough", why=right_sentence(view, situation, language))
        return _not_needed(tool, kit, cleared, language)
    coat = coat_phrase(view.harmed, language, texture=view.harm_varies)
    key = "why_harm" if view.harm.harm.forbids else "why_useless"
    return message(language, key, coat=coat, harm=harm_sentence(view.harm, language))


def _no_tool_fits(situation: CoatSituation, cleared: Triage, language: str) -> str:
    """Why no tool is for this dog, whichever it is; empty where some are."""
    if rule := toolless(cleared):
        return triage_sentence(rule, language)
    return message(language, "why_bare") if bare(situation) else ""


def _full(kit: Iterable[KitItem]) -> bool:
    """Whether a kit has as many tools as most owners use."""
    most: int = rule_file()["policy"]["most_in_use"]
    return sum(item.role in USABLE for item in kit) >= most


def _not_needed(tool: str, kit: Iterable[KitItem], cleared: Triage, language: str) -> str:
    by = closing(tool, cleared)
    if by:
        return message(language, "why_later", why=triage_sentence(by, language))
    usable = [item for item in kit if item.role in USABLE]
    same = [item for item in usable if catalogue()[item.tool].job == catalogue()[tool].job]
    others = same or [item for item in usable if item.role is Role.ESSENTIAL]
    names = texts(language).joined(texts(language).tool(item.tool, inside=True) for item in others)
    return message(language, "why_not_needed", others=names)


def closing(tool: str, cleared: Triage) -> str:
    """The triage rule that keeps a tool from the whole dog, empty if none does."""
    if not cleared.shopping.open:
        return cleared.shopping.rules[0]
    kind = catalogue()[tool]
    if cleared.cleared(kind.drag, comb=kind.combs) or not cleared.zones:
        return ""
    return cleared.zones[0].rules[0]
