"""From a plan to dates: events without wording. Rules: ``data/calendar.toml``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Literal

from coatclass.care.coat import categories, data
from coatclass.care.growth import Crossing, Growth
from coatclass.contract import Ask, CoatSituation, TrainingStep, Triage, Week
from coatclass.taxonomy import BodyZone

__all__ = ["Event", "EventKind", "bath_weeks", "events_of"]

EventKind = Literal["session", "touch_up", "bath", "kit_change", "look_again", "trim", "visit", "training"]


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
) -> tuple[Event, ...]:
    """The entries of the calendar in the order of their start: only what the triage leaves open, and the visit."""
    today = growth.today
    events = [*_changes(growth), *_looks(growth)]
    if visit:
        events.append(Event("visit", "visit", today + timedelta(days=1)))
    events += _training(training, today)
    if week is not None:
        first = today + timedelta(days=sum(step.days for step in training))  # nobody brushes before it was learnt
        events += _weekly(week, first, touch_up_minutes)
        if cleared.bath.open:
            events.append(_bath(situation, first))
    return tuple(sorted(events, key=lambda event: (event.start, event.key)))


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


def _changes(growth: Growth) -> list[Event]:
    events = [
        Event(f"kit_change_{crossing.mm:g}", "kit_change", crossing.likely, crossing=crossing)
        for crossing in growth.crossings
    ]
    if growth.trim is not None:
        events.append(Event("trim", "trim", growth.trim.likely, crossing=growth.trim))
    return events


def _looks(growth: Growth) -> list[Event]:
    months = data("growth")["puppy"]["look_again_months"][-len(growth.look_again) :] if growth.look_again else []
    return [
        Event(f"look_again_{month}", "look_again", day, months=int(month))
        for month, day in zip(months, growth.look_again, strict=True)
    ]
