"""The sheet as a PDF: one page first, type as large as it fits, then the annex."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from coatclass.presentation import Presentation, Section
from coatclass.presentation.abridged import FULL, SHORTEST, FirstPage, details, first_page
from coatclass.presentation.blocks import (
    Bars,
    Block,
    Facts,
    Frames,
    Items,
    Note,
    Picture,
    RuledLines,
    StepRow,
    Steps,
    Table,
    Text,
    ToolRow,
    Tools,
    WeekStrip,
)
from coatclass.reports._canvas import Canvas
from coatclass.reports._link import QrCode
from coatclass.words import catalogue

__all__ = ["write", "write_section"]

# How the first page is tried, until one fits: what it says, and the scale of its type.
_TRIALS = (
    (FULL, 1.25), (FULL, 1.12), (FULL, 1.0), (1, 1.06), (1, 0.96), (SHORTEST, 0.94), (SHORTEST, 0.84), (SHORTEST, 0.74),
    (SHORTEST, 0.62),
)  # fmt: skip
# How the annex is tried, so that its last page is not nearly empty: the scale of its type.
_ANNEX = (1.0, 0.95, 1.05, 0.91)
_LEAST_OF_A_PAGE = 0.25
_LEFT_SHARE = 0.52
_GAP = 5.0
_BODY = 8.6
_PHOTO = (38.0, 27.0)  # room of the dog's photo, mm
_CODE = 24.0  # side of the private link's code, mm
_MAP_LEAST = 52.0  # room below the columns that the map of knots is worth, mm


def write(
    plan: Presentation, paper: str, photo: bytes = b"", link: QrCode | None = None, *, annex: bool = True
) -> bytes:
    """The file, in the language of the presentation.

    Args:
        plan: what to show.
        paper: ``A4`` or ``Letter``.
        photo: a small JPEG of the dog; none if empty.
        link: the dog's private link as a pattern of squares.
        annex: whether the details follow the first page.
    """
    head = _Head(photo, link, "" if annex else catalogue(plan.language).say("plan.title.alone"))
    brevity, scale = next(
        (trial for trial in _TRIALS if _fits(_begin(plan, paper, trial[1], draft=True), plan, trial[0], head)),
        _TRIALS[-1],
    )
    canvas, page = _begin(plan, paper, scale), first_page(plan, brevity)
    _first_page(canvas, page, head)
    if not annex:
        return canvas.output()
    rest = details(plan, page)
    canvas.scale, canvas.flows = _annex_scale(plan, paper, rest), True
    _annex(canvas, plan, rest)
    return canvas.output()


@dataclass(frozen=True)
class _Head:
    """What stands beside the title: the dog's photo, and the code of its link; below it, where the details are."""

    photo: bytes
    link: QrCode | None
    details: str = ""

    @property
    def width(self) -> float:
        """Room to the right of the title, mm."""
        return (_PHOTO[0] + 3 if self.photo else 0.0) + (_CODE + 3 if self.link else 0.0)


def _fits(canvas: Canvas, plan: Presentation, brevity: int, head: _Head) -> bool:
    return _first_page(canvas, first_page(plan, brevity), head) <= canvas.bottom


def _annex(canvas: Canvas, plan: Presentation, rest: Sequence[Section]) -> tuple[int, float]:
    """Write the annex from a new page on; how many pages there are then, and how far down the last one reaches."""
    canvas.new_page()
    canvas.text(plan.details_title, 14, bold=True)
    for section in rest:
        write_section(canvas, section)
    return canvas.pages, canvas.y


def _annex_scale(plan: Presentation, paper: str, rest: Sequence[Section]) -> float:
    """The first scale whose last page is not nearly empty, or else the one with the fullest last page."""
    fullest = (0.0, _ANNEX[0])
    for scale in _ANNEX:
        canvas = _begin(plan, paper, scale, draft=True)
        canvas.flows = True
        _, y = _annex(canvas, plan, rest)
        if y >= _LEAST_OF_A_PAGE * canvas.bottom:
            return scale
        fullest = max(fullest, (y, scale))
    return fullest[1]


