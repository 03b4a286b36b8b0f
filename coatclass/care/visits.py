"""What is dated: the calendar, the visits to come with their lengths, and the technique check at a visit.

Rules: ``data/calendar.toml``, ``data/clipping.toml``, ``data/technique.toml``. Events have no wording. A length is
advised only where cutting by choice is open at all (:func:`coatclass.care.minutes.may_be_cut`); a coat that is not cut
gets what is done instead. At the check the owner brushes as at home and the groomer combs behind; no zone that is not
cleared for the comb is asked for, and while the dog may not be brushed everything waits.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any, Literal

from coatclass.care.coat import categories, data, family, length_mm, line_brushed, ordered
from coatclass.care.growth import Crossing, Growth
from coatclass.care.minutes import TimeBudget, may_be_cut
from coatclass.care.risk import last_check
from coatclass.contract import (
    Ask,
    ClipRung,
    CoatSituation,
    Fault,
    Guard,
    KitItem,
    LengthAdvice,
    PlanChange,
    Role,
    Specification,
    TechniqueCheck,
    TrainingStep,
    Triage,
    VisitNote,
    Week,
    Who,
)
from coatclass.taxonomy import BodyZone, CoatCategory
from coatclass.triage import hairless
from coatclass.triage import rules as triage_rules
from coatclass.words import Catalogue, catalogue

__all__ = [
    "Booked",
    "Event",
    "EventKind",
    "bath_weeks",
    "changes",
    "clip_ladder",
    "cut_at",
    "events_of",
    "kept_short",
    "kit_after_check",
    "notes_that_hold",
    "unchecked",
    "zones_to_check",
]

EventKind = Literal["session", "touch_up", "bath", "kit_change", "look_again", "trim", "visit", "training", "booked"]


@dataclass(frozen=True)
class Booked:
    """A visit that owner and salon have agreed on: the moment by the salon's own clock, and minutes as planned."""

    at: datetime
    minutes: int


@dataclass(frozen=True)
class Event:
    """One entry of the calendar.

    Attributes:
        key: names the entry within this dog's plan; stays the same when its date moves.
        start: the day, or the first day of a series.
        at: the hour by the owner's own clock; None for a whole day.
        minutes: length of a timed entry; None if nobody knows.
        weekdays: days of the week of a weekly series, 0 is Monday; empty for an entry that happens once.
        every_weeks: weeks from one round of the series to the next.
        crossing: the dates behind a kit change or trim.
        zones: where, for a touch-up.
        months: the puppy's age, for a look at its coat.
        days: of a daily series; 0 for any other entry.
        step: of the training, from 0 on.
    """

    key: str
    kind: EventKind
    start: date
    at: time | None = None
    minutes: float | None = None
    weekdays: tuple[int, ...] = ()
    every_weeks: int = 1
    crossing: Crossing | None = None
    zones: tuple[BodyZone, ...] = ()
    months: int | None = None
    days: int = 0
    step: int = 0


def bath_weeks(situation: CoatSituation) -> int:
    """Weeks between baths, 1 to 52: as the owner does it, or the longest usual for a coat that is still possible."""
    if situation.baths_per_month:
        return max(1, round(min(52.0, 52 / 12 / situation.baths_per_month)))
    if hairless(situation):
        return int(data("coats")["bare"]["bath_weeks"])
    table = data("coats")["coat"]
    return max(int(table[category]["bath_weeks"]) for category in categories(situation))


def events_of(
    situation: CoatSituation,
    cleared: Triage,
    week: Week | None,
    growth: Growth,
    *,
    visit: Sequence[Ask],
    touch_up_minutes: float | None = None,
    training: Sequence[TrainingStep] = (),
    booked: Booked | None = None,
    cut_on: date | None = None,
) -> tuple[Event, ...]:
    """The entries of the calendar in the order of their start: only what the triage leaves open, and the visits.

    A trim that the booked visit brings (on the day ``cut_on``) is not to be booked once more.
    """
    today = growth.today
    events = [*_changes(growth, booked=cut_on is not None), *_looks(growth)]
    if booked is not None:
        events.append(Event("booked", "booked", booked.at.date(), booked.at.time(), float(booked.minutes)))
    if visit:
        events.append(Event("visit", "visit", _visit_day(visit, today, booked)))
    events += _training(training, today)
    if week is not None:
        first = today + timedelta(days=sum(step.days for step in training))  # nobody brushes before it was learnt
        events += _weekly(week, first, touch_up_minutes)
        if cleared.bath.open:
            events.append(_bath(situation, first))
    return tuple(sorted(events, key=lambda event: (event.start, event.key)))


