"""A salon's day on paper: who comes when, how to reach the owner, and what to mind before hands are laid on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time

from coatclass.presentation.blocks import Section, Table, Text
from coatclass.words import catalogue

__all__ = ["Coming", "day_pdf"]

_SHARES = (0.11, 0.27, 0.24, 0.38)


@dataclass(frozen=True)
class Coming:
    """One visit of the day.

    Attributes:
        at, minutes: when, and how long it is planned for.
        dog, breed, owner, phone: as kept; empty where nobody entered it.
        known: what is known of the coat, in one sentence.
        mind: remarks, and what must not be done, the gravest last entered nowhere else.
    """

    at: time
    minutes: int
    dog: str
    breed: str
    owner: str
    phone: str
    known: str
    mind: tuple[str, ...] = ()


def day_pdf(coming: Sequence[Coming], day: date, *, language: str, paper: str = "A4") -> bytes:
    """The list of a day as a PDF file, for the salon and not for owners.

    Args:
        coming: in the order in which it is printed.
        language: of the list.
        paper: ``A4`` or ``Letter``.

    Raises:
        InputError: for an unknown paper.
    """
    from coatclass.reports._canvas import Canvas
    from coatclass.reports._sheet_pdf import write_section

    words = catalogue(language, "day")
    title = words.say("list.title", weekday=words.weekdays[day.weekday()], day=words.day(day))
    canvas = Canvas(paper, title=title, language=language, day=day, foot=lambda number: title)
    head = tuple(words.say(f"list.{one}") for one in ("when", "dog", "coat", "mind"))
    rows = tuple(
        (
            f"{one.at:%H:%M}\n{words.minutes(one.minutes)}",
            "\n".join(filter(None, (one.dog, one.breed, one.owner, one.phone))),
            one.known,
            "\n".join(one.mind),
        )
        for one in coming
    )
    write_section(canvas, Section("day", title, "paper", (Table(head, rows, _SHARES),)))
    write_section(canvas, Section("use", words.say("list.use"), "paper", (Text(words.say("list.how"), "quiet"),)))
    return canvas.output()