def _begin(plan: Presentation, paper: str, scale: float, *, draft: bool = False) -> Canvas:
    words = catalogue(plan.language)
    return Canvas(
        paper,
        title=plan.sheet_title,
        language=plan.language,
        day=plan.day,
        foot=lambda number: f"{plan.page_title} – {words.say('plan.title.of', page=number)}",
        scale=scale,
        draft=draft,
    )


def _first_page(canvas: Canvas, page: FirstPage, head: _Head) -> float:
    """Write the first page; how far down it reaches, mm."""
    left, whole = canvas.x, canvas.width
    top = canvas.y
    canvas.width = whole - head.width
    canvas.text(page.title, 17, bold=True)
    canvas.text(f"{page.made}. {head.details}" if head.details else page.made, 8.5, grey=60)
    canvas.space(1)
    canvas.text(page.verdict, 10.5, bold=True)
    canvas.y = max(canvas.y, top + _beside_title(canvas, left + whole, top, head))
    canvas.width = whole
    canvas.space(1)
    _blocks(canvas, page.top)
    top, first = canvas.y, (whole - _GAP) * _LEFT_SHARE
    end = _columns(canvas, top, ((left, first, page.left), (left + first + _GAP, whole - _GAP - first, page.right)))
    if page.below is not None and canvas.bottom - end > _MAP_LEAST:
        canvas.column(left, end + 1, whole)
        _below(canvas, page.below)
    return end


def _beside_title(canvas: Canvas, right: float, y: float, head: _Head) -> float:
    """The photo and the code at the upper right; how tall they are, mm."""
    if head.link is not None:
        canvas.squares(head.link.rows, right - _CODE, y, _CODE)
        canvas.column(right - _CODE - 1, y + _CODE, _CODE + 2)
        canvas.text(head.link.says, 6.5)
        right -= _CODE + 3
    if head.photo:
        canvas.image(head.photo, right - _PHOTO[0], y, *_PHOTO)
    tall = max(_PHOTO[1] if head.photo else 0.0, canvas.y - y if head.link is not None else 0.0)
    canvas.x = canvas.left
    return tall


def _below(canvas: Canvas, section: Section) -> None:
    """The map of knots, as large as the rest of the page lets it be."""
    whole, left = canvas.width, canvas.x
    canvas.text(section.title, 10.5, bold=True)
    canvas.rule(left, canvas.y, left + whole, canvas.y, width=0.5)
    room = canvas.bottom - canvas.y - 1
    for block in section.blocks:
        _, _, width, height = block.drawing.view  # type: ignore[union-attr]
        wide = min(whole * 0.75, room * width / height)
        canvas.x = left + (whole - wide) / 2
        canvas.drawing(block.drawing, wide)  # type: ignore[union-attr]


def _columns(canvas: Canvas, top: float, columns: Iterable[tuple[float, float, tuple[Section, ...]]]) -> float:
    """Write columns side by side; how far down the longest reaches."""
    lowest = top
    for x, width, sections in columns:
        canvas.column(x, top, width)
        for section in sections:
            write_section(canvas, section)
        lowest = max(lowest, canvas.y)
    return lowest


def write_section(canvas: Canvas, section: Section) -> None:
    """A headed part, whose heading never stands alone at the foot of a page."""
    canvas.space(2)
    canvas.keep(max(_ROOM.get(type(block), 22.0) for block in section.blocks[:2]))
    canvas.text(section.title, 10.5, bold=True)
    canvas.rule(canvas.x, canvas.y, canvas.x + canvas.width, canvas.y, width=0.5)
    canvas.space(1)
    _blocks(canvas, section.blocks)


# Room that a heading wants below it, mm, so that it never stands alone at the foot of a page.
_WIDEST_PICTURE = 125.0  # mm
_ROOM: dict[type, float] = {Tools: 42.0, RuledLines: 66.0, Table: 30.0, Picture: 84.0, Frames: 70.0}


def _blocks(canvas: Canvas, blocks: Iterable[Block]) -> None:
    for block in blocks:
        _WRITERS[type(block)](canvas, block)