def _visit_day(visit: Sequence[Ask], today: date, booked: Booked | None) -> date:
    """The day by which vet or groomer should see the dog: that of the booked visit if nothing presses before."""
    days = {rule.id: rule.within_days for rule in triage_rules()}
    latest = today + timedelta(days=min(days[ask.rule] for ask in visit))
    agreed = booked.at.date() if booked and all(ask.who is Who.GROOMER for ask in visit) else None
    return agreed if agreed is not None and today < agreed <= latest else latest


def _next(today: date, weekdays: tuple[int, ...]) -> date:
    """The first day from today on that is one of the weekdays."""
    return next(day for day in (today + timedelta(days=n) for n in range(7)) if day.weekday() in weekdays)


def _weekly(week: Week, first: date, touch_up_minutes: float | None) -> list[Event]:
    at = time.fromisoformat(data("calendar")["session"]["at"])
    session, touch_up = (
        tuple(day for day, due in enumerate(week.days) if due == kind) for kind in ("session", "touch_up")
    )
    events = [Event("session", "session", _next(first, session), at, week.sitting_minutes, session)]
    if touch_up:
        zones = week.touch_up_zones
        events.append(
            Event("touch_up", "touch_up", _next(first, touch_up), at, touch_up_minutes, touch_up, zones=zones)
        )
    return events


def _training(steps: Sequence[TrainingStep], today: date) -> list[Event]:
    """One daily series a step, each from the day on at which the one before ends."""
    rule = data("calendar")["training"]
    at, events, start = time.fromisoformat(rule["at"]), [], today
    for number, one in enumerate(steps):
        key = f"training_{number + 1}"
        events.append(Event(key, "training", start, at, float(rule["minutes"]), days=one.days, step=number))
        start += timedelta(days=one.days)
    return events


def _bath(situation: CoatSituation, first: date) -> Event:
    weekday = int(data("calendar")["bath"]["weekday"])
    return Event("bath", "bath", _next(first, (weekday,)), weekdays=(weekday,), every_weeks=bath_weeks(situation))


def _changes(growth: Growth, *, booked: bool) -> list[Event]:
    events = [
        Event(f"kit_change_{crossing.mm:g}", "kit_change", crossing.likely, crossing=crossing)
        for crossing in growth.crossings
    ]
    if growth.trim is not None and not booked:
        events.append(Event("trim", "trim", growth.trim.likely, crossing=growth.trim))
    return events


def _looks(growth: Growth) -> list[Event]:
    months = data("growth")["puppy"]["look_again_months"][-len(growth.look_again) :] if growth.look_again else []
    return [
        Event(f"look_again_{month}", "look_again", day, months=int(month))
        for month, day in zip(months, growth.look_again, strict=True)
    ]


# --- the visits to come ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Cut:
    """What sets the lengths of one dog.

    Attributes:
        ceiling_mm: the longest that coat and week carry, mm; ``mm_a_week``: growth.
        usual: weeks between visits.
        legs: whether they may be left longer: they may be combed, and the comb did not stop there.
    """

    ceiling_mm: float
    mm_a_week: float
    usual: float
    guards: tuple[Guard, ...]
    legs: bool

    def after(self, weeks: float, on: date) -> float:
        """The length to leave on a day, so that the coat just reaches the ceiling so many weeks later, mm."""
        return max(least_mm(on), self.ceiling_mm - weeks * self.mm_a_week)

    def weeks_from(self, on: date) -> float:
        """The most weeks, not more than usual, after which the coat is not yet past the ceiling."""
        table = data("clipping")["visits"]
        room = self.ceiling_mm - least_mm(on)
        fitting = [weeks for weeks in table["weeks"] if weeks <= self.usual and weeks * self.mm_a_week <= room]
        return float(max(fitting, default=min(self.usual, table["shortest"])))


def least_mm(on: date) -> float:
    """The least length that the season lets clippers leave on the trunk, mm."""
    return float(_season(on)[1]["least_mm"])


