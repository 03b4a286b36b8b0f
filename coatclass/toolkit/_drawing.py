"""Line drawings of the working end of each tool, made from its specification, all to one scale.

Only lines, circles, rectangles and paths with their own attributes: browsers and fpdf2 read them alike, and they print
without colour. The bar at the lower left is 10 mm long; the round lens at the right shows one pin or tooth enlarged.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from xml.sax.saxutils import escape

from coatclass.errors import InputError
from coatclass.toolkit._data import catalogue, message, texts
from coatclass.toolkit._model import Tool
from coatclass.toolkit._shapes import (
    BAR_MM,
    HEIGHT_MM,
    LENS,
    WIDTH_MM,
    Shapes,
    box,
    circle,
    lens_pin,
    lens_ring,
    line,
    middle,
    path,
    scale_bar,
    spread,
)

_PIN_WEIGHT = {"soft": 0.35, "medium": 0.55, "firm": 0.75, "extra_stiff": 1.05}


@cache
def drawing(tool: str, *, language: str = "en", described: bool = True) -> str:
    """The drawing of one tool as SVG, 84 x 56 units of 1 mm.

    Args:
        tool: id in the catalogue.
        language: of title and description.
        described: with a title and a description for screen readers; fpdf2 warns of both, so leave them out there.

    Raises:
        InputError: if the catalogue has no such tool.
    """
    if tool not in catalogue():
        raise InputError(tool, "is no tool of the catalogue.", f"Choose one of {', '.join(catalogue())}.")
    words = texts(language)
    shapes = [*_FAMILIES[catalogue()[tool].family](catalogue()[tool]), *scale_bar()]
    sentence = f"{words.say(f'tool.{tool}.plain')} {message(language, 'bar', mm=f'{BAR_MM:g}')}"
    heading = f"  <title>{escape(words.tool(tool))}</title>\n  <desc>{escape(sentence)}</desc>\n" if described else ""
    body = "\n".join(f"  {shape}" for shape in shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" '
        f'width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm" role="img">\n'
        f"{heading}{body}\n</svg>\n"
    )


def _slicker(tool: Tool) -> Shapes:
    """Side view: the pad above, bent pins below; a soft slicker has a thick cushion."""
    spec = tool.specification
    length, gap = middle(spec.pin_length_mm), middle(tool.pin_gap_mm)
    weight = _PIN_WEIGHT[spec.stiffness or "medium"]
    large = tool.width_mm is not None
    left, right, pad = 5.0, 56.0, 7.0 if spec.stiffness == "soft" else 3.5
    top = 8.0
    shapes = [box(left, top - 3.5, right - left, 3.5, "#000000"), box(left, top, right - left, pad)]
    if large:
        # Too wide for the drawing: it runs on beyond the broken edge.
        jagged = f"M {right - 1.5:.1f} {top - 4.5:.1f} l 2.5 3 l -2.5 3 l 2.5 3 l -2.5 {pad - 3:.1f}"
        shapes += [f'<path d="{jagged} h 3 V {top - 4.5:.1f} Z" fill="#ffffff"/>', path(jagged)]
    lean = length * 0.16
    last = left
    for x in spread(left + 3, right - 3 - lean, gap):
        y = top + pad
        shapes.append(
            path(f"M {x:.2f} {y:.2f} L {x:.2f} {y + length * 0.62:.2f} L {x + lean:.2f} {y + length:.2f}", weight)
        )
        if spec.tip == "coated":
            shapes.append(circle(x + lean, y + length, 0.85, 0.2, "#000000"))
        last = x
    return [*shapes, *lens_ring(last + lean, top + pad + length), *lens_pin(spec.tip, weight, bent=True)]


def _pin_brush(tool: Tool) -> Shapes:
    """Side view: a domed cushion with straight pins."""
    spec = tool.specification
    length, gap = middle(spec.pin_length_mm), middle(tool.pin_gap_mm)
    weight = _PIN_WEIGHT[spec.stiffness or "medium"]
    left, right, top = 4.0, 57.0, 5.0
    shapes = [
        path(f"M {left} {top} L {right} {top} L {right} {top + 4} L {left} {top + 4} Z", 0.6, "#000000"),
        path(f"M {left + 1} {top + 4} Q {(left + right) / 2} {top + 13} {right - 1} {top + 4} Z", 0.6, "#ffffff"),
    ]
    centre, half = (left + right) / 2, (right - left) / 2
    end = (left, top)
    for x in spread(left + 4, right - 4, gap):
        offset = (x - centre) / half
        y = top + 4 + 4.5 * (1 - offset**2)
        end = (x + offset * length * 0.12, y + length)
        shapes.append(line(x, y, *end, weight))
        if spec.tip == "ball":
            shapes.append(circle(*end, 1.2, 0.2, "#000000"))
    return [*shapes, *lens_ring(*end), *lens_pin(spec.tip, weight, bent=False)]


def _bristle_brush(tool: Tool) -> Shapes:
    """Side view: tufts of bristle, wide apart and thin if soft, dense and stout if firm."""
    length = middle(tool.specification.pin_length_mm)
    soft = tool.specification.stiffness == "soft"
    left, right, top = 8.0, 76.0, 9.0
    back = f"M {left} {top} q 0 -5 6 -5 L {right - 6} {top - 5} q 6 0 6 5"
    shapes = [path(f"{back} v 5 L {left} {top + 5} Z", 0.6, "#ffffff")]
    weight, tuft = (0.25, 1.6) if soft else (0.45, 1.0)
    for x in spread(left + 3, right - 3, 6.0 if soft else 4.0):
        for lean in (-2, -1, 0, 1, 2):
            tip = x + lean * tuft * (0.8 if soft else 0.55)
            shapes.append(line(x + lean * 0.3, top + 5, tip, top + 5 + length, weight))
    return shapes


def _rubber(tool: Tool) -> Shapes:
    """Side view: a strap above, blunt rubber cones below."""
    length = middle(tool.specification.pin_length_mm)
    left, right, top = 10.0, 74.0, 22.0
    strap = f"M {left + 4} {top} C {left + 4} {top - 22} {right - 4} {top - 22} {right - 4} {top}"
    shapes = [path(strap, 1.6), box(left, top, right - left, 4)]
    for x in spread(left + 4, right - 4, 7.5):
        y = top + 4
        cone = f"M {x - 2.6:.2f} {y} L {x - 1.2:.2f} {y + length - 1.2:.2f} Q {x:.2f} {y + length + 0.6:.2f} "
        shapes.append(path(f"{cone}{x + 1.2:.2f} {y + length - 1.2:.2f} L {x + 2.6:.2f} {y} Z", 0.5, "#ffffff"))
    return shapes


_TOOTH_MM = 0.9  # thickness of a comb's tooth, from memory


def _teeth(left: float, right: float, top: float, length: float, gap: float) -> Shapes:
    """Rounded metal teeth with a clear gap between them."""
    return [line(x, top, x, top + length, _TOOTH_MM) for x in spread(left, right, gap + _TOOTH_MM)]


def _comb(tool: Tool) -> Shapes:
    """Front view: spine and teeth; two spacings side by side where the comb has them."""
    spec = tool.specification
    length, top = middle(spec.tooth_length_mm), 8.0
    left, right = 4.0, 80.0
    if tool.width_mm is not None:
        half = middle(tool.width_mm) / 2
        left, right = max(left, WIDTH_MM / 2 - half), min(right, WIDTH_MM / 2 + half)
    guards = [box(left, top, 2.2, length, "#000000"), box(right - 2.2, top, 2.2, length, "#000000")]
    shapes = [box(left, top - 4, right - left, 4, "#000000"), *guards]
    if not tool.two_spacings:
        return shapes + _teeth(left + 4, right - 4, top, length, middle(spec.tooth_gap_mm))
    narrow, wide = spec.tooth_gap_mm or (1.0, 2.0)
    half_way = (left + right) / 2
    return [
        *shapes,
        *_teeth(left + 4.5, half_way - 1.5, top, length, wide),
        *_teeth(half_way + 1.5, right - 4, top, length, narrow),
    ]


def _tail_comb(tool: Tool) -> Shapes:
    """Front view: a small comb on a long thin tail."""
    length, gap = middle(tool.specification.tooth_length_mm), middle(tool.specification.tooth_gap_mm)
    left, right, top = 4.0, 40.0, 14.0
    tail = f"M {right} {top - 5} L {right + 6} {top - 3.8} L 81 {top - 2.6} L {right + 6} {top - 1.2} L {right} {top} Z"
    return [
        box(left, top - 5, right - left, 5, "#000000"),
        path(tail, 0.5, "#000000"),
        *_teeth(left + 1, right - 1, top, length, gap),
    ]


def _knife(tool: Tool) -> Shapes:
    """Side view: handle and a blunt blade with a fine row of teeth on its lower edge."""
    depth = middle(tool.specification.tooth_length_mm)
    pitch = middle(tool.specification.tooth_gap_mm) + 0.6
    left, right, top, edge = 32.0, 78.0, 16.0, 32.0
    points, x = [f"M {left:.2f} {top} L {right:.2f} {top} L {right:.2f} {edge:.2f}"], right
    while x - pitch > left:
        points.append(f"L {x - pitch / 2:.2f} {edge + depth:.2f} L {x - pitch:.2f} {edge:.2f}")
        x -= pitch
    blade = path(" ".join([*points, f"L {left:.2f} {edge:.2f} Z"]), 0.4, "#ffffff")
    handle = "M 4 17 Q 4 14 8 14 L 32 15 L 32 26 L 8 27 Q 4 27 4 24 Z"
    return [blade, path(handle, 0.6, "#000000"), line(left + 4, top + 4, right - 4, top + 4, 0.4)]


def _stone(_: Tool) -> Shapes:
    """A block of porous stone."""
    block = "M 14 14 L 62 10 L 72 16 L 70 36 L 22 42 L 12 34 Z"
    edges = [path("M 14 14 L 24 20 L 72 16", 0.5), line(24, 20, 22, 42, 0.5)]
    pores: list[tuple[float, float, float]] = [
        *((30, 26, 1.5), (37, 33, 1.0), (44, 24, 1.2), (51, 31, 1.7), (58, 24, 0.9), (63, 30, 1.3), (33, 38, 0.8)),
        *((41, 28, 0.7), (48, 36, 0.9), (56, 35, 0.7), (28, 33, 0.8), (65, 21, 0.8), (38, 22, 0.8), (18, 28, 0.9)),
        *((18, 21, 0.7), (19, 36, 0.7), (34, 15, 0.7), (46, 14.5, 0.9), (58, 13.5, 0.7)),
    ]
    return [path(block, 0.8, "#ffffff"), *edges, *(circle(x, y, r, 0.4, "#000000") for x, y, r in pores)]


def _handle(x: float) -> Shapes:
    """A handle that comes down from above, and the head that carries the teeth."""
    shoulder = f"M {x - 4} 8 L {x + 4} 8 L {x + 9} 12 L {x - 9} 12 Z"
    return [box(x - 4, 2, 8, 6, "#000000"), path(shoulder, 0.5, "#000000")]


def _rake(tool: Tool) -> Shapes:
    """Front view: straight teeth with round ends, no edge."""
    length, gap = middle(tool.specification.tooth_length_mm), middle(tool.specification.tooth_gap_mm)
    left, right, top = 5.0, 55.0, 12.0
    shapes = [*_handle((left + right) / 2), box(left, top, right - left, 5, "#ffffff")]
    places = spread(left + 2.5, right - 2.5, gap + 1.6)
    for x in places:
        shapes += [line(x, top + 5, x, top + 5 + length, 1.5), circle(x, top + 5 + length, 1.1, 0.2, "#000000")]
    cx, cy, _ = LENS
    lens = [line(cx, cy - 8.5, cx, cy + 2, 5), circle(cx, cy + 3, 3.6, 0.4, "#000000")]
    return [*shapes, *lens_ring(places[-1], top + 5 + length), *lens]


def _bladed_rake(tool: Tool) -> Shapes:
    """Front view with side view in the lens: a row of hooked blades with an inner edge."""
    length, gap = middle(tool.specification.tooth_length_mm), middle(tool.specification.tooth_gap_mm)
    return _blades(length, gap, hook=5.0, wide=1.8)


def _mat_splitter(tool: Tool) -> Shapes:
    """Front view: few, long, hooked blades far apart."""
    length, gap = middle(tool.specification.tooth_length_mm), middle(tool.specification.tooth_gap_mm)
    return _blades(length, gap, hook=7.0, wide=2.6)


def _blades(length: float, gap: float, *, hook: float, wide: float) -> Shapes:
    left, right, top = 5.0, 54.0, 12.0
    shapes = [*_handle((left + right) / 2), box(left, top, right - left, 4, "#ffffff")]
    places = spread(left + 2.5, right - hook, gap + wide)
    y = top + 4
    for x in places:
        outer = f"M {x:.2f} {y} v {length - hook:.2f} q 0 {hook} {hook} {hook}"
        inner = f"q {wide - hook} {-wide} {wide - hook} {-hook} V {y} Z"
        shapes.append(path(f"{outer} {inner}", 0.4, "#ffffff"))
    cx, cy, _ = LENS
    outline = f"M {cx - 4} {cy - 8} L {cx - 4} {cy + 1} Q {cx - 4} {cy + 7} {cx + 6} {cy + 7} "
    blade = f"{outline}Q {cx + 1} {cy + 4} {cx + 1} {cy} L {cx + 1} {cy - 8} Z"
    # The cutting edge is the inner one: drawn heavy.
    edge = f"M {cx + 6} {cy + 7} Q {cx + 1} {cy + 4} {cx + 1} {cy} L {cx + 1} {cy - 8}"
    return [*shapes, *lens_ring(places[-1] + hook, y + length), path(blade, 0.5, "#ffffff"), path(edge, 1.4)]


_FAMILIES: dict[str, Callable[[Tool], Shapes]] = {
    "slicker": _slicker,
    "pin_brush": _pin_brush,
    "bristle_brush": _bristle_brush,
    "rubber": _rubber,
    "comb": _comb,
    "face_comb": _comb,
    "tail_comb": _tail_comb,
    "knife": _knife,
    "stone": _stone,
    "rake": _rake,
    "bladed_rake": _bladed_rake,
    "mat_splitter": _mat_splitter,
}