def _text(canvas: Canvas, block: Text) -> None:
    quiet, bold = block.tone == "quiet", block.tone == "headline"
    canvas.text(block.text, _BODY - 1 if quiet else _BODY, bold=bold, grey=70 if quiet else 0)
    canvas.space(0.8)


def _items(canvas: Canvas, block: Items) -> None:
    for number, item in enumerate(block.items, start=1):
        canvas.keep(canvas.line_height(_BODY) * 2)
        canvas.beside(f"{number}." if block.numbered else "•", _BODY, canvas.x, bold=block.numbered)
        canvas.text(item, _BODY, indent=5 * canvas.scale if block.numbered else 3 * canvas.scale)
        canvas.space(0.4)


def _facts(canvas: Canvas, block: Facts) -> None:
    widest = max((canvas.text_width(name, _BODY, bold=True) for name, _ in block.pairs), default=0.0)
    beside = widest + 4 <= canvas.width * 0.42
    for name, what in block.pairs:
        canvas.keep(canvas.line_height(_BODY) * 2)
        if beside:
            canvas.beside(name, _BODY, canvas.x)
        else:
            canvas.text(name, _BODY, bold=True)
        canvas.text(what, _BODY, indent=widest + 3 if beside else 3)
        canvas.space(0.4)


def _note(canvas: Canvas, block: Note) -> None:
    """A caution in a frame: stop rules in a thick one with a black bar."""
    size = _BODY - 0.3
    words = " ".join(part for part in (block.text, block.where) if part)
    indent = canvas.text_width(block.word, size, bold=True) + 4.5
    inner = canvas.width - indent - 1.5
    n = len(canvas.lines(words, size, width=inner))
    height = n * canvas.line_height(size) + 1.6
    canvas.keep(height + 1)
    x, y, width = canvas.x, canvas.y, canvas.width
    canvas.box(x, y, width, height, line=0.8 if block.level == "stop" else 0.2, dashed=block.level == "note")
    if block.level == "stop":
        canvas.rule(x + 0.9, y + 0.4, x + 0.9, y + height - 0.4, width=1.2)
    canvas.y = y + 0.8
    canvas.beside(block.word, size, x + 2)
    canvas.width = width - 1.5
    canvas.text(words, size, indent=indent)
    canvas.width, canvas.y = width, y + height
    canvas.space(1)


def _steps(canvas: Canvas, block: Steps) -> None:
    for number, row in enumerate(block.rows, start=1):
        _step(canvas, number, row, block)


def _step(canvas: Canvas, position: int, row: StepRow, block: Steps) -> None:
    indent = 6.5 * canvas.scale
    canvas.keep(canvas.line_height(_BODY) * 5)
    r = 2.3 * canvas.scale
    height = canvas.line_height(_BODY)
    canvas.pdf.set_line_width(0.4)
    canvas.pdf.set_draw_color(0)
    canvas.pdf.ellipse(canvas.x, canvas.y + height / 2 - r, 2 * r, 2 * r)
    number = str(position)
    canvas.beside(number, _BODY - 1, canvas.x + r - canvas.text_width(number, _BODY - 1, bold=True) / 2 - 1)
    title = f"{row.title} ({row.tag})" if row.tag else row.title
    canvas.text(title, _BODY, bold=True, indent=indent)
    if row.where:
        canvas.text(f"{block.where_word}: {row.where}.", _BODY - 1, indent=indent, grey=50)
    canvas.text(row.do, _BODY, indent=indent)
    if row.done:
        canvas.text(f"{block.done_word}: {row.done}", _BODY, indent=indent, grey=0)
    if row.errors:
        canvas.text(f"{block.errors_word}: {' '.join(row.errors)}", _BODY, indent=indent, grey=50)
    if row.notes:
        x, width = canvas.x, canvas.width
        canvas.x, canvas.width = x + indent, width - indent
        _blocks(canvas, row.notes)
        canvas.x, canvas.width = x, width
    canvas.space(1.2)


