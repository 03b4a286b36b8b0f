"""The recommender: from a situation to the kit. Pure: the same situation gives the same kit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from coatclass.contract import CoatSituation, KitItem, Role
from coatclass.taxonomy import BodyZone
from coatclass.toolkit._coats import blocked_zones, demotions_of, matted_zones
from coatclass.toolkit._data import catalogue, message, rule_file, texts, zone_group
from coatclass.toolkit._model import Demotion, Harm
from coatclass.toolkit._views import View, views
from coatclass.toolkit._words import later_sentence, right_sentence, rule_sentence, unsure_sentence

UNCERTAIN = "uncertain-coat"
BLOCKED = "tight-zones-groomer-first"
THIN_SKIN = "mats-on-thin-skin"
_ROUNDING = 1e-9  # shares are sums of thirds and halves


@dataclass(frozen=True)
class _Choice:
    """A tool with the role it is going to have, before it is put into words."""

    tool: str
    role: Role
    zones: frozenset[BodyZone]
    why: str
    rules: tuple[str, ...]
    rank: int


def recommend(situation: CoatSituation, *, language: str = "en") -> tuple[KitItem, ...]:
    """The kit for this dog: what is right or harmless for every coat that it may have.

    Essential and helpful tools come first, in their order of work (1, 2, ...), then what waits for the groomer, then
    what to leave in the shop. A tool has one role. No tool above *ineffective* in the harm table for any coat still
    possible is ever essential or helpful.

    Args:
        situation: what is still possible and what is known; no category means any category.
        language: ``en`` or ``de``.
    """
    seen = views(situation)
    choices = {tool: choice for tool in seen if (choice := _choose(tool, seen[tool], situation, language))}
    for job in ("brush", "comb"):
        _promote(job, choices, seen, situation, language)
    usable = sorted(
        (choice for choice in choices.values() if choice.role in (Role.ESSENTIAL, Role.HELPFUL)),
        key=lambda choice: choice.rank,
    )
    later = [choice for choice in choices.values() if choice.role is Role.LATER]
    later = sorted(later, key=lambda choice: (-seen[choice.tool].essential, -seen[choice.tool].right))
    avoid = sorted((c for c in choices.values() if c.role is Role.AVOID), key=lambda choice: choice.rank)
    policy = rule_file()["policy"]
    others = (*later[: policy["most_later"]], *avoid[: policy["most_avoided"]])
    items = [_item(choice, order, language) for order, choice in enumerate(usable, start=1)]
    return tuple(items + [_item(choice, None, language) for choice in others])


def _item(choice: _Choice, order: int | None, language: str) -> KitItem:
    return KitItem(
        tool=choice.tool,
        name=texts(language).tool(choice.tool),
        role=choice.role,
        zones=tuple(zone for zone in BodyZone if zone in choice.zones),
        order=order,
        why=choice.why,
        rule=choice.rules,
        specification=catalogue()[choice.tool].specification,
    )


def _choose(tool: str, view: View, situation: CoatSituation, language: str) -> _Choice | None:
    """The role of one tool, None if it plays none."""
    if view.harm.harm.forbids:
        return _forbidden(tool, view, language)
    enough = rule_file()["policy"]["share_of_possible_coats"] * view.cells
    if view.wanted and view.right >= enough - _ROUNDING:
        return _usable(tool, view, situation, language)
    if view.essential:
        return _later(tool, view, unsure_sentence(view, situation, language))
    if view.put_off:
        rule = view.put_off[0]
        return _Choice(tool, Role.LATER, frozenset(rule.zones), rule_sentence(rule, language), (rule.id,), rule.order)
    return None if view.wanted else _avoid(tool, view, language)


def _forbidden(tool: str, view: View, language: str) -> _Choice | None:
    if view.essential or (view.wanted and not view.unwanted):
        return _later(tool, view, later_sentence(view, language))
    return _avoid(tool, view, language)


def _later(tool: str, view: View, why: str) -> _Choice:
    return _Choice(tool, Role.LATER, view.zones, why, tuple(rule.id for rule in view.wanted), view.order)


def _avoid(tool: str, view: View, language: str) -> _Choice | None:
    if not view.unwanted:
        return None
    rule = min(view.unwanted, key=lambda unwanted: unwanted.order)
    return _Choice(tool, Role.AVOID, frozenset(), rule_sentence(rule, language), (rule.id,), rule.order)


def _usable(tool: str, view: View, situation: CoatSituation, language: str) -> _Choice:
    role = Role.ESSENTIAL if view.essential >= view.cells else Role.HELPFUL
    wanted = view.zones | (frozenset(matted_zones(situation)) if view.for_mats else frozenset())
    zones = wanted - blocked_zones(situation)
    choice = _Choice(
        tool, role, zones, right_sentence(view, situation, language), tuple(r.id for r in view.wanted), view.order
    )
    demotion = _demotion(tool, situation)
    if demotion is not None:
        return _put_off(choice, demotion.id, language)
    if not zones:
        return _put_off(replace(choice, zones=wanted), BLOCKED if wanted else THIN_SKIN, language)
    return choice


def _demotion(tool: str, situation: CoatSituation) -> Demotion | None:
    drag = catalogue()[tool].drag
    return next((demotion for demotion in demotions_of(situation) if drag in demotion.drags), None)


def _put_off(choice: _Choice, reason: str, language: str) -> _Choice:
    why = f"{texts(language).say(f'demotion.{reason}')} {choice.why}"
    return replace(choice, role=Role.LATER, why=why, rules=(reason, *choice.rules))


def _promote(
    job: str, choices: dict[str, _Choice], seen: Mapping[str, View], situation: CoatSituation, language: str
) -> None:
    """Where no tool of a job is right for every possible coat, name the one that comes nearest and harms none."""
    needed = any(
        view.essential or (job == "brush" and view.wanted)
        for tool, view in seen.items()
        if catalogue()[tool].job == job
    )
    has = any(
        choice.role is Role.ESSENTIAL and catalogue()[tool].job == job and BodyZone.TRUNK in seen[tool].zones
        for tool, choice in choices.items()
    )
    if has or not needed:
        return
    safe = [
        tool
        for tool, view in seen.items()
        if catalogue()[tool].job == job and not view.harm.harm.forbids and _demotion(tool, situation) is None
    ]
    best = max(safe, key=lambda tool: _nearness(tool, seen[tool], choices))
    chosen = choices.get(best)
    if chosen is not None and chosen.role is Role.HELPFUL and BodyZone.TRUNK in seen[best].zones:
        choices[best] = replace(chosen, role=Role.ESSENTIAL, rules=(*chosen.rules, UNCERTAIN))
        return
    view = seen[best]
    free = frozenset(zone_group("all_over")) - blocked_zones(situation)
    key = "uncertain" if free else "afterwards"
    why = message(language, key, what=texts(language).say(f"tool.{best}.plain"))
    rules = (*(rule.id for rule in view.wanted), UNCERTAIN)
    choice = _Choice(best, Role.ESSENTIAL, free, why, rules, view.order if view.wanted else 50)
    choices[best] = choice if free else _put_off(choice, BLOCKED, language)


def _nearness(tool: str, view: View, choices: Mapping[str, _Choice]) -> tuple[float, ...]:
    """How well a harmless tool stands in, best highest; ties go to the first of the catalogue."""
    chosen = choices.get(tool)
    helpful = chosen is not None and chosen.role is Role.HELPFUL and BodyZone.TRUNK in view.zones
    for_all = helpful and view.right >= view.cells - _ROUNDING
    gentle = catalogue()[tool].drag == "gentle"
    return (for_all, gentle, helpful, view.essential, view.right, view.harmless, view.harm.harm is Harm.NONE)
