"""From a plan to dated events, free of words: what recurs, what happens once. Rules: ``data/calendar.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Literal

from coatclass.care._coat import categories, data
from coatclass.care._growth import Crossing, Growth
from coatclass.care._time import TimeBudget
from coatclass.contract import CoatSituation, Routine
from coatclass.taxonomy import BodyZone, MatState

__all__ = ["Event", "EventKind", "bath_weeks", "events_of", "week_of"]

EventKind = Literal["session", "touch_up", "bath", "kit_change", "look_again", "trim", "hold"]

_UNSAID_MINUTES = 20.0


@dataclass(frozen=True)
class Event:
    """One entry of the calendar.

    Attributes:
        key: names the entry within this dog's plan; stays the same when its date moves.
        start: the day, or the first day of a series.
        at: the hour by the owner's own clock; None for a whole day.
        minutes: length of a timed entry.
        weekdays: days of the week of a weekly series, 0 is Monday; empty for an entry that happens once.
        every_weeks: weeks from one round of the series to the next.
        crossing: the dates behind a kit change or trim.
        zones: where, for a touch-up.
        months: the puppy's age, for a look at its coat.
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


def week_of(routine: Routine, budget: TimeBudget | None) -> tuple[str, ...]:
    """What is due on each day from Monday: ``session``, ``touch_up`` or nothing.

    Touch-ups take the days that the sittings leave free.
    """
    days = data("calendar")["weekdays"]
    base, most = (round(often) for often in routine.sessions_per_week)
    sittings = budget.sittings if budget else max(1, base)
    session = set(days[str(sittings)])
    free = [day for day in days["6"] + [6] if day not in session]
    touch_up = set(free[: max(0, most - sittings)])
    return tuple("session" if day in session else "touch_up" if day in touch_up else "" for day in range(7))


def bath_weeks(situation: CoatSituation) -> int:
    """Weeks between baths: as the owner does it, or the longest that is usual for a coat that is still possible."""
    if situation.baths_per_month:
        return max(1, round(52 / 12 / situation.baths_per_month))
    table = data("coats")["coat"]
    return max(int(table[category]["bath_weeks"]) for category in categories(situation))


def events_of(
    situation: CoatSituation, routine: Routine, budget: TimeBudget | None, growth: Growth, week: tuple[str, ...]
) -> tuple[Event, ...]:
    """The entries of the calendar in the order of their start.

    While the plan is on hold there are no sittings and no baths, only the visit; with mats in the coat no baths.
    """
    today = growth.today
    events = [*_changes(growth), *_looks(growth)]
    if routine.hold:
        events.append(Event("hold", "hold", today + timedelta(days=1)))
    else:
        events += _weekly(routine, budget, week, today)
        worst = situation.worst_mats
        if worst is None or worst.severity < MatState.MATS.severity:
            events.append(_bath(situation, today))
    return tuple(sorted(events, key=lambda event: (event.start, event.key)))


def _next(today: date, weekdays: tuple[int, ...]) -> date:
    """The first day from today on that is one of the weekdays."""
    return next(day for day in (today + timedelta(days=n) for n in range(7)) if day.weekday() in weekdays)


def _weekly(routine: Routine, budget: TimeBudget | None, week: tuple[str, ...], today: date) -> list[Event]:
    at = time.fromisoformat(data("calendar")["session"]["at"])
    session, touch_up = (tuple(day for day, due in enumerate(week) if due == kind) for kind in ("session", "touch_up"))
    minutes = budget.sitting_minutes if budget else _UNSAID_MINUTES
    events = [Event("session", "session", _next(today, session), at, minutes, session)]
    if touch_up:
        zones = routine.zones[0].zones
        events.append(Event("touch_up", "touch_up", _next(today, touch_up), at, 5.0, touch_up, zones=zones))
    return events


def _bath(situation: CoatSituation, today: date) -> Event:
    weekday = int(data("calendar")["bath"]["weekday"])
    return Event("bath", "bath", _next(today, (weekday,)), weekdays=(weekday,), every_weeks=bath_weeks(situation))


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