def _season(on: date) -> tuple[str, dict[str, Any]]:
    return next((name, row) for name, row in data("clipping")["season"].items() if on.month in row["months"])


def clip_ladder(
    situation: CoatSituation,
    now: Triage,
    cleared: Triage,
    growth: Growth,
    *,
    length: LengthAdvice | None,
    budget: TimeBudget | None,
    guards: Sequence[Guard] = (),
    visit_weeks: float | None = None,
    booked: Booked | None = None,
    here: bool = False,
    language: str = "en",
) -> tuple[ClipRung, ...]:
    """The visits of about half a year; empty while a vet comes first, or while nobody knows which length fits.

    Args:
        situation: the dog as it is from the next visit on.
        now: what may be done with it today; cleared: from the next visit on.
        growth: where the length is going.
        length, budget: the length that goes with coat and week, and its minutes.
        guards: the salon's own; with none only millimetres are named.
        visit_weeks: weeks between the dog's visits; the usual ones if None.
        booked: the next visit that was agreed on; a rung that is due about then falls on it.
        here: the dog is at the salon today, so that a coat which is too long is cut today.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    agreed = booked.at.date() if booked else None
    if now.first is Who.VET or not cleared.session.open:
        return ()
    texts = catalogue(language, "visit")
    if situation.hand_stripped or (set(situation.categories) == {CoatCategory.WIRE} and not situation.clipped):
        waited = situation.weeks_since_stripped or 0.0
        return tuple(_uncut("strip", growth.today, texts, since=waited, agreed=agreed))
    if not any(data("coats")["coat"][category]["trimmable"] for category in categories(situation)):
        # A smooth short coat has nothing that a salon must brush out.
        return tuple(_uncut("brush_out", growth.today, texts, agreed=agreed)) if line_brushed(situation) else ()
    if not may_be_cut(situation, cleared) or growth.mode != "continuous":
        return ()
    ceiling = _ceiling(situation, length, budget)
    if ceiling is None:
        return ()
    a_week = 7 * growth.rate.mean
    # Below this no visits that people can keep hold a coat: it is cut to the shortest length and grows until the next.
    lowest = data("time")["longest"]["shortest_mm"] + a_week * data("clipping")["visits"]["shortest"]
    check = last_check(situation.notes)
    legs = BodyZone.LEGS in cleared.cleared(comb=True) and (check is None or BodyZone.LEGS not in check.stopped)
    usual = min(max(visit_weeks or data("clipping")["visits"]["usual"], 1.0), 12.0)
    cut = _Cut(max(ceiling, lowest), a_week, usual, tuple(guards), legs)
    mm, since = growth.now_mm, growth.today
    if now.comes_off:  # at the visit that was agreed on, and the coat grows from there
        mm, since, agreed = length_mm(situation), agreed or growth.today, None
    return tuple(_rungs(cut, mm, growth.today, since, texts, agreed=agreed, here=here))


def cut_at(booked: Booked | None, clips: Sequence[ClipRung]) -> date | None:
    """The day of the booked visit if the ladder's first cut falls on it."""
    first = clips[0] if clips else None
    return first.on if booked and first and first.kind == "clip" and first.on == booked.at.date() else None


def _weeks_to(agreed: date | None, on: date, weeks: float, slack: float) -> float:
    """Weeks from a day to the next visit: to the one agreed on if that is sooner, or later by no more than slack."""
    ahead = (agreed - on).days / 7 if agreed is not None and agreed > on else math.inf
    return ahead if ahead <= weeks + slack else weeks


def _ceiling(situation: CoatSituation, length: LengthAdvice | None, budget: TimeBudget | None) -> float | None:
    """The longest length that week, dog and wish carry, mm; None if nobody said."""
    known = []
    if length is not None and length.mm is not None:
        known.append(length.mm)
    elif situation.wished_length_mm is not None:
        known.append(situation.wished_length_mm)
    if budget is not None and budget.fits is not None and budget.longest_mm is not None:
        known.append(float(budget.longest_mm))
    return min(known) if known else None