def _tools(canvas: Canvas, block: Tools) -> None:
    """Tools with their reasons one below the other, the drawing to the left; without them beside each other."""
    if any(row.why for row in block.rows):
        for row in block.rows:
            _tool_with_reason(canvas, row, block)
        canvas.space(0.8)
        return
    across, gap = max(2, min(len(block.rows), _MOST_ACROSS)), 2.0
    width = (canvas.width - gap * (across - 1)) / across
    for start in range(0, len(block.rows), across):
        rows = block.rows[start : start + across]
        height = max(_tool_height(canvas, row, block, width) for row in rows)
        canvas.keep(height)
        x, y, whole = canvas.x, canvas.y, canvas.width
        for column, row in enumerate(rows):
            canvas.column(x + column * (width + gap), y, width)
            _tool(canvas, row, block, height)
        canvas.column(x, y + height + 1.2, whole)


_MOST_ACROSS = 3
_DRAWN = 36.0  # width of a drawing with its reasons beside it, mm


def _tool_with_reason(canvas: Canvas, row: ToolRow, block: Tools) -> None:
    picture = _DRAWN if row.drawing else 0.0
    width = canvas.width - picture - 4
    lines = _tool_lines(canvas, row, block, width)
    words = sum(len(canvas.lines(text, size, bold=bold, width=width)) * canvas.line_height(size)
                for text, size, bold in lines)  # fmt: skip
    height = max(words, picture * 56 / 84) + 2
    canvas.keep(height)
    x, y, whole = canvas.x, canvas.y, canvas.width
    canvas.box(x, y, whole, height, line=0.15)
    if row.drawing:
        canvas.svg(row.drawing, x + 1, y + 1, picture)
    flows, canvas.flows = canvas.flows, False
    canvas.column(x + picture + 2, y + 1, width)
    for text, size, bold in lines:
        canvas.text(text, size, bold=bold)
    canvas.flows = flows
    canvas.column(x, y + height + 1, whole)


def _picture_width(row: ToolRow, width: float) -> float:
    return width * 0.86 if row.drawing else 0.0


def _tool_lines(canvas: Canvas, row: ToolRow, block: Tools, width: float) -> tuple[tuple[str, float, bool], ...]:
    """A tool's words with their sizes; the name is set as small as its longest word needs."""
    name = f"{row.name} ({row.role_word})"
    parts = (
        (name, canvas.fitting(name, _BODY - 0.6, width, bold=True), True),
        (row.features, _BODY - 1.2, False),
        (row.why, _BODY - 0.8, False),
        (f"{block.where_word}: {row.where}." if row.where else "", _BODY - 1.0, False),
    )
    return tuple(part for part in parts if part[0])


def _tool_height(canvas: Canvas, row: ToolRow, block: Tools, width: float) -> float:
    words = sum(
        len(canvas.lines(text, size, bold=bold, width=width - 2)) * canvas.line_height(size)
        for text, size, bold in _tool_lines(canvas, row, block, width - 2)
    )
    return words + _picture_width(row, width) * 56 / 84 + 2


def _tool(canvas: Canvas, row: ToolRow, block: Tools, height: float) -> None:
    x, y, width = canvas.x, canvas.y, canvas.width
    canvas.box(x, y, width, height, line=0.15)
    picture = _picture_width(row, width)
    if row.drawing:
        canvas.svg(row.drawing, x + 1, y + 0.5, picture)
    flows, canvas.flows = canvas.flows, False
    canvas.column(x + 1, y + 1 + picture * 56 / 84, width - 2)
    for text, size, bold in _tool_lines(canvas, row, block, width - 2):
        canvas.text(text, size, bold=bold)
    canvas.flows = flows


def _picture(canvas: Canvas, block: Picture) -> None:
    canvas.drawing(block.drawing, min(canvas.width, _WIDEST_PICTURE))
    canvas.space(0.5)


