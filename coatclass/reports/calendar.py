"""A plan's dates as a calendar file (iCalendar, RFC 5545).

Hours of sittings are floating (form 1 of RFC 5545, 3.3.5): seven in the evening by the owner's own clock, wherever
that is, unless a time zone is named; then they carry TZID and the file its VTIMEZONE. Everything that concerns a day
and not an hour is an all-day entry and has no time zone. A second export of a dog updates the first: the UID of an
entry depends on dog and key alone, SEQUENCE rises with each change, and what fell away is sent as cancelled.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from coatclass.errors import InputError
from coatclass.presentation.blocks import Entry, Presentation
from coatclass.words import catalogue

if TYPE_CHECKING:
    import icalendar

__all__ = ["calendar_ics"]

_NAMESPACE = UUID("5b2f6f0a-6a4e-5a39-9c0f-2f1f8b7a41d6")  # our own namespace, made once
_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_NOT_CONTENT = ("DTSTAMP", "SEQUENCE")
_UNSAID_MINUTES = 20.0  # the width of an entry whose length nobody knows; no text says it
_YEARS = 10  # years for which a rule must hold to count as one


def _event_uid(dog_id: str, key: str) -> str:
    """The lasting name of an entry in the calendar: depends on the dog and the entry's key, not on its date."""
    return str(uuid5(_NAMESPACE, f"{dog_id}/{key}"))


def calendar_ics(
    plan: Presentation,
    *,
    dog_id: str,
    stamp: datetime,
    timezone: str | None = None,
    previous: bytes | None = None,
) -> bytes:
    """The plan as an iCalendar file.

    Args:
        plan: what is shown of the dog; its entries become those of the calendar.
        dog_id: names the dog for good; a second export with the same id updates the first.
        stamp: the moment of the export, with a time zone (it is written as UTC).
        timezone: IANA name such as ``Europe/Vienna`` for the hours; None leaves them floating.
        previous: the file exported last time; entries that changed get a higher SEQUENCE, those gone are cancelled.

    Raises:
        InputError: codes ``timezone``, ``stamp``, ``previous``.
    """
    from icalendar import Calendar

    if stamp.tzinfo is None:
        raise InputError("time of the export", "has no time zone.", "Give it in UTC.", code="stamp")
    calendar = Calendar()
    calendar.add("prodid", f"-//coatclass//care plan//{plan.language.upper()}")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", catalogue(plan.language).say("care.event.plan", dog=plan.dog))
    zone = _zone(timezone)
    if zone is not None:
        calendar.add_component(_vtimezone(zone, plan.day.year))
    entries = [_entry(entry, _event_uid(dog_id, entry.event.key), zone) for entry in plan.entries]
    for entry in _numbered(entries, _entries_of(previous)):
        entry.add("dtstamp", stamp.astimezone(UTC))
        calendar.add_component(entry)
    return bytes(calendar.to_ical())


def _zone(name: str | None) -> ZoneInfo | None:
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            f"time zone {name!r}", "is not known.", "Give an IANA name such as Europe/Vienna.", code="timezone"
        ) from None


def _entry(shown: Entry, uid: str, zone: ZoneInfo | None) -> icalendar.Event:
    import icalendar

    event, title, text = shown.event, shown.title, shown.text
    entry = icalendar.Event()
    entry.add("uid", uid)
    entry.add("summary", title)
    if text:
        entry.add("description", text)
    if event.at is None:
        entry.add("dtstart", event.start)
        entry.add("dtend", event.start + timedelta(days=1))  # the end is not part of an all-day entry
        entry.add("transp", "TRANSPARENT")
    else:
        start = datetime.combine(event.start, event.at, tzinfo=zone)
        entry.add("dtstart", start)
        entry.add("duration", timedelta(minutes=max(5, round(event.minutes or _UNSAID_MINUTES))))
    if event.weekdays:
        days = [_WEEKDAYS[day] for day in event.weekdays]
        entry.add("rrule", {"freq": "weekly", "interval": event.every_weeks, "byday": days})
    if event.days:
        entry.add("rrule", {"freq": "daily", "count": event.days})
    return entry


def _entries_of(previous: bytes | None) -> dict[str, icalendar.Event]:
    """The entries of an earlier export by UID."""
    from icalendar import Calendar

    if previous is None:
        return {}
    try:
        calendar = Calendar.from_ical(previous)
        return {str(entry["UID"]): entry for entry in calendar.events}
    except (ValueError, KeyError):
        raise InputError(
            "earlier calendar", "can't be read.", "Export without it; old entries then have to be deleted by hand.",
            code="previous",
        ) from None  # fmt: skip


