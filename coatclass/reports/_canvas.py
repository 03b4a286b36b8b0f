"""Paper for the PDF: text in columns, lines that break where we say, drawings from shapes, a font of our own copy."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, time
from functools import cache, lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

from fpdf import FPDF
from fpdf.drawing_primitives import Transform
from fpdf.svg import SVGObject

from coatclass.errors import InputError
from coatclass.presentation.drawing import Drawing, Label, Line

__all__ = ["PAPERS", "Canvas"]

PAPERS = ("A4", "Letter")

_FONTS = Path(__file__).with_name("data") / "fonts"
_MARGIN = 12.0
_FOOT = 14.0
_MM_PER_PT = 25.4 / 72
_LEADING = 1.28
_MISSING = "□"  # stands for a character that the font lacks


@cache
def _advances(bold: bool) -> Mapping[int, float]:
    """How far each character of the font moves the pen, as a share of the type size."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    font = TTFont(_FONTS / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"))
    per_em, advance = font["head"].unitsPerEm, font["hmtx"]
    return {code: advance[glyph][0] / per_em for code, glyph in font.getBestCmap().items()}


@lru_cache(maxsize=50_000)
def _ems(words: str, bold: bool) -> float:
    """Width of words whose characters the font has, as a share of the type size."""
    advances = _advances(bold)
    return sum(advances[ord(c)] for c in words)


@lru_cache(maxsize=20_000)
def _clean(text: str) -> str:
    known = _advances(False)
    composed = unicodedata.normalize("NFC", text)
    return "".join(
        c if c == "\n" or ord(c) in known else _MISSING
        for c in composed
        if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Mn", "Cs")
    )


@lru_cache(maxsize=20_000)
def _broken(text: str, points: float, bold: bool, room: float) -> tuple[str, ...]:
    """Clean text broken into lines of ``room`` mm: drafts and the final copy ask for the same again and again."""
    em = points * _MM_PER_PT
    space = _ems(" ", bold) * em
    broken: list[str] = []
    for paragraph in text.split("\n"):
        line, long = "", 0.0
        for word in paragraph.split():
            width = _ems(word, bold) * em
            longer = long + space + width if line else width
            if longer <= room:
                line, long = (f"{line} {word}" if line else word), longer
                continue
            if line:
                broken.append(line)
            *whole, line = _pieces(word, em, bold, room)
            broken += whole
            long = _ems(line, bold) * em
        broken.append(line)
    return tuple(broken)


def _pieces(word: str, em: float, bold: bool, room: float) -> list[str]:
    """A word in pieces that fit a line each; nearly always the word itself."""
    if _ems(word, bold) * em <= room:
        return [word]
    pieces = [""]
    for character in word:
        if pieces[-1] and _ems(pieces[-1] + character, bold) * em > room:
            pieces.append("")
        pieces[-1] += character
    return pieces


_DRAWING = Lock()  # a picture that was read once is placed anew by each drawing


@lru_cache(maxsize=200)
def _parsed(source: str) -> Any:
    """A picture of our own, read once."""
    return SVGObject(source.encode())


class _NoPaper:
    """Stands for a document while a page is only measured: it has a size, and whatever is drawn on it is not."""

    def __init__(self, paper: str) -> None:
        self.w, self.h, self.c_margin = _size(paper)

    def __getattr__(self, name: str) -> Callable[..., None]:
        return _draw_nothing


def _draw_nothing(*_: object, **__: object) -> None:
    return None


def _document(paper: str, draft: bool) -> Any:
    return _NoPaper(paper) if draft else _Document(format=paper)


@cache
def _size(paper: str) -> tuple[float, float, float]:
    """Width, height and the margin of a cell, mm."""
    pdf = FPDF(format=paper)
    return pdf.w, pdf.h, pdf.c_margin


class _Document(FPDF):
    """Adds a foot line to every page."""

    foot: Callable[[int], str]

    def footer(self) -> None:
        """Page number and dog at the foot."""
        self.set_xy(_MARGIN, self.h - 10)
        self.set_font("sheet", size=7.5)
        self.cell(self.w - 2 * _MARGIN, 4, self.foot(self.page), align="R")


