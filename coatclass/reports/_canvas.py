"""Paper for the PDF: text in columns, line breaks of our own, drawings from shapes, a font that we ship."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, time
from functools import cache, lru_cache
from io import BytesIO
from itertools import groupby
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from fontTools.pens.basePen import BasePen  # type: ignore[import-untyped]
from fontTools.svgLib.path import parse_path  # type: ignore[import-untyped]
from fpdf import FPDF

from coatclass.errors import InputError
from coatclass.presentation.drawing import Drawing, Label, Line, Point
from coatclass.words import catalogue

__all__ = ["PAPERS", "Canvas"]

PAPERS = ("A4", "Letter")

_FONTS = Path(__file__).with_name("data") / "fonts"
_MARGIN = 12.0
_FOOT = 14.0
_MM_PER_PT = 25.4 / 72
_LEADING = 1.28
_JOINT = "\u00ad"
_MISSING = "□"  # shown for a character that the font lacks


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
def _broken(text: str, points: float, bold: bool, room: float, language: str) -> tuple[str, ...]:
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
            *whole, line = _pieces(word, em, bold, room, language)
            broken += whole
            long = _ems(line, bold) * em
        broken.append(line)
    return tuple(broken)


def _pieces(word: str, em: float, bold: bool, room: float, language: str) -> list[str]:
    """A word in pieces that fit a line each; nearly always the word itself, else parted with a hyphen at its joints."""
    if _ems(word, bold) * em <= room:
        return [word]
    parts = catalogue(language).divided(word).split(_JOINT)
    if len(parts) > 1 and all(_ems(f"{part}-", bold) * em <= room for part in parts):
        lines = [parts[0]]
        for part in parts[1:]:
            if _ems(f"{lines[-1]}{part}-", bold) * em <= room:
                lines[-1] += part
            else:
                lines.append(part)
        return [*(f"{line}-" for line in lines[:-1]), lines[-1]]
    pieces = [""]
    for character in word:
        if pieces[-1] and _ems(pieces[-1] + character, bold) * em > room:
            pieces.append("")
        pieces[-1] += character
    return pieces


class _Operators(BasePen):  # type: ignore[misc]
    """Writes the outline of an SVG path as PDF operators (ISO 32000-1, 8.5.2)."""

    def __init__(self) -> None:
        super().__init__(None)
        self.out: list[str] = []

    def _moveTo(self, at: Point) -> None:  # noqa: N802
        self.out.append(f"{at[0]:.3f} {at[1]:.3f} m")

    def _lineTo(self, at: Point) -> None:  # noqa: N802
        self.out.append(f"{at[0]:.3f} {at[1]:.3f} l")

    def _curveToOne(self, one: Point, two: Point, at: Point) -> None:  # noqa: N802
        self.out.append(f"{one[0]:.3f} {one[1]:.3f} {two[0]:.3f} {two[1]:.3f} {at[0]:.3f} {at[1]:.3f} c")

    def _closePath(self) -> None:  # noqa: N802
        self.out.append("h")


_KAPPA = 0.5523  # of the cubic that comes nearest to a quarter of a circle


@lru_cache(maxsize=200)
def _operators(source: str) -> tuple[float, float, str]:
    """Width, height and PDF operators of a drawing of ours: lines, circles, rectangles and paths, black on white.

    Translated once and then only copied: fpdf2's own reader draws the whole picture anew each time.
    """
    root = ElementTree.fromstring(source)
    _, _, width, height = (float(value) for value in root.attrib["viewBox"].split())
    return width, height, " ".join(["1 J 1 j 0 G", *(_operator(shape) for shape in root if "}" in shape.tag)])


def _operator(shape: ElementTree.Element) -> str:
    kind, at = shape.tag.rpartition("}")[2], {name: _number(value) for name, value in shape.attrib.items()}
    outline = _OUTLINES.get(kind)
    if outline is None:
        return ""
    weight, fill = float(at.get("stroke-width", 0.0)), shape.get("fill", "none")
    inked = kind == "line" or bool(shape.get("stroke"))
    filled = kind != "line" and fill != "none"
    paint = {(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}[(filled, inked)]
    shade = f"{0 if fill == '#000000' else 1} g " if filled else ""
    return f"{weight:g} w {shade}{outline(shape, at)} {paint}"


def _number(value: str) -> float:
    try:
        return float(value)
    except ValueError:
        return 0.0


def _round_outline(_: ElementTree.Element, at: Mapping[str, float]) -> str:
    x, y, r = at["cx"], at["cy"], at["r"]
    k = r * _KAPPA
    pen = _Operators()
    pen.moveTo((x + r, y))
    pen.curveTo((x + r, y + k), (x + k, y + r), (x, y + r))
    pen.curveTo((x - k, y + r), (x - r, y + k), (x - r, y))
    pen.curveTo((x - r, y - k), (x - k, y - r), (x, y - r))
    pen.curveTo((x + k, y - r), (x + r, y - k), (x + r, y))
    pen.closePath()
    return " ".join(pen.out)


def _path_outline(shape: ElementTree.Element, _: Mapping[str, float]) -> str:
    pen = _Operators()
    parse_path(shape.attrib["d"], pen)
    return " ".join(pen.out)


_OUTLINES: Mapping[str, Callable[[ElementTree.Element, Mapping[str, float]], str]] = {
    "line": lambda _, at: f"{at['x1']:.3f} {at['y1']:.3f} m {at['x2']:.3f} {at['y2']:.3f} l",
    "rect": lambda _, at: f"{at['x']:.3f} {at['y']:.3f} {at['width']:.3f} {at['height']:.3f} re",
    "circle": _round_outline,
    "path": _path_outline,
}


class _NoPaper:
    """Replaces the document while a page is only measured: it has a size, and drawing on it does nothing."""

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
            raise InputError(
                f"paper {paper!r}", "is not offered.", f"Choose one of: {', '.join(PAPERS)}.", code="paper"
            )
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
        self.language = language
        self.scale = scale
        self.draft = draft
        self.pages = 0
        self.flows = False  # whether text that reaches the foot goes on on a new page
        self.new_page()

    # --- place ------------------------------------------------------------------------------------------------------

    def new_page(self) -> None:
        """Begin a page with one column over its whole width."""
        self.pdf.add_page()
        self.pages += 1
        self.x, self.y, self.width = _MARGIN, _MARGIN, self.pdf.w - 2 * _MARGIN

    @property
    def left(self) -> float:
        """Where the page's column begins, mm from the left."""
        return _MARGIN

    @property
    def bottom(self) -> float:
        """Where the foot begins, mm from the top."""
        return float(self.pdf.h) - _FOOT

    def column(self, x: float, y: float, width: float) -> None:
        """Put the cursor at the top of a column, mm."""
        self.x, self.y, self.width = x, y, width

    def keep(self, height: float) -> None:
        """Begin a new page if this height no longer fits."""
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
        return list(_broken(self.clean(text), size * self.scale, bold, room, self.language))

    def _width(self, words: str, size: float, bold: bool) -> float:
        """Width of words whose characters the font has, mm."""
        return _ems(words, bold) * size * self.scale * _MM_PER_PT

    def fitting(self, text: str, size: float, width: float, *, bold: bool = False) -> float:
        """The size in points, at most ``size``, at which no word is broken in a width in mm, but at its joints."""
        parts = catalogue(self.language).divided(text).replace(_JOINT, "- ").split()
        longest = max((self.text_width(part, size, bold=bold) for part in parts), default=0.0)
        return size * min(1.0, (width - 2.5) / max(longest, 0.1))

    def text(self, text: str, size: float = 9.0, *, bold: bool = False, indent: float = 0.0, grey: int = 0) -> None:
        """Write a paragraph from the cursor on, and move the cursor below it.

        Args:
            size: of the type, points (before the document's scale).
            indent: from the left of the column, mm.
            grey: 0 (black) to 255 (white).
        """
        if not text:
            return
        height = self.line_height(size)
        for line in self.lines(text, size, bold=bold, width=self.width - indent):
            self.keep(height)
            self._line_of_text(line, size, self.x + indent, bold=bold, grey=grey)
            self.y += height

    def beside(self, text: str, size: float, x: float, *, bold: bool = True) -> None:
        """Words on the line of the cursor at x, which stays where it is."""
        self._line_of_text(self.clean(text), size, x, bold=bold)

    def _line_of_text(self, line: str, size: float, x: float, *, bold: bool = False, grey: int = 0) -> None:
        """Clean words on the line of the cursor; a cell of fpdf2 puts its words there too, and takes twice as long."""
        if self.draft or not line:
            return
        self.pdf.set_font("sheet", "B" if bold else "", size * self.scale)
        self.pdf.set_text_color(grey)
        baseline = self.y + 0.5 * self.line_height(size) + 0.3 * size * self.scale * _MM_PER_PT
        self.pdf.text(x + self.pdf.c_margin, baseline, line)
        self.pdf.set_text_color(0)

    def text_width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of some words, mm."""
        return self._width(self.clean(text), size, bold)

    # --- shapes -----------------------------------------------------------------------------------------------------

    def rule(self, x1: float, y1: float, x2: float, y2: float, *, width: float = 0.3, dashed: bool = False) -> None:
        """A straight line; lengths in mm."""
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
        """An SVG picture of the toolkit with its upper left corner at x, y, so many mm wide."""
        if self.draft:
            return
        view_width, _, operators = _operators(source)
        k = width / view_width * self.pdf.k
        self.pdf._out(
            f"q {k:.5f} 0 0 {-k:.5f} {x * self.pdf.k:.3f} {(self.pdf.h - y) * self.pdf.k:.3f} cm {operators} Q"
        )

    def squares(self, rows: Sequence[Sequence[int]], x: float, y: float, width: float) -> None:
        """A pattern of black squares (1) on white (0), the whole of it so many mm wide."""
        side = width / max(1, len(rows))
        self.pdf.set_fill_color(0)
        for line, row in enumerate(rows):
            start = 0
            for black, run in groupby(row):
                length = len(list(run))
                if black:
                    self.pdf.rect(x + start * side, y + line * side, length * side, side, style="F")
                start += length

    def image(self, content: bytes, x: float, y: float, width: float, height: float) -> None:
        """A photo, as large as a frame lets it be."""
        if not self.draft:
            self.pdf.image(BytesIO(content), x, y, width, height, keep_aspect_ratio=True)

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
