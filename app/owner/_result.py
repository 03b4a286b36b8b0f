"""What the result says: the assessment and the care plan turned into words and pictures for an owner."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from app.design import bars, growth_curve, length_picture, load_list, outline, time_curve
from app.owner import _dog as owners
from coatclass import toolkit
from coatclass.care import RISK_ZONES, CarePlan, Event
from coatclass.contract import Assessment, CoatSituation, KitItem, Role, Verdict
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone
from coatclass.words import Catalogue, catalogue

_LEVELS = {"low": 1, "moderate": 2, "high": 3}
_STOPPING = (Verdict.NOT_A_DOG, Verdict.UNUSABLE_PHOTO)


@dataclass(frozen=True)
class ToolView:
    """A tool of the kit as the page shows it."""

    item: KitItem
    zones: str
    specification: tuple[str, ...]


def result_values(state: Any, of: owners.OwnersDog, assessment: Assessment, *, language: str = "en") -> dict[str, Any]:
    """Everything that ``result.html`` needs."""
    say = catalogue(language, "owner")
    language = say.language
    at = owners.situation(of, assessment)
    plan = owners.plan(of, assessment, language=language)
    return {
        "assessment": assessment,
        "title": _title(of, assessment, say),
        "sentence": _of_ten(assessment, say),
        "length": _length(of, assessment, say),
        "photos": list(zip(of.photos, assessment.photos, strict=True)),
        "pictures": _pictures(assessment, say),
        "groups": _groups(assessment, at, say, language),
        "first_buy": next(iter(toolkit.shopping_list(assessment.kit, of.answers.owned_tools or ())), None),
        "owned": _owned(of, at, language),
        "others": _others(assessment, at, language),
        "plan": plan,
        "load": _load(plan, say),
        "growth": growth_curve(plan.growth, title=say.say("result.growth_title")) if plan else None,
        "time": _time(plan, say),
        "places": _places(plan, say),
        "dates": _dates(plan, say),
        "days": int(state.settings.limits["link"]["days"]),
        "between": _coats(assessment.category.set, say) if assessment.category else "",
        "stopping": assessment.verdict in _STOPPING or assessment.category is None,
    }


def _coats(categories: Iterable[str], say: Catalogue) -> str:
    return say.either(say.coat(one, phrase=True) for one in categories)


def _bands(bands: Iterable[str], say: Catalogue) -> str:
    return say.either(map(say.band, bands))


def _title(of: owners.OwnersDog, assessment: Assessment, say: Catalogue) -> str:
    found = assessment.category
    if found is None:
        return say.say("result.title_unusable_photo")
    coat, coats = say.coat(found.best, phrase=True), say.either(map(say.coat, found.set))
    return say.say(f"result.title_{assessment.verdict}", dog=of.name, coat=coat, n=len(found.set), coats=coats)


def _of_ten(assessment: Assessment, say: Catalogue) -> str:
    """The best category's probability in words: so many in ten."""
    found = assessment.category
    if found is None:
        return ""
    if assessment.regime == "hands_on":
        return say.say("result.found_by_hand")
    like = say.say(f"result.like_{assessment.regime}")
    share, coat = found.probabilities[found.best], say.coat(found.best, phrase=True)
    if share >= 0.95:
        return say.say("result.of_ten_most", like=like, coat=coat)
    key = "of_ten" if share >= 0.5 else "of_ten_fewer"
    return say.say(f"result.{key}", n=max(1, min(9, round(10 * share))), like=like, coat=coat)


def _length(of: owners.OwnersDog, assessment: Assessment, say: Catalogue) -> str:
    measured = of.finding.trunk_mm if of.finding and of.finding.trunk_mm else of.answers.measured_mm
    if measured is not None:
        return say.say("result.length_measured", mm=say.mm(measured))
    if assessment.length_band is None:
        return ""
    return say.say("result.length", bands=_bands(assessment.length_band.set, say))


