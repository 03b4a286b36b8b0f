"""From what is known of one dog to its plan: triage first, then everything that is advised, phase by phase. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from coatclass import care, toolkit
from coatclass.contract import (
    Ask,
    Caution,
    ClipRung,
    CoatSituation,
    Guard,
    KitItem,
    LengthAdvice,
    PlanChange,
    Role,
    Routine,
    TrainingStep,
    Triage,
    Week,
    Who,
)
from coatclass.taxonomy import ZONES, BodyZone, CoatCategory, LengthBand
from coatclass.triage import Rule, after_visit, rules, triage, zones_of
from coatclass.words import catalogue

__all__ = ["Advice", "Phase", "PhaseName", "Plan", "advise", "as_today", "plan", "tools_by_coat"]

PhaseName = Literal["now", "after", "grown"]
ToolsByCoat = Callable[[frozenset[CoatCategory], frozenset[LengthBand]], frozenset[tuple[str, Role]]]


@dataclass(frozen=True)
class Phase:
    """What to do in one phase of the plan, for the dog as it is (or will be) then.

    Attributes:
        name: now; after (the visit to vet or groomer, or the training); grown (a puppy as an adult).
        situation, triage: the dog then, and what may be done with it.
        kit: tools for it; empty where nothing is to be bought yet, but for what to leave in the shop.
        routine: steps, zones and bath; only in cleared zones.
        week: how often; None while there are no sittings.
        training: getting used to the brush, in seconds; empty if the dog needs none.
        load: mat risk by zone; time: minutes a week, None without a weight; length: which length goes with it.
    """

    name: PhaseName
    situation: CoatSituation
    triage: Triage
    kit: tuple[KitItem, ...]
    routine: Routine
    week: Week | None
    training: tuple[TrainingStep, ...]
    load: tuple[care.ZoneLoad, ...]
    time: care.TimeBudget | None
    length: LengthAdvice | None

    @property
    def trains_first(self) -> bool:
        """Whether the training comes before any brushing, and not beside it as a pup's does."""
        return bool(self.training) and care.CANNOT_BEAR in self.triage.rules


@dataclass(frozen=True)
class Plan:
    """The whole plan of one dog in one language; presenters show it and compute nothing.

    Attributes:
        today: the day of the plan.
        now: what is safe at once.
        visit: what to tell or ask vet and groomer, the vet first; empty if nobody has to see the dog.
        after: kit and routine for the dog after the visit or the training; None if ``now`` already is the whole plan.
        grown: a puppy's kit and routine as an adult; None for a grown dog.
        cautions: warnings and stop rules.
        growth: where the length is going; doubts: questions about measurements, as sentences.
        events: what goes into the calendar.
        changes: what the last technique check changes; clips: the visits of the weeks to come and their lengths.
        cut_on: the day of the booked visit if that brings the next trim.
    """

    language: str
    today: date
    now: Phase
    visit: tuple[Ask, ...]
    after: Phase | None
    grown: Phase | None
    cautions: tuple[Caution, ...]
    growth: care.Growth
    doubts: tuple[str, ...]
    events: tuple[care.Event, ...]
    changes: tuple[PlanChange, ...] = ()
    clips: tuple[ClipRung, ...] = ()
    cut_on: date | None = None

    @property
    def routine_phase(self) -> Phase:
        """The phase whose kit and routine the dog will live with: now, or after where now only waits."""
        return self.after or self.now


@dataclass(frozen=True)
class Advice:
    """The part of a plan that needs no dates, as an assessment shows it."""

    now: Phase
    visit: tuple[Ask, ...]
    after: Phase | None
    grown: Phase | None
    cautions: tuple[Caution, ...]
    changes: tuple[PlanChange, ...] = ()


