"""The salon's days: a week at a glance, and all sheets of one day in one file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from io import BytesIO
from typing import Any

from app import cases
from app.groomer import dog_file as files
from coatclass.errors import RecordError
from coatclass.records import AnswerSheet, Appointment, Finding, Photo, Reader, Records, Visit, visits

_WEEK = 7


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
    """Hours on the table, as ``5:30 h``."""
    minutes = sum(row["visit"].appointment.minutes for row in rows)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def who_noted(reader: Reader, appointment: Appointment) -> str:
    """Who said last what became of a visit, or booked it; empty if the trail no longer tells."""
    noted = reader.trail(appointment.id)
    return noted[-1].who if noted else ""


def dogs_to_print(salon: Records, day: date) -> list[str]:
    """Ids of the dogs that come on a day, each once, in the order in which they come."""
    found = visits(salon, *files.day_bounds(day))
    return list(dict.fromkeys(one.dog.id for one in found if one.appointment.state in ("planned", "done")))


def anything_to_print(reader: Reader, found: Sequence[Visit]) -> bool:
    """Whether photo, answers or a finding of any of these dogs are kept."""
    kinds: tuple[type[Any], ...] = (Photo, AnswerSheet, Finding)
    return any(reader.count(kind, dog_id=one.dog.id) for one in found for kind in kinds)


def one_file(sheets: list[bytes]) -> bytes:
    """Several PDF files as one; each begins on a sheet of paper of its own, also when both sides are printed.

    Raises:
        RecordError: ``nothing_known`` if there are none.
    """
    from pypdf import PdfReader, PdfWriter

    if not sheets:
        raise RecordError(
            "the day's sheets",
            "can't be printed: nothing is known of any dog of this day.",
            "Enter photos, answers or findings first.",
            code="nothing_known",
        )
    written = PdfWriter()
    for content in sheets:
        pages = PdfReader(BytesIO(content)).pages
        if len(written.pages) % 2:
            written.add_blank_page()
        for page in pages:
            written.add_page(page)
    stream = BytesIO()
    written.write(stream)
    return stream.getvalue()
