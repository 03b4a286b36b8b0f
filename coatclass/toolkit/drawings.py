"""Line drawings of the working end of each tool, made from its specification, all to one scale.

Only lines, circles, rectangles and paths with their own attributes: browsers and fpdf2 read them alike, and they print
without colour. The bar at the lower left is 10 mm long; the round lens at the right shows one pin or tooth enlarged.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

from coatclass.errors import InputError
from coatclass.toolkit.tables import Tool, catalogue, message, texts

_WIDTH_MM, _HEIGHT_MM, _BAR_MM = 84.0, 56.0, 10.0
_LENS = (70.0, 34.0, 11.0)  # centre x, centre y, radius
_Shapes = list[str]
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
    from html import escape

    words = texts(language)
    shapes = [*_FAMILIES[catalogue()[tool].family](catalogue()[tool]), *_scale_bar()]
    sentence = f"{words.say(f'tool.{tool}.plain')} {message(language, 'bar', mm=f'{_BAR_MM:g}')}"
    heading = f"  <title>{escape(words.tool(tool))}</title>\n  <desc>{escape(sentence)}</desc>\n" if described else ""
    body = "\n".join(f"  {shape}" for shape in shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH_MM:g} {_HEIGHT_MM:g}" '
        f'width="{_WIDTH_MM:g}mm" height="{_HEIGHT_MM:g}mm" role="img">\n'
        f"{heading}{body}\n</svg>\n"
    )


def _slicker(tool: Tool) -> _Shapes:
    """Side view: the pad above, bent pins below; a soft slicker has a thick cushion."""
    spec = tool.specification
    length, gap = _middle(spec.pin_length_mm), _middle(tool.pin_gap_mm)
    weight = _PIN_WEIGHT[spec.stiffness or "medium"]
    large = tool.width_mm is not None
    left, right, pad = 5.0, 56.0, 7.0 if spec.stiffness == "soft" else 3.5
    top = 8.0
    shapes = [_box(left, top - 3.5, right - left, 3.5, "#000000"), _box(left, top, right - left, pad)]
    if large:
        # Too wide for the drawing, so it ends in a broken edge.
        jagged = f"M {right - 1.5:.1f} {top - 4.5:.1f} l 2.5 3 l -2.5 3 l 2.5 3 l -2.5 {pad - 3:.1f}"
        shapes += [f'<path d="{jagged} h 3 V {top - 4.5:.1f} Z" fill="#ffffff"/>', _path(jagged)]
    lean = length * 0.16
    last = left
    for x in _spread(left + 3, right - 3 - lean, gap):
        y = top + pad
        shapes.append(
            _path(f"M {x:.2f} {y:.2f} L {x:.2f} {y + length * 0.62:.2f} L {x + lean:.2f} {y + length:.2f}", weight)
        )
        if spec.tip == "coated":
            shapes.append(_circle(x + lean, y + length, 0.85, 0.2, "#000000"))
        last = x
    return [*shapes, *_lens_ring(last + lean, top + pad + length), *_lens_pin(spec.tip, weight, bent=True)]


def _pin_brush(tool: Tool) -> _Shapes:
    """Side view: a domed cushion with straight pins."""
    spec = tool.specification
    length, gap = _middle(spec.pin_length_mm), _middle(tool.pin_gap_mm)
    weight = _PIN_WEIGHT[spec.stiffness or "medium"]
    left, right, top = 4.0, 57.0, 5.0
    shapes = [
        _path(f"M {left} {top} L {right} {top} L {right} {top + 4} L {left} {top + 4} Z", 0.6, "#000000"),
        _path(f"M {left + 1} {top + 4} Q {(left + right) / 2} {top + 13} {right - 1} {top + 4} Z", 0.6, "#ffffff"),
    ]
    centre, half = (left + right) / 2, (right - left) / 2
    end = (left, top)
    for x in _spread(left + 4, right - 4, gap):
        offset = (x - centre) / half
        y = top + 4 + 4.5 * (1 - offset**2)
        end = (x + offset * length * 0.12, y + length)
        shapes.append(_line(x, y, *end, weight))
        if spec.tip == "ball":
            shapes.append(_circle(*end, 1.2, 0.2, "#000000"))
    return [*shapes, *_lens_ring(*end), *_lens_pin(spec.tip, weight, bent=False)]


def _bristle_brush(tool: Tool) -> _Shapes:
    """Side view: tufts of bristle, wide apart and thin if soft, dense and stout if firm."""
    length = _middle(tool.specification.pin_length_mm)
    soft = tool.specification.stiffness == "soft"
    left, right, top = 8.0, 76.0, 9.0
    back = f"M {left} {top} q 0 -5 6 -5 L {right - 6} {top - 5} q 6 0 6 5"
    shapes = [_path(f"{back} v 5 L {left} {top + 5} Z", 0.6, "#ffffff")]
    weight, tuft = (0.25, 1.6) if soft else (0.45, 1.0)
    for x in _spread(left + 3, right - 3, 6.0 if soft else 4.0):
        for lean in (-2, -1, 0, 1, 2):
            tip = x + lean * tuft * (0.8 if soft else 0.55)
            shapes.append(_line(x + lean * 0.3, top + 5, tip, top + 5 + length, weight))
    return shapes


def _rubber(tool: Tool) -> _Shapes:
    """Side view: a strap above, blunt rubber cones below."""
    length = _middle(tool.specification.pin_length_mm)
    left, right, top = 10.0, 74.0, 22.0
    strap = f"M {left + 4} {top} C {left + 4} {top - 22} {right - 4} {top - 22} {right - 4} {top}"
    shapes = [_path(strap, 1.6), _box(left, top, right - left, 4)]
    for x in _spread(left + 4, right - 4, 7.5):
        y = top + 4
        cone = f"M {x - 2.6:.2f} {y} L {x - 1.2:.2f} {y + length - 1.2:.2f} Q {x:.2f} {y + length + 0.6:.2f} "
        shapes.append(_path(f"{cone}{x + 1.2:.2f} {y + length - 1.2:.2f} L {x + 2.6:.2f} {y} Z", 0.5, "#ffffff"))
    return shapes


_TOOTH_MM = 0.9  # thickness of a comb's tooth, from memory


def _teeth(left: float, right: float, top: float, length: float, gap: float) -> _Shapes:
    """Rounded metal teeth with a clear gap between them."""
    return [_line(x, top, x, top + length, _TOOTH_MM) for x in _spread(left, right, gap + _TOOTH_MM)]


def _comb(tool: Tool) -> _Shapes:
    """Front view: spine and teeth; two spacings side by side where the comb has them."""
    spec = tool.specification
    length, top = _middle(spec.tooth_length_mm), 8.0
    left, right = 4.0, 80.0
    if tool.width_mm is not None:
        half = _middle(tool.width_mm) / 2
        left, right = max(left, _WIDTH_MM / 2 - half), min(right, _WIDTH_MM / 2 + half)
    guards = [_box(left, top, 2.2, length, "#000000"), _box(right - 2.2, top, 2.2, length, "#000000")]
    shapes = [_box(left, top - 4, right - left, 4, "#000000"), *guards]
    if not tool.two_spacings:
        return shapes + _teeth(left + 4, right - 4, top, length, _middle(spec.tooth_gap_mm))
    narrow, wide = spec.tooth_gap_mm or (1.0, 2.0)
    half_way = (left + right) / 2
    return [
        *shapes,
        *_teeth(left + 4.5, half_way - 1.5, top, length, wide),
        *_teeth(half_way + 1.5, right - 4, top, length, narrow),
    ]


def _tail_comb(tool: Tool) -> _Shapes:
    """Front view: a small comb on a long thin tail."""
    length, gap = _middle(tool.specification.tooth_length_mm), _middle(tool.specification.tooth_gap_mm)
    left, right, top = 4.0, 40.0, 14.0
    tail = f"M {right} {top - 5} L {right + 6} {top - 3.8} L 81 {top - 2.6} L {right + 6} {top - 1.2} L {right} {top} Z"
    return [
        _box(left, top - 5, right - left, 5, "#000000"),
        _path(tail, 0.5, "#000000"),
        *_teeth(left + 1, right - 1, top, length, gap),
    ]


def _knife(tool: Tool) -> _Shapes:
    """Side view: handle and a blunt blade with a fine row of teeth on its lower edge."""
    depth = _middle(tool.specification.tooth_length_mm)
    pitch = _middle(tool.specification.tooth_gap_mm) + 0.6
    left, right, top, edge = 32.0, 78.0, 16.0, 32.0
    points, x = [f"M {left:.2f} {top} L {right:.2f} {top} L {right:.2f} {edge:.2f}"], right
    while x - pitch > left:
        points.append(f"L {x - pitch / 2:.2f} {edge + depth:.2f} L {x - pitch:.2f} {edge:.2f}")
        x -= pitch
    blade = _path(" ".join([*points, f"L {left:.2f} {edge:.2f} Z"]), 0.4, "#ffffff")
    handle = "M 4 17 Q 4 14 8 14 L 32 15 L 32 26 L 8 27 Q 4 27 4 24 Z"
    return [blade, _path(handle, 0.6, "#000000"), _line(left + 4, top + 4, right - 4, top + 4, 0.4)]


def _stone(_: Tool) -> _Shapes:
    """A block of porous stone."""
    block = "M 14 14 L 62 10 L 72 16 L 70 36 L 22 42 L 12 34 Z"
    edges = [_path("M 14 14 L 24 20 L 72 16", 0.5), _line(24, 20, 22, 42, 0.5)]
    pores: list[tuple[float, float, float]] = [
        *((30, 26, 1.5), (37, 33, 1.0), (44, 24, 1.2), (51, 31, 1.7), (58, 24, 0.9), (63, 30, 1.3), (33, 38, 0.8)),
        *((41, 28, 0.7), (48, 36, 0.9), (56, 35, 0.7), (28, 33, 0.8), (65, 21, 0.8), (38, 22, 0.8), (18, 28, 0.9)),
        *((18, 21, 0.7), (19, 36, 0.7), (34, 15, 0.7), (46, 14.5, 0.9), (58, 13.5, 0.7)),
    ]
    return [_path(block, 0.8, "#ffffff"), *edges, *(_circle(x, y, r, 0.4, "#000000") for x, y, r in pores)]


def _handle(x: float) -> _Shapes:
    """A handle that comes down from above, and the head that carries the teeth."""
    shoulder = f"M {x - 4} 8 L {x + 4} 8 L {x + 9} 12 L {x - 9} 12 Z"
    return [_box(x - 4, 2, 8, 6, "#000000"), _path(shoulder, 0.5, "#000000")]


def _rake(tool: Tool) -> _Shapes:
    """Front view: straight teeth with round ends, no edge."""
    length, gap = _middle(tool.specification.tooth_length_mm), _middle(tool.specification.tooth_gap_mm)
    left, right, top = 5.0, 55.0, 12.0
    shapes = [*_handle((left + right) / 2), _box(left, top, right - left, 5, "#ffffff")]
    places = _spread(left + 2.5, right - 2.5, gap + 1.6)
    for x in places:
        shapes += [_line(x, top + 5, x, top + 5 + length, 1.5), _circle(x, top + 5 + length, 1.1, 0.2, "#000000")]
    cx, cy, _ = _LENS
    lens = [_line(cx, cy - 8.5, cx, cy + 2, 5), _circle(cx, cy + 3, 3.6, 0.4, "#000000")]
    return [*shapes, *_lens_ring(places[-1], top + 5 + length), *lens]


def _bladed_rake(tool: Tool) -> _Shapes:
    """Front view with side view in the lens: a row of hooked blades with an inner edge."""
    length, gap = _middle(tool.specification.tooth_length_mm), _middle(tool.specification.tooth_gap_mm)
    return _blades(length, gap, hook=5.0, wide=1.8)


def _mat_splitter(tool: Tool) -> _Shapes:
    """Front view: few, long, hooked blades far apart."""
    length, gap = _middle(tool.specification.tooth_length_mm), _middle(tool.specification.tooth_gap_mm)
    return _blades(length, gap, hook=7.0, wide=2.6)


def _blades(length: float, gap: float, *, hook: float, wide: float) -> _Shapes:
    left, right, top = 5.0, 54.0, 12.0
    shapes = [*_handle((left + right) / 2), _box(left, top, right - left, 4, "#ffffff")]
    places = _spread(left + 2.5, right - hook, gap + wide)
    y = top + 4
    for x in places:
        outer = f"M {x:.2f} {y} v {length - hook:.2f} q 0 {hook} {hook} {hook}"
        inner = f"q {wide - hook} {-wide} {wide - hook} {-hook} V {y} Z"
        shapes.append(_path(f"{outer} {inner}", 0.4, "#ffffff"))
    cx, cy, _ = _LENS
    outline = f"M {cx - 4} {cy - 8} L {cx - 4} {cy + 1} Q {cx - 4} {cy + 7} {cx + 6} {cy + 7} "
    blade = f"{outline}Q {cx + 1} {cy + 4} {cx + 1} {cy} L {cx + 1} {cy - 8} Z"
    # The cutting edge is the inner one: drawn heavy.
    edge = f"M {cx + 6} {cy + 7} Q {cx + 1} {cy + 4} {cx + 1} {cy} L {cx + 1} {cy - 8}"
    return [*shapes, *_lens_ring(places[-1] + hook, y + length), _path(blade, 0.5, "#ffffff"), _path(edge, 1.4)]


# --- shapes, in units of 1 mm, each with its own attributes ----------------------------------------------------------


def _line(x1: float, y1: float, x2: float, y2: float, weight: float = 0.5) -> str:
    """A line from one point to another."""
    ends = f'x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"'
    return f'<line {ends} stroke="#000000" stroke-width="{weight:g}" stroke-linecap="round"/>'


def _path(d: str, weight: float = 0.5, fill: str = "none") -> str:
    """A path; ``d`` as in SVG."""
    style = f'fill="{fill}" stroke="#000000" stroke-width="{weight:g}"'
    return f'<path d="{d}" {style} stroke-linejoin="round" stroke-linecap="round"/>'


def _circle(x: float, y: float, r: float, weight: float = 0.5, fill: str = "none") -> str:
    """A circle."""
    place = f'cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}"'
    return f'<circle {place} fill="{fill}" stroke="#000000" stroke-width="{weight:g}"/>'


def _box(x: float, y: float, width: float, height: float, fill: str = "#ffffff") -> str:
    """An upright rectangle."""
    place = f'x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}"'
    return f'<rect {place} fill="{fill}" stroke="#000000" stroke-width="0.6"/>'


def _scale_bar() -> _Shapes:
    """The bar of 10 mm with a tick in its middle."""
    left, y = 4.0, _HEIGHT_MM - 4
    ticks = [_line(left + step, y - size, left + step, y + size, 0.4) for step, size in ((0, 1.5), (5, 0.8), (10, 1.5))]
    return [_line(left, y, left + _BAR_MM, y, 0.4), *ticks]


def _middle(limits: tuple[float, float] | None) -> float:
    """The middle of a range of the catalogue, mm."""
    if limits is None:
        raise ValueError("this drawing needs a measure that the catalogue doesn't give")
    return sum(limits) / 2


def _spread(start: float, end: float, step: float) -> list[float]:
    """Positions from start to end, one step apart, centred."""
    count = int((end - start) // step)
    first = (start + end - count * step) / 2
    return [first + index * step for index in range(count + 1)]


def _lens_ring(x: float, y: float) -> _Shapes:
    """The lens, and the line that leads to it from the place that it enlarges."""
    cx, cy, radius = _LENS
    reach = ((cx - x) ** 2 + (cy - y) ** 2) ** 0.5
    edge_x, edge_y = cx - (cx - x) * radius / reach, cy - (cy - y) * radius / reach
    return [_line(x, y, edge_x, edge_y, 0.3), _circle(cx, cy, radius, 0.5, "#ffffff")]


def _lens_pin(tip: str | None, weight: float, *, bent: bool) -> _Shapes:
    """One pin in the lens: bent or straight, with a plain, coated or ball tip."""
    cx, cy, radius = _LENS
    thick = weight * 3.5
    top, end = cy - radius * 0.8, cy + radius * 0.55
    lean = 3.5 if bent else 0.0
    start = cx - lean / 2
    shapes = [_path(f"M {start:.2f} {top:.2f} L {start:.2f} {cy:.2f} L {start + lean:.2f} {end:.2f}", thick)]
    if tip == "ball":
        shapes.append(_circle(start + lean, end, 3.0, 0.5, "#000000"))
    elif tip == "coated":
        shapes.append(_circle(start + lean, end, 2.2, 0.5, "#000000"))
    return shapes


_FAMILIES: dict[str, Callable[[Tool], _Shapes]] = {
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