def plan(
    situation: CoatSituation,
    *,
    today: date,
    measurements: Sequence[care.DatedLength] = (),
    trims: Sequence[care.Trim] = (),
    full_length_mm: float | None = None,
    keeps_growing: bool | None = None,
    kit: Sequence[KitItem] | None = None,
    guards: Sequence[Guard] = (),
    visit_weeks: float | None = None,
    booked: care.Booked | None = None,
    here: bool = False,
    language: str = "en",
) -> Plan:
    """The plan of one dog. The same arguments give the same plan.

    Args:
        situation: what is known of the dog and still possible.
        today: the day of the plan.
        measurements, trims: dated lengths and cuts of this dog.
        full_length_mm: the dog's own untrimmed trunk length, mm.
        keeps_growing: whether the coat grows on when not cut; by the coat if None.
        kit: a groomer's own choice instead of the recommended tools; it is held to the same triage.
        guards: combs and guards of the salon's clippers, for the lengths of the visits to come.
        visit_weeks: weeks between the dog's visits; the usual ones if None.
        booked: the next visit that was agreed on.
        here: the dog is at the salon today.
        language: one of :data:`coatclass.words.LANGUAGES`.

    Raises:
        InputError: for a language without texts, or a measurement, weight or date that can't be.
    """
    situation = _that_holds(situation, today)
    advice = advise(situation, kit=kit, language=language)
    now = advice.now
    growth = care.forecast(
        replace(now.situation, categories=situation.categories),
        today,
        measurements=measurements,
        trims=trims,
        full_length_mm=full_length_mm,
        keeps_growing=keeps_growing,
        target_mm=_next_trim_mm(situation, now),
        held=not (now.triage.growth.open and now.triage.session.open),
    )
    touch_up_minutes = now.time.touch_up_minutes if now.time else None
    coming = advice.after or now
    clips = care.clip_ladder(
        coming.situation,
        now.triage,
        coming.triage,
        growth,
        length=coming.length,
        budget=coming.time,
        guards=guards,
        visit_weeks=visit_weeks,
        booked=booked,
        here=here,
        language=language,
    )
    cut_on = care.cut_at(booked, clips)
    return Plan(
        language=language,
        today=today,
        now=now,
        visit=advice.visit,
        after=advice.after,
        grown=advice.grown,
        cautions=advice.cautions,
        growth=growth,
        doubts=tuple(care.doubt_words(doubt, language) for doubt in growth.doubts),
        events=care.events_of(
            situation,
            now.triage,
            now.week,
            growth,
            visit=advice.visit,
            touch_up_minutes=touch_up_minutes,
            training=now.training,
            booked=booked,
            cut_on=cut_on,
        ),
        changes=advice.changes,
        clips=clips,
        cut_on=cut_on,
    )


def _that_holds(situation: CoatSituation, today: date) -> CoatSituation:
    """The dog as its visits still speak of it, the oldest first."""
    notes = sorted(situation.notes, key=lambda note: note.on)
    return replace(situation, notes=care.notes_that_hold(notes, today))


def advise(
    situation: CoatSituation,
    *,
    today: date | None = None,
    kit: Sequence[KitItem] | None = None,
    language: str = "en",
) -> Advice:
    """What to do in each phase, what to ask at the visit, what to beware of.

    Args:
        situation: what is known of the dog and still possible.
        today: the day as of which old technique checks no longer speak; all of them do if None.
        kit: a groomer's own choice instead of the recommended tools; it is held to the same triage.
        language: one of :data:`coatclass.words.LANGUAGES`.

    Raises:
        InputError: for a language without texts, or a weight that can't be.
    """
    if today is not None:
        situation = _that_holds(situation, today)
    dog, found = as_today(situation)
    waits = found.first is not Who.OWNER or not found.session.open or found.comes_off or bool(found.left_alone)
    drafts: list[tuple[PhaseName, CoatSituation, Triage, Sequence[KitItem] | None]] = [("now", dog, found, kit)]
    if waits:
        drafts.append(("after", *as_today(after_visit(situation, found)), kit))
    if care.PUPPY in found.rules:
        adult = _grown(after_visit(situation, found))
        drafts.append(("grown", adult, triage(adult), None))
    kits = [_kit(at, cleared, chosen, language) for _, at, cleared, chosen in drafts]
    cautions = care.cautions(
        _whole(situation, dog), [item for one in kits for item in one], having=found.having, language=language
    )
    codes = frozenset(caution.code for caution in cautions)
    was_matted = any(rule.mats for rule in rules() if rule.id in found.growth.rules)
    phases = {
        name: _phase(
            name,
            at,
            cleared,
            tools,
            codes=codes,
            coming=None if name == "grown" else replace(at, categories=situation.categories),
            was_matted=(was_matted and name == "after") or care.kept_short(at.notes),
            answers_wish=name == "now" or found.comes_off,
            language=language,
        )
        for (name, at, cleared, _), tools in zip(drafts, kits, strict=True)
    }
    return Advice(
        now=phases["now"],
        visit=_visit(situation, found, language),
        after=phases.get("after"),
        grown=phases.get("grown"),
        cautions=cautions,
        changes=_changes(phases["now"], language),
    )


