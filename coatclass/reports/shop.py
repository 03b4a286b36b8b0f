"""The shop card as a PDF in true size, with a frame as large as a bank card to check it by."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coatclass.errors import InputError
from coatclass.measure import CARD_MM
from coatclass.presentation.blocks import Gauge, NotThis, Presentation, ShopCard, ShopRow

if TYPE_CHECKING:
    from coatclass.reports._canvas import Canvas

__all__ = ["shop_card_pdf"]

_DRAWN = (84.0, 56.0)  # of the toolkit's drawings, mm
_BODY = 8.2
_NOT_WIDTH = 42.0  # these are not in true size: nobody is to hold them beside a brush


def shop_card_pdf(plan: Presentation, paper: str = "A4") -> bytes:
    """The card as a PDF file; a millimetre on it is a millimetre on the paper.

    Args:
        plan: whose card it is.
        paper: ``A4`` or ``Letter``.

    Raises:
        InputError: for an unknown paper, or a presentation without a plan.
    """
    from coatclass.reports._canvas import Canvas

    card = plan.shop
    if card is None:
        raise InputError("the shop card", "needs a plan.", "Give a photo that can be used, or answers.", code="no_plan")
    canvas = Canvas(paper, title=card.title, language=plan.language, day=plan.day, foot=lambda number: card.title)
    _head(canvas, card)
    for row in card.rows:
        _row(canvas, row)
    canvas.text(card.rest, _BODY, bold=True)
    return canvas.output()


def _head(canvas: Canvas, card: ShopCard) -> None:
    """Title, the frame to check by with its scale, and beside it what to leave in the shop."""
    canvas.text(card.title, 15, bold=True)
    canvas.text(card.lead, 9.5)
    canvas.space(1)
    x, y, whole = canvas.x, canvas.y, canvas.width
    width, height = CARD_MM
    canvas.box(x, y, width, height, line=0.2)
    canvas.column(x + 4, y + 4, width - 8)
    canvas.text(card.fits, _BODY)
    _scale(canvas, x, y + height - 9, width, card.scale)
    canvas.column(x + width + 5, y, whole - width - 5)
    if card.nots:
        canvas.text(card.not_word, 10.5, bold=True)
    for one in card.nots:
        _not_this(canvas, one)
    canvas.column(x, max(y + height, canvas.y) + 2, whole)


def _scale(canvas: Canvas, x: float, y: float, width: float, says: str) -> None:
    """A line as long as the card with a tick every 10 mm."""
    canvas.rule(x, y, x + width, y, width=0.2)
    for end in (x, x + width):
        canvas.rule(end, y - 2.5, end, y + 2.5, width=0.2)
    for step in range(1, int(width // 10) + 1):
        canvas.rule(x + 10 * step, y - 1.2, x + 10 * step, y + 1.2, width=0.2)
    canvas.column(x + width / 2 - 8, y + 2, 30)
    canvas.text(says, _BODY, bold=True)


def _not_this(canvas: Canvas, one: NotThis) -> None:
    x, y, whole = canvas.x, canvas.y, canvas.width
    height = _NOT_WIDTH * _DRAWN[1] / _DRAWN[0]
    canvas.svg(one.drawing, x, y, _NOT_WIDTH)
    canvas.rule(x, y, x + _NOT_WIDTH, y + height, width=1.0)
    canvas.rule(x, y + height, x + _NOT_WIDTH, y, width=1.0)
    canvas.column(x + _NOT_WIDTH + 1, y, whole - _NOT_WIDTH - 1)
    canvas.text(one.name, _BODY, bold=True)
    canvas.text(one.why, _BODY - 1.2)
    canvas.column(x, max(canvas.y, y + height) + 1, whole)


def _row(canvas: Canvas, row: ShopRow) -> None:
    """A tool in true size at the left, what to see at the right."""
    x, y, whole = canvas.x, canvas.y, canvas.width
    canvas.rule(x, y, x + whole, y, width=0.4)
    canvas.svg(row.drawing, x, y + 1, _DRAWN[0])
    canvas.column(x + _DRAWN[0] + 4, y + 1, whole - _DRAWN[0] - 4)
    canvas.text(f"{row.name} ({row.role_word})", 10.5, bold=True)
    canvas.text(row.features, _BODY)
    for gauge in row.gauges:
        _gauge(canvas, gauge)
    for one in row.sees:
        canvas.text(one, _BODY)
    canvas.space(0.8)
    canvas.text(row.instead, _BODY, bold=True)
    canvas.column(x, max(canvas.y, y + _DRAWN[1] + 1) + 1, whole)


def _gauge(canvas: Canvas, gauge: Gauge) -> None:
    canvas.space(0.6)
    canvas.drawing(gauge.drawing, gauge.drawing.view[2])
    canvas.text(gauge.says, _BODY - 1)
