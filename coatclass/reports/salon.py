"""The salon's own papers: the list of a day, and the signed intake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import TYPE_CHECKING

from coatclass.presentation.blocks import Section, Table, Text
from coatclass.presentation.intake import Consent, place_name
from coatclass.reports._link import small_photo
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    from coatclass.reports._canvas import Canvas

__all__ = ["Coming", "day_pdf", "intake_pdf"]

_SHARES = (0.11, 0.27, 0.24, 0.38)  # of the page's width, by column of the day's list
_PICTURE_MM = 120.0
_SIGNATURE_MM = 64.0
_PHOTOS_IN_A_ROW, _PHOTO_GAP_MM = 4, 3.0


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


def intake_pdf(shown: Consent, paper: str = "A4", photos: Sequence[tuple[str, bytes]] = ()) -> bytes:
    """The record as a PDF file; the same record gives the same bytes.

    Args:
        shown: what was found, told and signed.
        paper: ``A4`` or ``Letter``.
        photos: each with the key of its place.

    Raises:
        InputError: for an unknown paper.
    """
    from coatclass.reports._canvas import Canvas
    from coatclass.reports._sheet_pdf import write_section

    words = catalogue(shown.language, "intake")
    canvas = Canvas(
        paper,
        title=f"{shown.title}: {shown.lead}",
        language=shown.language,
        day=shown.day,
        foot=lambda number: f"{shown.lead} – {words.say('say.page', n=number)}",
    )
    canvas.flows = True
    canvas.text(shown.title, 15, bold=True)
    canvas.text(shown.lead, 9)
    if not shown.signed:
        canvas.text(shown.notes[0], 9, bold=True)
    canvas.space(2)
    left, whole = canvas.x, canvas.width
    canvas.x += (whole - _PICTURE_MM) / 2
    canvas.drawing(shown.picture, _PICTURE_MM)
    canvas.x = left
    for section in shown.sections[:-1]:
        write_section(canvas, section)
    _options(canvas, shown)
    write_section(canvas, shown.sections[-1])
    _signature(canvas, shown)
    _photos(canvas, photos, words)
    return canvas.output()


def _photos(canvas: Canvas, photos: Sequence[tuple[str, bytes]], words: Catalogue) -> None:
    """Photos of places beside each other, each with its place below it."""
    if not photos:
        return
    side = (canvas.width - _PHOTO_GAP_MM * (_PHOTOS_IN_A_ROW - 1)) / _PHOTOS_IN_A_ROW
    height = side + canvas.line_height(7.5) * 2 + 2
    canvas.space(3)
    canvas.keep(height + 8)
    canvas.text(words.say("map.photos"), 10.5, bold=True)
    for start in range(0, len(photos), _PHOTOS_IN_A_ROW):
        canvas.keep(height)
        x, y, whole = canvas.x, canvas.y, canvas.width
        for place, (key, content) in enumerate(photos[start : start + _PHOTOS_IN_A_ROW]):
            left = x + place * (side + _PHOTO_GAP_MM)
            canvas.image(small_photo(content), left, y, side, side)
            canvas.column(left, y + side + 0.5, side)
            canvas.text(words.title(place_name(key, words)), 7.5)
        canvas.column(x, y + height, whole)


def _options(canvas: Canvas, shown: Consent) -> None:
    canvas.space(2)
    canvas.keep(canvas.line_height(9) * (len(shown.options) + 3))
    canvas.text(shown.choose, 10.5, bold=True)
    for chosen, said in shown.options:
        x, y, side = canvas.x + 1, canvas.y + 0.8, 3.0
        canvas.box(x, y, side, side)
        if chosen:
            canvas.rule(x, y, x + side, y + side, width=0.6)
            canvas.rule(x, y + side, x + side, y, width=0.6)
        canvas.text(said, 9.5, bold=chosen, indent=6)
        canvas.space(0.6)


def _signature(canvas: Canvas, shown: Consent) -> None:
    canvas.space(3)
    canvas.keep(_SIGNATURE_MM * 0.42 + 18)
    if shown.signature is not None:
        canvas.drawing(shown.signature, _SIGNATURE_MM)
    elif not shown.signed:
        canvas.space(14)
    canvas.rule(canvas.x, canvas.y, canvas.x + 90, canvas.y, width=0.3)
    canvas.space(0.6)
    canvas.text(shown.signed or shown.sign_here, 8.5, bold=bool(shown.signed))
    for note in shown.notes if shown.signed else ():
        canvas.text(note, 7, grey=70)