def _changes(now: Phase, language: str) -> tuple[PlanChange, ...]:
    """What the last technique check changes in the plan that holds now."""
    if not now.situation.notes:
        return ()
    before = care.unchecked(now.situation)
    risk = care.MatRisk(before)
    time = care.time_budget(before, now.triage, risk) if now.week else None
    week = care.week_of(before, now.triage, risk, time)
    return care.technique_changes(now.situation, now.triage, now.kit, week=now.week, before=week, language=language)


def as_today(situation: CoatSituation) -> tuple[CoatSituation, Triage]:
    """The dog in the coat that it wears today, a pup in its puppy coat, and what may be done with it.

    A pup's triage also looks at the coats that may come: a spitz is not clipped as a puppy either, and has no beard.
    """
    worn = _worn(situation)
    return worn, triage(_whole(situation, worn), having=zones_of(situation))


def _worn(situation: CoatSituation) -> CoatSituation:
    """The dog in the coat that it wears today; only one whose age is known can be a pup, which genetics knows."""
    if situation.age_months is None:
        return situation
    from coatclass.genetics import puppy_coat

    return puppy_coat(situation)


def _whole(situation: CoatSituation, worn: CoatSituation) -> CoatSituation:
    """The dog in every coat that it wears or will wear."""
    coming = situation.categories or frozenset(CoatCategory)
    return worn if coming <= worn.categories else replace(worn, categories=worn.categories | coming)


def tools_by_coat(situation: CoatSituation) -> ToolsByCoat:
    """A function that gives the tools of today's kit with their roles if the dog had one of these coats.

    For comparing many kits of one dog: the triage does not depend on the length and is done once for each set of coats.
    """
    cleared: dict[frozenset[CoatCategory], Triage] = {}

    def tools(categories: frozenset[CoatCategory], bands: frozenset[LengthBand]) -> frozenset[tuple[str, Role]]:
        dog = replace(situation, categories=categories, bands=bands)
        worn = _worn(dog)
        if categories not in cleared:
            cleared[categories] = triage(_whole(dog, worn), having=zones_of(dog))
        return toolkit.roles(worn, cleared[categories])

    return tools


def _grown(dog: CoatSituation) -> CoatSituation:
    """A puppy as an adult: its weight and its wishes for today's coat say nothing of that time."""
    return replace(dog, age_months=care.adult_months(), weight_kg=None, minutes_per_week=None, wished_length_mm=None,
                   notes=())  # fmt: skip


def _phase(
    name: PhaseName,
    dog: CoatSituation,
    cleared: Triage,
    kit: tuple[KitItem, ...],
    *,
    codes: frozenset[str],
    coming: CoatSituation | None,
    was_matted: bool,
    answers_wish: bool,
    language: str,
) -> Phase:
    risk = care.MatRisk(dog)
    time = care.time_budget(dog, cleared, risk) if cleared.session.open else None
    week = care.week_of(dog, cleared, risk, time)
    return Phase(
        name=name,
        situation=dog,
        triage=cleared,
        kit=kit,
        routine=care.routine(dog, cleared, kit, week, codes=codes, language=language),
        week=week,
        training=care.training(cleared, language),
        load=tuple(row for row in risk.today if row.zone in cleared.having),
        time=time if week else None,
        length=None
        if coming is None
        else care.length_advice(
            coming, cleared, time, was_matted=was_matted, answers_wish=answers_wish, language=language
        ),
    )