def _rungs(
    cut: _Cut, mm: float, today: date, since: date, texts: Catalogue, *, agreed: date | None, here: bool
) -> Iterator[ClipRung]:
    """The visits of a coat that is cut; ``mm``: its length on the day ``since``; ``here``: the dog is there today."""
    table = data("clipping")["visits"]
    last, slack = since, table["shortest"]
    overdue = mm > cut.ceiling_mm
    weeks = 0.0 if overdue else min(cut.usual, max(1.0, (cut.ceiling_mm - mm) / cut.mm_a_week))
    waits = 0.0 if overdue and here else _weeks_to(agreed, since, weeks, slack)
    on = since + timedelta(days=round(7 * waits))
    for _ in range(table["most"]):
        if (on - today).days > 7 * table["horizon_weeks"]:
            return
        grown = mm + cut.mm_a_week * (on - last).days / 7
        weeks = cut.weeks_from(on)
        room = (cut.ceiling_mm - grown) / cut.mm_a_week
        if room >= min(weeks, table["shortest"]):
            # It may still grow: tidied now, and cut on the day on which the calendar has the trim.
            weeks = _weeks_to(agreed, on, min(weeks, room), slack)
            yield ClipRung(kind="tidy", on=on, grown_mm=grown, text=texts.say("clips.tidy"))
            mm = grown
        else:
            tight = weeks < cut.usual
            weeks = _weeks_to(agreed, on, weeks, 0 if tight else slack)
            guard, mm = _guard(cut, grown, cut.after(weeks, on), on)
            yield ClipRung(
                kind="clip",
                on=on,
                grown_mm=grown,
                mm=mm,
                guard=guard,
                text=_said(mm, guard, texts, cut, sooner=weeks if tight else None),
            )
        last, on = on, on + timedelta(days=round(7 * weeks))


def _guard(cut: _Cut, grown: float, wanted: float, on: date) -> tuple[Guard | None, float]:
    """The longest of the salon's guards that leaves about the wanted length, and what is left, mm."""
    rule, mm = data("clipping")["guard"], min(grown, wanted)
    shortest = max(min(least_mm(on), mm), rule["least_share"] * mm)
    fitting = [guard for guard in cut.guards if shortest <= guard.mm <= min(grown, mm + rule["over_mm"])]
    best = max(fitting, key=lambda guard: guard.mm, default=None)
    return best, best.mm if best else float(math.floor(mm))


def _for_legs(cut: _Cut, guard: Guard) -> Guard | None:
    """The guard for the legs beside that for the body; None if there is none that is a little longer."""
    most = data("clipping")["legs"]["most_share"] * guard.mm
    longer = [one for one in cut.guards if guard.mm < one.mm <= most] if cut.legs else []
    return max(longer, key=lambda one: one.mm, default=None)


def _said(mm: float, guard: Guard | None, texts: Catalogue, cut: _Cut, *, sooner: float | None) -> str:
    """What to do at a visit; ``sooner``: weeks to the next visit, if few."""
    key = "clip_guard" if guard else "clip_free" if cut.guards else "clip"
    text = texts.say(f"clips.{key}", mm=texts.mm(mm), guard=guard.name if guard else "")
    if guard and sooner is None and (legs := _for_legs(cut, guard)):  # a tight week holds no longer legs
        text = f"{text}; {texts.say('clips.legs', mm=texts.mm(legs.mm), guard=legs.name)}"
    return text if sooner is None else f"{text}. {texts.say('clips.tight', weeks=texts.number(sooner, 0))}"


def cautions_with(kind: EventKind) -> tuple[str, ...]:
    """Codes of the cautions that an entry of the calendar repeats, because it is read alone."""
    return tuple(data("calendar")["with_cautions"].get(kind, ()))


def _uncut(
    kind: Any, today: date, texts: Catalogue, *, since: float = 0.0, agreed: date | None = None
) -> Iterator[ClipRung]:
    """The visits of a coat that is brushed out or stripped by hand; ``since``: weeks from the last one to today."""
    visits, rows = data("clipping")["visits"], data("clipping")
    on, waited = today, min(since, rows[kind]["weeks"])  # what is overdue is due today
    for _ in range(visits["most"]):
        moult = kind == "brush_out" and on.month in rows["brush_out"]["moult_months"]
        weeks = rows["brush_out"]["moult_weeks"] if moult else rows[kind]["weeks"]
        on += timedelta(days=round(7 * _weeks_to(agreed, on, weeks - waited, visits["shortest"])))
        waited = 0.0
        if (on - today).days > 7 * visits["horizon_weeks"]:
            return
        moult = kind == "brush_out" and on.month in rows["brush_out"]["moult_months"]
        yield ClipRung(kind=kind, on=on, text=texts.say(f"clips.{kind}{'_moult' if moult else ''}"))