def _pictures(assessment: Assessment, say: Catalogue) -> dict[str, Any]:
    coat, band = assessment.category, assessment.length_band
    if coat is None or band is None:
        return {}
    names = _bands(band.set, say)
    return {
        "coats": bars(
            [(say.title(say.coat(one)), coat.probabilities[one], one in coat.set) for one in CATEGORIES],
            caption=say.say("result.category_caption"),
        ),
        "bands": bars(
            [(say.band(one), band.probabilities[one], one in band.set) for one in BANDS],
            caption=say.say("result.band_caption"),
        ),
        "lengths": length_picture(band.set, title=say.say("result.lengths_title", bands=names)),
    }


# --- tools ----------------------------------------------------------------------------------------------------------


def _groups(
    assessment: Assessment, at: CoatSituation | None, say: Catalogue, language: str
) -> list[tuple[Role, list[ToolView]]]:
    """The kit by role, in the order of work."""
    groups = []
    for role in (Role.ESSENTIAL, Role.HELPFUL, Role.LATER, Role.AVOID):
        items = [_tool(item, say, language) for item in assessment.kit if item.role is role]
        if items:
            groups.append((role, items))
    return groups


def _tool(item: KitItem, say: Catalogue, language: str) -> ToolView:
    words = toolkit.specification_words(item.specification, language=language)
    return ToolView(item, say.zones(item.zones or BodyZone), tuple(words) if not isinstance(words, str) else (words,))


def _owned(of: owners.OwnersDog, at: CoatSituation | None, language: str) -> list[tuple[str, Any]]:
    if at is None:
        return []
    return [(tool.kind, toolkit.judge_owned(tool, at, language=language)) for tool in of.answers.owned_tools or ()]


def _others(assessment: Assessment, at: CoatSituation | None, language: str) -> list[tuple[str, str, str]]:
    """Tools that are not in the kit: (id, name, why not)."""
    if at is None:
        return []
    shown = {item.tool for item in assessment.kit}
    return [
        (tool, toolkit.tool_name(tool, language=language), toolkit.why_not(tool, at, language=language))
        for tool in toolkit.catalogue()
        if tool not in shown
    ]


# --- the plan -------------------------------------------------------------------------------------------------------


def _load(plan: CarePlan | None, say: Catalogue) -> dict[str, Any]:
    if plan is None:
        return {}
    risky = [one for one in plan.load if one.zone in RISK_ZONES]
    levels = {one.zone: _LEVELS[one.level] for one in risky}
    words = {value: say.word("risk", level) for level, value in _LEVELS.items()}
    rows = [(say.title(say.zone(one.zone)), say.word("risk", one.level), one.score) for one in risky]
    return {
        "outline": outline(levels, title=say.say("result.load_title"), words=words),
        "table": load_list(rows, caption=say.say("result.load_caption")),
    }


def _time(plan: CarePlan | None, say: Catalogue) -> Any:
    """Minutes a week against length, once the dog's weight is known."""
    if plan is None or plan.time is None or not plan.time.curve:
        return None
    return time_curve(plan.time, title=say.say("result.time_title"), given=say.say("result.time_given"))


def _places(plan: CarePlan | None, say: Catalogue) -> list[tuple[str, str, str]]:
    """(zones, how often, why)."""
    if plan is None:
        return []
    return [
        (say.title(say.zones(one.zones or BodyZone)), say.often(one.times_per_week), say.title(one.why))
        for one in plan.routine.zones
    ]


def _dates(plan: CarePlan | None, say: Catalogue) -> list[tuple[str, str]]:
    """(when, what), in order."""
    if plan is None:
        return []
    return [(_when(event, say), _what(event, say)) for event in plan.events]


def _when(event: Event, say: Catalogue) -> str:
    day = say.day(event.start)
    if not event.weekdays:
        return day
    if event.every_weeks == 1:
        return say.say("events.weekly", day=day)
    return say.say("events.every", n=event.every_weeks, day=day)


def _what(event: Event, say: Catalogue) -> str:
    return say.say(f"events.{event.kind}", mm=say.mm(event.crossing.mm) if event.crossing else "")
