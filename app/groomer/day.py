"""The salon's days: a week at a glance, and all sheets of one day in one file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from io import BytesIO
from typing import Any

from app import cases
from app.groomer import dog_file as files
from coatclass.errors import RecordError
from coatclass.presentation import Presentation
from coatclass.presentation.blocks import Note
from coatclass.records import Appointment, Reader, Records, Visit, visits
from coatclass.reports import Coming
from coatclass.words import catalogue

_WEEK = 7
_MOST_NOTES = 2  # of what must not be done, in a line of the day's list


def week_values(state: Any, day: date) -> dict[str, Any]:
    """Everything that ``week.html`` needs: the week of a day, from Monday, with its visits and the hours planned."""
    monday = day - timedelta(days=day.weekday())
    days = [monday + timedelta(days=n) for n in range(_WEEK)]
    start, end = files.day_bounds(days[0])[0], files.day_bounds(days[-1])[1]
    of: dict[date, list[dict[str, Any]]] = {one: [] for one in days}
    for one in visits(state.records, start, end):
        at = one.appointment.starts_at.astimezone()
        of[at.date()].append({"visit": one, "at": at})
    return {
        "days": [(one, rows, _planned(rows)) for one, rows in of.items()],
        "before": monday - timedelta(days=_WEEK),
        "after": monday + timedelta(days=_WEEK),
        "this_week": monday <= cases.today() < monday + timedelta(days=_WEEK),
    }


def _planned(rows: list[dict[str, Any]]) -> str:
    """Hours on the table, as ``5:30 h``; a visit that was cancelled or missed takes none."""
    minutes = sum(one.appointment.minutes for one in taking_place([row["visit"] for row in rows]))
    return f"{minutes // 60}:{minutes % 60:02d} h"


def around(salon: Records, start: datetime, end: datetime) -> list[Visit]:
    """Visits that may go on at some time in [start, end); none is longer than a day."""
    return taking_place(visits(salon, start - timedelta(days=1), end))


def beside(appointment: Appointment, near: Sequence[Visit]) -> list[Visit]:
    """Other visits at the same time; a salon with two tables may mean it so, hence nothing is refused.

    Args:
        near: visits around it, see :func:`around`.
    """
    start, end = span_of(appointment)
    others = ((one, *span_of(one.appointment)) for one in near if one.appointment.id != appointment.id)
    return [one for one, begins, ends in others if begins < end and ends > start]


def beside_words(found: Sequence[Visit], language: str) -> str:
    """Which other dogs are there at the same time, in one sentence; empty if none."""
    words = catalogue(language, "day")
    dogs = (
        words.say(
            "beside.one",
            dog=one.dog.name,
            at=f"{one.appointment.starts_at.astimezone():%H:%M}",
            minutes=words.minutes(one.appointment.minutes),
        )
        for one in found
    )
    return words.say("beside.there", dogs=words.joined(dogs)) if found else ""


def span_of(appointment: Appointment) -> tuple[datetime, datetime]:
    """When a visit begins and ends, as planned."""
    return appointment.starts_at, appointment.starts_at + timedelta(minutes=appointment.minutes)


def who_noted(reader: Reader, appointment: Appointment) -> str:
    """Who said last what became of a visit, or booked it; empty if the trail no longer tells."""
    noted = reader.trail(appointment.id)
    return noted[-1].who if noted else ""


def taking_place(found: Sequence[Visit]) -> list[Visit]:
    """Visits that take place or took place, in their order."""
    return [one for one in found if one.appointment.state in ("planned", "done")]


def visits_to_print(salon: Records, day: date) -> list[Visit]:
    """The visits of a day that are printed.

    Raises:
        RecordError: ``nothing_known`` if there are none.
    """
    found = taking_place(visits(salon, *files.day_bounds(day)))
    if not found:
        raise RecordError("this day", "has no visits to print.", "Choose another.", code="nothing_known")
    return found


def line_of(visit: Visit, told: Presentation | None, language: str) -> Coming:
    """A visit's line of the day's list.

    Args:
        told: what the dog's owner is told, in the language of the list; None if nothing is known of the dog.
    """
    booked, dog, client = visit.appointment, visit.dog, visit.client
    stops = told.section("stops") if told else None
    notes = [f"{one.text} {one.where}".strip() for one in (stops.blocks if stops else ()) if isinstance(one, Note)]
    if len(notes) > _MOST_NOTES:  # the gravest stands first; the owner's page has all of them
        notes = [*notes[:_MOST_NOTES], catalogue(language, "day").say("list.more", n=len(notes) - _MOST_NOTES)]
    return Coming(
        at=booked.starts_at.astimezone().time(),
        minutes=booked.minutes,
        dog=dog.name,
        breed=dog.breed,
        owner=client.name if client else "",
        phone=client.phone if client else "",
        known=told.title if told else catalogue(language, "day").say("list.nothing"),
        mind=tuple(filter(None, (dog.remarks, booked.remarks, *notes))),
    )


def one_file(parts: Sequence[bytes], *, both_sides: bool) -> bytes:
    """Several PDF files as one.

    Args:
        parts: PDF files; at least one.
        both_sides: each begins on a sheet of paper of its own, also when both sides are printed; else the file asks the
            printer for one side, as each page goes to somebody else.
    """
    from pypdf import PdfReader, PdfWriter
    from pypdf.generic import DictionaryObject, NameObject

    written = PdfWriter()
    for content in parts:
        pages = PdfReader(BytesIO(content)).pages
        if both_sides and len(written.pages) % 2:
            written.add_blank_page()
        for page in pages:
            written.add_page(page)
    if not both_sides:
        one_side = DictionaryObject({NameObject("/Duplex"): NameObject("/Simplex")})
        written.root_object[NameObject("/ViewerPreferences")] = one_side
    stream = BytesIO()
    written.write(stream)
    return stream.getvalue()