def _frames(canvas: Canvas, block: Frames) -> None:
    """Three frames in a row, each with its number and sentence."""
    gap = 3.0
    width = (canvas.width - gap * (_MOST_ACROSS - 1)) / _MOST_ACROSS
    for start in range(0, len(block.rows), _MOST_ACROSS):
        rows = block.rows[start : start + _MOST_ACROSS]
        said = [f"{start + n}. {text}" for n, (_, text) in enumerate(rows, start=1)]
        tallest = max(len(canvas.lines(text, _BODY, width=width)) for text in said) * canvas.line_height(_BODY)
        drawn = max(width * drawing.view[3] / drawing.view[2] for drawing, _ in rows)
        canvas.keep(drawn + tallest + 2)
        x, y, whole = canvas.x, canvas.y, canvas.width
        flows, canvas.flows = canvas.flows, False
        for n, ((drawing, _), text) in enumerate(zip(rows, said, strict=True)):
            canvas.column(x + n * (width + gap), y, width)
            canvas.drawing(drawing, width)
            canvas.text(text, _BODY)
        canvas.flows = flows
        canvas.column(x, y + drawn + tallest + 2, whole)


def _week(canvas: Canvas, block: WeekStrip) -> None:
    gap = 0.8
    width = (canvas.width - gap * 6) / 7
    size = min(canvas.fitting(due, 6.2, width, bold=kind == 2) for _, due, kind in block.days)
    tallest = max(len(canvas.lines(due, size, bold=kind == 2, width=width)) for _, due, kind in block.days)
    height = canvas.line_height(7.5) + tallest * canvas.line_height(size) + 1.2
    canvas.keep(height)
    x, y, whole = canvas.x, canvas.y, canvas.width
    for n, (day, due, kind) in enumerate(block.days):
        left = x + n * (width + gap)
        canvas.box(left, y, width, height, line=(0.15, 0.3, 0.8)[kind], dashed=kind == 1)
        canvas.column(left, y + 0.4, width)
        canvas.text(day, 7.5, bold=True)
        canvas.text(due, size, bold=kind == 2)
    canvas.column(x, y + height + 1.2, whole)


def _bars(canvas: Canvas, block: Bars) -> None:
    """Name and share in words, and a bar as long as the share."""
    height = canvas.line_height(_BODY)
    canvas.keep(height * (len(block.rows) + 1))
    canvas.text(block.caption, _BODY - 1, grey=50)
    for name, share, said, possible in block.rows:
        canvas.beside(f"{'●' if possible else '○'} {name}", _BODY, canvas.x, bold=possible)
        canvas.beside(said, _BODY, canvas.x + canvas.width * 0.38, bold=False)
        left, whole = canvas.x + canvas.width * 0.5, canvas.width * 0.5
        canvas.box(left, canvas.y + height * 0.3, whole, height * 0.4, line=0.15)
        canvas.bar(left, canvas.y + height * 0.3, whole * share, height * 0.4, black=possible)
        canvas.y += height
    canvas.space(1.5)


def _table(canvas: Canvas, block: Table) -> None:
    for row in (block.head, *block.rows):
        size, bold = _BODY - 0.4, row is block.head
        widths = [share * canvas.width for share in block.shares]
        tallest = max(
            len(canvas.lines(cell, size, bold=bold, width=width - 2)) for cell, width in zip(row, widths, strict=True)
        )
        height = tallest * canvas.line_height(size) + 1
        canvas.keep(height)
        x, y, whole = canvas.x, canvas.y, canvas.width
        left = x
        for cell, width in zip(row, widths, strict=True):
            canvas.box(left, y, width, height, line=0.15)
            canvas.column(left + 1, y + 0.5, width - 2)
            canvas.text(cell, size, bold=bold)
            left += width
        canvas.column(x, y + height, whole)
    canvas.space(1)


def _ruled(canvas: Canvas, block: RuledLines) -> None:
    for _ in range(block.count):
        canvas.keep(9)
        canvas.y += 9
        canvas.rule(canvas.x, canvas.y, canvas.x + canvas.width, canvas.y, width=0.15)
    canvas.space(2)


_WRITERS: dict[type, Callable[[Canvas, Any], None]] = {
    Text: _text,
    Items: _items,
    Facts: _facts,
    Note: _note,
    Steps: _steps,
    Tools: _tools,
    Picture: _picture,
    Frames: _frames,
    WeekStrip: _week,
    Bars: _bars,
    Table: _table,
    RuledLines: _ruled,
}
