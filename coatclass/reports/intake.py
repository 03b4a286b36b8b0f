"""The signed intake on paper: what was found, both offers, what was agreed, and the signature or a line for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coatclass.presentation.intake import Consent, place_name
from coatclass.reports._link import small_photo
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    from coatclass.reports._canvas import Canvas

__all__ = ["intake_pdf"]

_PICTURE_MM = 120.0
_SIGNATURE_MM = 64.0
_PHOTOS_IN_A_ROW, _PHOTO_GAP_MM = 4, 3.0


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