# --- the technique check at a visit ---------------------------------------------------------------------------------


def zones_to_check(cleared: Triage) -> tuple[BodyZone, ...]:
    """Where the comb may follow the owner's brush; nowhere while the dog must not be brushed.

    A dog in pain, with sores or parasites, felted, or one that can't bear the brush is not checked: that would have it
    brushed for two minutes in front of the groomer.
    """
    if not cleared.session.open:
        return ()
    may = cleared.cleared(comb=True)
    return tuple(zone for name in data("technique")["check"]["zones"] if (zone := BodyZone(name)) in may)


def notes_that_hold(notes: Sequence[VisitNote], today: date) -> tuple[VisitNote, ...]:
    """The same notes; a check that is too old to speak of today's brushing is left out (``data/ageing.toml``)."""
    oldest = today - timedelta(weeks=data("ageing")["check"]["holds_weeks"])
    return tuple(note if note.on >= oldest else note.model_copy(update={"check": None}) for note in notes)


def unchecked(situation: CoatSituation) -> CoatSituation:
    """The same dog without its technique checks."""
    return replace(situation, notes=tuple(note.model_copy(update={"check": None}) for note in situation.notes))


def kept_short(notes: Sequence[VisitNote]) -> bool:
    """Whether the comb stopped at so many checks in a row that the length has to change."""
    return _stops_in_a_row(notes) >= int(data("technique")["repeated"]["checks"])


def _stops_in_a_row(notes: Sequence[VisitNote]) -> int:
    number = 0
    for note in reversed(notes):
        if note.check is not None and not note.check.stopped:
            break
        number += note.check is not None
    return number


def _rules(check: TechniqueCheck) -> Iterator[Mapping[str, Any]]:
    """The rules that this check calls up, in the order of the data file."""
    for rule in data("technique")["rule"]:
        if rule["fault"] in check.faults if "fault" in rule else bool(check.stopped) and not check.faults:
            yield rule


# --- what changes -----------------------------------------------------------------------------------------------------


def kit_after_check(
    kit: Sequence[KitItem], situation: CoatSituation, cleared: Triage, language: str
) -> tuple[KitItem, ...]:
    """The kit after what the check showed: the comb becomes a must, and a brush that does not reach stays behind.

    Nothing is added to what is to be bought, and nothing changes while nothing is to be bought.
    """
    check = last_check(situation.notes)
    if check is None or not cleared.shopping.open:
        return tuple(kit)
    promoted = {name for rule in _rules(check) for name in rule.get("promote", ())}
    items = [
        item.model_copy(update={"role": Role.ESSENTIAL})
        if item.role is Role.HELPFUL and family(item.tool) in promoted
        else item
        for item in kit
    ]
    failed = _failed_tool(check, items)
    if failed is None:
        return tuple(items)
    texts = catalogue(language)
    left = KitItem(
        tool=failed,
        name=texts.tool(failed),
        role=Role.AVOID,
        zones=(),
        order=None,
        why=texts.say("visit.lesson.left_out"),
        rule=("technique-check",),
        specification=Specification(),
    )
    return (*(item for item in items if item.tool != failed), left)


def _failed_tool(check: TechniqueCheck, kit: Sequence[KitItem]) -> str | None:
    """The owner's brush if it is not one for this coat; one that is may only have been worn out or too short."""
    if Fault.WRONG_TOOL not in check.faults or check.tool is None:
        return None
    usable = {item.tool for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)}
    return None if check.tool in usable or not catalogue().has_word("tool", check.tool) else check.tool