def _numbered(entries: list[icalendar.Event], before: dict[str, icalendar.Event]) -> Iterator[icalendar.Event]:
    """Give each entry its SEQUENCE, and cancel those that are no longer there."""
    from icalendar import Event

    for entry in entries:
        old = before.get(str(entry["UID"]))
        rises = old is not None and _content(old) != _content(entry)
        entry.add("sequence", _sequence(old) + rises)
        yield entry
    now = {str(entry["UID"]) for entry in entries}
    for uid, old in before.items():
        if uid in now:
            continue
        gone = Event()
        for name in ("UID", "SUMMARY", "DTSTART", "DTEND", "DURATION"):
            if name in old:
                gone[name] = old[name]
        gone.add("status", "CANCELLED")
        gone.add("sequence", _sequence(old) + (str(old.get("STATUS")) != "CANCELLED"))
        yield gone


def _sequence(entry: icalendar.Event | None) -> int:
    return 0 if entry is None else int(entry.get("SEQUENCE", 0))


def _content(entry: icalendar.Event) -> bytes:
    """An entry's content as a parser reads it back, without its version marks."""
    from icalendar import Event

    same = Event.from_ical(entry.to_ical())
    for name in _NOT_CONTENT:
        same.pop(name, None)
    return bytes(same.to_ical())


# --- a time zone as a VTIMEZONE (RFC 5545, 3.6.5) -------------------------------------------------------------------
# With yearly rules, which hold for good: icalendar's own component lists single dates and ends with the last of them.


def _vtimezone(zone: ZoneInfo, year: int) -> icalendar.Timezone:
    """The zone's rules from the year before ``year`` on.

    A zone that changes its clocks by no yearly rule gets each single change of ten years.
    """
    from icalendar import Timezone

    changes = list(_clock_changes(zone, year - 1, year - 1 + _YEARS))
    rules = _yearly_rules(changes)
    component = Timezone()
    component.add("tzid", zone.key)
    if not rules:
        still = datetime(year - 1, 1, 1, tzinfo=zone)
        component.add_component(_observance(still, still.utcoffset() or timedelta(0), None))
    for first, rule in rules:
        before = (first - timedelta(hours=1)).astimezone(zone).utcoffset() or timedelta(0)
        component.add_component(_observance(first.astimezone(zone), before, rule))
    return component


def _clock_changes(zone: ZoneInfo, first_year: int, last_year: int) -> Iterator[datetime]:
    """The moments (UTC) at which the zone's offset changes, to the minute."""
    moment, end = datetime(first_year, 1, 1, tzinfo=UTC), datetime(last_year, 1, 1, tzinfo=UTC)
    while moment < end:
        later = moment + timedelta(days=1)
        if moment.astimezone(zone).utcoffset() != later.astimezone(zone).utcoffset():
            low, high = moment, later
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) / 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            yield high.replace(second=0, microsecond=0)
        moment = later


def _yearly_rules(changes: list[datetime]) -> list[tuple[datetime, dict[str, object] | None]]:
    """First change and yearly rule of each kind of change, or every change without a rule."""
    single: list[tuple[datetime, dict[str, object] | None]] = [(change, None) for change in changes]
    if len(changes) != 2 * _YEARS:
        return single
    rules: list[tuple[datetime, dict[str, object] | None]] = []
    for kind in (changes[0::2], changes[1::2]):
        places = [{(day.month, day.weekday(), (day.day - 1) // 7 + 1)} | _last(day) for day in kind]
        common = set.intersection(*places)
        if not common:
            return single
        month, weekday, nth = min(common, key=lambda place: place[2])
        rules.append((kind[0], {"freq": "yearly", "bymonth": month, "byday": f"{nth}{_WEEKDAYS[weekday]}"}))
    return rules


def _last(day: datetime) -> set[tuple[int, int, int]]:
    """The day as the last of its weekday in the month, if it is: (month, weekday, -1)."""
    return {(day.month, day.weekday(), -1)} if (day + timedelta(days=7)).month != day.month else set()


def _observance(
    start: datetime, before: timedelta, rule: dict[str, object] | None
) -> icalendar.TimezoneStandard | icalendar.TimezoneDaylight:
    """Standard or daylight time from a moment on; its start is told by the clock that was valid before."""
    from icalendar import TimezoneDaylight, TimezoneStandard

    offset = start.utcoffset() or timedelta(0)
    part = TimezoneDaylight() if start.dst() else TimezoneStandard()
    part.add("dtstart", (start.astimezone(UTC) + before).replace(tzinfo=None))
    part.add("tzoffsetfrom", before)
    part.add("tzoffsetto", offset)
    part.add("tzname", start.tzname() or "")
    if rule is not None:
        part.add("rrule", rule)
    return part