class Canvas:
    """One document being written, with a cursor in a column.

    Args:
        paper: ``A4`` or ``Letter``.
        title, language, day: of the document; the day makes its bytes the same each time.
        foot: the foot line of a page by its number.
        scale: of all type and spacing.
        draft: measures only; pictures keep their room but are not drawn.

    Raises:
        InputError: for another paper.
    """

    def __init__(
        self,
        paper: str,
        *,
        title: str,
        language: str,
        day: date,
        foot: Callable[[int], str],
        scale: float = 1.0,
        draft: bool = False,
    ) -> None:
        if paper not in PAPERS:
            raise InputError(f"paper {paper!r}", "is not offered.", f"Choose {' or '.join(PAPERS)}.", code="paper")
        self.pdf = _document(paper, draft)
        self.pdf.set_auto_page_break(False)
        self.pdf.set_margin(_MARGIN)
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            self.pdf.add_font("sheet", style, _FONTS / name)
        self.pdf.foot = lambda number: self.clean(foot(number))
        self.pdf.set_title(self.clean(title))
        self.pdf.set_lang(language)
        self.pdf.set_creator("coatclass")
        self.pdf.set_creation_date(datetime.combine(day, time(12), tzinfo=UTC))
        self.scale = scale
        self.draft = draft
        self.flows = False  # whether text that reaches the foot goes on on a new page
        self.new_page()

    # --- place ------------------------------------------------------------------------------------------------------

    def new_page(self) -> None:
        """Begin a page with one column over its whole width."""
        self.pdf.add_page()
        self.x, self.y, self.width = _MARGIN, _MARGIN, self.pdf.w - 2 * _MARGIN

    @property
    def bottom(self) -> float:
        """Where the foot begins, mm from the top."""
        return float(self.pdf.h) - _FOOT

    def column(self, x: float, y: float, width: float) -> None:
        """Put the cursor at the top of a column, mm."""
        self.x, self.y, self.width = x, y, width

    def keep(self, height: float) -> None:
        """Begin a new page if so much does not fit any more."""
        if self.flows and self.y + height > self.bottom and self.y > _MARGIN + 1:
            self.new_page()

    def space(self, mm: float) -> None:
        """Leave some room."""
        self.y += mm * self.scale

    # --- text -------------------------------------------------------------------------------------------------------

    def clean(self, text: str) -> str:
        """The text with only characters that the font has; others are shown as a box."""
        return _clean(text)

    def line_height(self, size: float) -> float:
        """Height of a line of type of a size in points, mm."""
        return size * self.scale * _MM_PER_PT * _LEADING

    def lines(self, text: str, size: float, *, bold: bool = False, width: float | None = None) -> list[str]:
        """The text broken into lines between words, and within a word only where it is longer than a line."""
        room = (self.width if width is None else width) - 2 * self.pdf.c_margin
        return list(_broken(self.clean(text), size * self.scale, bold, room))

    def _width(self, words: str, size: float, bold: bool) -> float:
        """Width of words whose characters the font has, mm."""
        return _ems(words, bold) * size * self.scale * _MM_PER_PT

    def fitting(self, text: str, size: float, width: float, *, bold: bool = False) -> float:
        """The size in points, at most ``size``, at which no word of the text is broken in a width in mm."""
        longest = max((self.text_width(word, size, bold=bold) for word in text.split()), default=0.0)
        return size * min(1.0, (width - 2.5) / max(longest, 0.1))

    def text(self, text: str, size: float = 9.0, *, bold: bool = False, indent: float = 0.0, grey: int = 0) -> None:
        """A paragraph from the cursor on; moves the cursor below it."""
        if not text:
            return
        height = self.line_height(size)
        for line in self.lines(text, size, bold=bold, width=self.width - indent):
            self.keep(height)
            self.pdf.set_font("sheet", "B" if bold else "", size * self.scale)
            self.pdf.set_text_color(grey)
            self.pdf.set_xy(self.x + indent, self.y)
            self.pdf.cell(self.width - indent, height, line)
            self.pdf.set_text_color(0)
            self.y += height

    def beside(self, text: str, size: float, x: float, *, bold: bool = True) -> None:
        """Words on the line of the cursor at x, which stays where it is."""
        self.pdf.set_font("sheet", "B" if bold else "", size * self.scale)
        self.pdf.set_xy(x, self.y)
        self.pdf.cell(self.width, self.line_height(size), self.clean(text))

    def text_width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of some words, mm."""
        return self._width(self.clean(text), size, bold)

    # --- shapes -----------------------------------------------------------------------------------------------------

    def rule(self, x1: float, y1: float, x2: float, y2: float, *, width: float = 0.3, dashed: bool = False) -> None:
        """A straight line, mm."""
        self.pdf.set_draw_color(0)
        self.pdf.set_line_width(width)
        if dashed:
            self.pdf.set_dash_pattern(dash=1.2, gap=0.8)
        self.pdf.line(x1, y1, x2, y2)
        self.pdf.set_dash_pattern()

    def box(self, x: float, y: float, width: float, height: float, *, line: float = 0.3, dashed: bool = False) -> None:
        """An empty frame, mm."""
        self.pdf.set_draw_color(0)
        self.pdf.set_line_width(line)
        if dashed:
            self.pdf.set_dash_pattern(dash=1.2, gap=0.8)
        self.pdf.rect(x, y, width, height)
        self.pdf.set_dash_pattern()

    def bar(self, x: float, y: float, width: float, height: float, *, black: bool) -> None:
        """A filled box, mm; grey unless it is to be black."""
        self.pdf.set_fill_color(0 if black else 160)
        self.pdf.rect(x, y, width, height, style="F")

    def svg(self, source: str, x: float, y: float, width: float) -> None:
        """An SVG picture of another room, mm."""
        if self.draft:
            return
        parsed = _parsed(source)
        _, _, view_width, view_height = parsed.viewbox
        height = width * view_height / view_width
        with _DRAWING:
            _, _, path = parsed.transform_to_rect_viewport(
                scale=1, width=width, height=height, ignore_svg_top_attrs=True
            )
            path.transform = path.transform @ Transform.translation(x, y)
            self.pdf.set_xy(0, 0)
            self.pdf.draw_path(path, copy=False)

    def drawing(self, drawing: Drawing, width: float) -> None:
        """A drawing at the cursor, so many mm wide; moves the cursor below it."""
        left, top, view_width, view_height = drawing.view
        k = width / view_width
        self.keep(view_height * k)
        x0, y0 = self.x - left * k, self.y - top * k
        for shape in () if self.draft else drawing.shapes:
            if isinstance(shape, Label):
                self._label(shape, x0, y0, k)
            else:
                self._line(shape, x0, y0, k)
        self.pdf.set_draw_color(0)
        self.pdf.set_text_color(0)
        self.y += view_height * k

    def _label(self, label: Label, x0: float, y0: float, k: float) -> None:
        words = self.clean(label.text)
        self.pdf.set_font("sheet", "B" if label.bold else "", label.size * k / _MM_PER_PT)
        shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[label.side] * self.pdf.get_string_width(words)
        self.pdf.text(x0 + label.at[0] * k - shift, y0 + label.at[1] * k, words)

    def _line(self, line: Line, x0: float, y0: float, k: float) -> None:
        points = [(x0 + x * k, y0 + y * k) for x, y in line.points]
        self.pdf.set_line_width(line.width * k)
        self.pdf.set_draw_color(round(255 * line.grey))
        if line.dashed:
            self.pdf.set_dash_pattern(dash=6 * k, gap=4 * k)
        if line.fill is not None:
            self.pdf.set_fill_color(round(255 * line.fill))
        if line.closed:
            self.pdf.polygon(points, style="D" if line.fill is None else "DF")
        else:
            self.pdf.polyline(points)
        self.pdf.set_dash_pattern()

    def output(self) -> bytes:
        """The finished file."""
        return bytes(self.pdf.output())
