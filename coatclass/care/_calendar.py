"""The plan as a calendar file (iCalendar, RFC 5545).

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

from coatclass.care._events import Event
from coatclass.care._plan import CarePlan
from coatclass.care._timezone import vtimezone
from coatclass.errors import InputError
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    import icalendar

__all__ = ["calendar_ics", "event_uid"]

_NAMESPACE = UUID("5b2f6f0a-6a4e-5a39-9c0f-2f1f8b7a41d6")  # ours alone, made once
_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_NOT_CONTENT = ("DTSTAMP", "SEQUENCE")


def event_uid(dog_id: str, key: str) -> str:
    """The lasting name of an entry in the calendar: depends on the dog and the entry's key, not on its date."""
    return str(uuid5(_NAMESPACE, f"{dog_id}/{key}"))


def calendar_ics(
    plan: CarePlan,
    *,
    dog_id: str,
    dog_name: str = "",
    stamp: datetime,
    timezone: str | None = None,
    previous: bytes | None = None,
) -> bytes:
    """The plan as an iCalendar file.

    Args:
        plan: the care plan; its language is that of the entries.
        dog_id: names the dog for good; a second export with the same id updates the first.
        dog_name: how people call it.
        stamp: the moment of the export, with a time zone (it is written as UTC).
        timezone: IANA name such as ``Europe/Vienna`` for the hours; None leaves them floating.
        previous: the file exported last time; entries that changed get a higher SEQUENCE, those gone are cancelled.

    Raises:
        InputError: codes ``timezone``, ``stamp``, ``previous``.
    """
    from icalendar import Calendar

    if stamp.tzinfo is None:
        raise InputError("time of the export", "has no time zone.", "Give it in UTC.", code="stamp")
    texts = catalogue(plan.language, "care")
    dog = dog_name or texts.your_dog
    calendar = Calendar()
    calendar.add("prodid", f"-//coatclass//care plan//{plan.language.upper()}")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", texts.say("event.plan", dog=dog))
    zone = _zone(timezone)
    if zone is not None:
        calendar.add_component(vtimezone(zone, plan.case.today.year))
    entries = [
        _entry(event, event_uid(dog_id, event.key), _words(event, plan, dog, texts), zone) for event in plan.events
    ]
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


def _entry(event: Event, uid: str, words: tuple[str, str], zone: ZoneInfo | None) -> icalendar.Event:
    import icalendar

    title, text = words
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
        entry.add("duration", timedelta(minutes=max(5, round(event.minutes or 0))))
    if event.weekdays:
        days = [_WEEKDAYS[day] for day in event.weekdays]
        entry.add("rrule", {"freq": "weekly", "interval": event.every_weeks, "byday": days})
    return entry


def _words(event: Event, plan: CarePlan, dog: str, texts: Catalogue) -> tuple[str, str]:
    """Title and text of an entry."""
    values: dict[str, object] = {"dog": dog, "months": event.months, "mm": ""}
    if event.crossing is not None:
        latest = event.crossing.latest
        values |= {
            "mm": texts.mm(event.crossing.mm),
            "earliest": texts.day(event.crossing.earliest),
            "latest": texts.day(latest) if latest else texts.say("event.later"),
        }
    if event.kind == "session":
        values["minutes"] = round(event.minutes or 0)
        values["steps"] = " ".join(f"{step.order}. {step.title}." for step in plan.routine.steps)
    if event.kind == "touch_up":
        values["zones"] = texts.zones(event.zones)
    title = texts.say(f"event.{event.kind}", **values)
    if event.kind == "hold":
        return title, plan.routine.hold
    if event.kind == "bath":
        return title, "\n".join((plan.routine.bath, *plan.routine.bath_steps))
    return title, texts.say(f"event.{event.kind}_text", **values)


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
    from icalendar import Event as Entry

    for entry in entries:
        old = before.get(str(entry["UID"]))
        rises = old is not None and _content(old) != _content(entry)
        entry.add("sequence", _sequence(old) + rises)
        yield entry
    now = {str(entry["UID"]) for entry in entries}
    for uid, old in before.items():
        if uid in now:
            continue
        gone = Entry()
        for name in ("UID", "SUMMARY", "DTSTART", "DTEND", "DURATION"):
            if name in old:
                gone[name] = old[name]
        gone.add("status", "CANCELLED")
        gone.add("sequence", _sequence(old) + (str(old.get("STATUS")) != "CANCELLED"))
        yield gone


def _sequence(entry: icalendar.Event | None) -> int:
    return 0 if entry is None else int(entry.get("SEQUENCE", 0))


def _content(entry: icalendar.Event) -> bytes:
    """What an entry says, as a parser reads it back, without the marks of its version."""
    from icalendar import Event as Entry

    same = Entry.from_ical(entry.to_ical())
    for name in _NOT_CONTENT:
        same.pop(name, None)
    return bytes(same.to_ical())