def _kit(dog: CoatSituation, cleared: Triage, chosen: Sequence[KitItem] | None, language: str) -> tuple[KitItem, ...]:
    """The tools for a phase, each only in zones that are cleared for it."""
    if chosen is None:
        return care.kit_after_check(toolkit.recommend(dog, cleared, language=language), dog, cleared, language)
    return tuple(_held_to(item, cleared) for item in chosen)


def _held_to(item: KitItem, cleared: Triage) -> KitItem:
    """A groomer's own tool in cleared zones only; for later where there is none or nothing is to be bought."""
    if item.role in (Role.LATER, Role.AVOID):
        return item
    tool = toolkit.catalogue().get(item.tool)
    drag, comb = (tool.drag, tool.job in ("comb", "detail")) if tool else ("strong", False)
    zones = (frozenset(item.zones) or cleared.having) & cleared.cleared(drag, comb=comb)
    if not zones or not cleared.shopping.open:
        return item.model_copy(update={"role": Role.LATER, "zones": (), "order": None})
    return item.model_copy(update={"zones": tuple(zone for zone in ZONES if zone in zones)})


def _visit(situation: CoatSituation, found: Triage, language: str) -> tuple[Ask, ...]:
    """What to tell or ask vet and groomer, the vet first, by the rules that send the dog there."""
    texts = catalogue(language, "triage")
    asks = [
        Ask(who=who, rule=rule.id, text=texts.say(f"ask.{rule.id}"), zones=_asked(rule, situation, found))
        for rule in rules()
        if rule.id in found.rules and (who := _sent_to(rule, found)) is not Who.OWNER and texts.has(f"ask.{rule.id}")
    ]
    told = [ask for ask in asks if not any(_says_it(other, ask, asks) for other in asks)]
    return tuple(sorted(told, key=lambda ask: ask.who is not Who.VET))


def _sent_to(rule: Rule, found: Triage) -> Who:
    """Who is asked: mats that an owner could work on are asked of whoever lets nobody brush now."""
    waits = rule.first is Who.OWNER and bool(rule.mats) and not found.session.open and not found.comes_off
    return found.session.first if waits else rule.first


def _says_it(other: Ask, ask: Ask, asks: Sequence[Ask]) -> bool:
    """Whether another ask already sends the same places to the groomer: mats are asked about once."""
    mats = {rule.id for rule in rules() if rule.mats}
    if other is ask or not {ask.rule, other.rule} <= mats or not set(ask.zones) <= set(other.zones):
        return False
    return (
        set(ask.zones) < set(other.zones)
        or _comes_off(other) > _comes_off(ask)
        or (_comes_off(other) == _comes_off(ask) and asks.index(other) < asks.index(ask))
    )


def _comes_off(ask: Ask) -> bool:
    return next(rule.comes_off for rule in rules() if rule.id == ask.rule)


def _asked(rule: Rule, situation: CoatSituation, found: Triage) -> tuple[BodyZone, ...]:
    """The zones that a rule is about; none where nobody said where, or where it is about the whole dog."""
    if rule.mats:
        matted = {one.zone for one in found.zones if rule.id in one.rules}
        zones = {zone for zone in matted if situation.mats.get(zone) in rule.mats}
    else:
        zones = set(rule.zones) | {zone for zone, trouble in situation.skin.items() if trouble == rule.skin}
    return tuple(zone for zone in ZONES if zone in zones)


def _next_trim_mm(situation: CoatSituation, now: Phase) -> float | None:
    """The length at which the next trim is due; None where the coat is not cut, or nobody knows yet whether it is."""
    if now.length is None or not care.may_be_cut(now.situation, now.triage):
        return None
    return now.length.mm if now.length.mm is not None else situation.wished_length_mm