def changes(
    situation: CoatSituation,
    cleared: Triage,
    kit: Sequence[KitItem],
    *,
    week: Week | None,
    before: Week | None,
    language: str,
) -> tuple[PlanChange, ...]:
    """What the last check changes, technique first; empty if there was none.

    Args:
        situation: the dog with its visits.
        cleared: what may be done with it.
        kit, week: of the plan after the check.
        before: the week as it would be without the check.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    check = last_check(situation.notes)
    if check is None:
        return ()
    texts = catalogue(language, "visit")
    if week is None or not cleared.session.open:
        return (_change("wait", "wait", texts.say("lesson.wait"), (), "common practice, no source"),)
    stopped = ordered(set(check.stopped) & cleared.cleared(comb=True))
    if check.good:
        return (_change("keep", "keep", texts.say("lesson.keep"), (), "common practice, no source"),)
    found = [
        _change(rule["kind"], rule["id"], text, stopped, rule["source"])
        for rule in _rules(check)
        if (text := _sentence(rule, situation, stopped, kit, texts))
    ]
    found += _oftener(check.faults, stopped, week, before, texts)
    found += _length(situation, cleared, texts)
    return tuple(found)


def _change(kind: Any, rule: str, text: str, zones: tuple[BodyZone, ...], source: str) -> PlanChange:
    return PlanChange(kind=kind, rule=rule, text=text, zones=zones, source=source)


def _sentence(
    rule: Mapping[str, Any],
    situation: CoatSituation,
    stopped: tuple[BodyZone, ...],
    kit: Sequence[KitItem],
    texts: Catalogue,
) -> str:
    """The sentence of a rule; empty where all its places wait for vet or groomer."""
    check = last_check(situation.notes)
    assert check is not None
    if check.stopped and not stopped:
        return ""
    name = rule["id"]
    values = {"zones": texts.zones(stopped)}
    if name == "surface_only":
        return texts.say(f"lesson.surface_only{'' if line_brushed(situation) else '_short'}")
    if name == "skipped_zones":
        return texts.say(f"lesson.skipped_zones{'' if stopped else '_unnamed'}", **values)
    if name == "wrong_tool":
        return _tools_sentence(check, kit, texts)
    if name == "too_seldom":
        return ""  # the week itself says how often
    return texts.say(f"lesson.{name}", **values)


def _tools_sentence(check: TechniqueCheck, kit: Sequence[KitItem], texts: Catalogue) -> str:
    right = [item for item in kit if item.role is Role.ESSENTIAL]
    if not right:
        return ""
    tools = texts.joined(texts.tool(item.tool, inside=True) if texts.has_word("tool", item.tool) else item.name
                         for item in right)  # fmt: skip
    if any(item.tool == check.tool and item.role is Role.AVOID for item in kit):
        return texts.say("lesson.wrong_tool", tools=tools, tool=texts.tool(str(check.tool)))
    return texts.say("lesson.wrong_tool_unnamed", tools=tools)


def _oftener(
    faults: Sequence[Fault], stopped: tuple[BodyZone, ...], week: Week, before: Week | None, texts: Catalogue
) -> Iterator[PlanChange]:
    """Which places want the comb oftener since the check; where no day is left for more, to keep to the week."""
    row = next(rule for rule in data("technique")["rule"] if rule["kind"] == "frequency")
    days = week.sittings + week.touch_ups
    known: tuple[BodyZone, ...] = before.touch_up_zones if before else ()
    longer = before is None or days > before.sittings + before.touch_ups
    more = tuple(zone for zone in stopped if zone in week.touch_up_zones and (longer or zone not in known))
    if more and week.touch_ups:
        key = "oftener_seldom" if Fault.TOO_SELDOM in faults else "oftener"
        text = texts.say(f"lesson.{key}", zones=texts.zones(more), often=texts.often(days))
        yield _change("frequency", row["id"], text, more, row["source"])
    elif Fault.TOO_SELDOM in faults:
        text = texts.say("lesson.too_seldom", often=texts.often(week.sittings))
        yield _change("frequency", row["id"], text, stopped, row["source"])


def _length(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> Iterator[PlanChange]:
    """After several failed checks the length changes, or, where the coat is not cut, who brushes it out."""
    if not kept_short(situation.notes):
        return
    row = data("technique")["repeated"]
    key = "shorter" if may_be_cut(situation, cleared) else "brush_out"
    text = texts.say(f"lesson.{key}", n=_stops_in_a_row(situation.notes), weeks=row["brush_out_weeks"])
    yield _change("length", "repeated", text, (), row["source"])
