"""Pictures as shapes, independent of any format: the page's SVG and the PDF are drawn from the same shapes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

__all__ = ["Drawing", "Label", "Line", "Point", "hatch", "path_of", "smooth", "svg"]

Point = tuple[float, float]


@dataclass(frozen=True)
class Line:
    """A line through points; may be closed and filled with a grey (0 black, 1 white)."""

    points: tuple[Point, ...]
    width: float = 1.0
    closed: bool = False
    fill: float | None = None
    dashed: bool = False
    grey: float = 0.0


@dataclass(frozen=True)
class Label:
    """Words at a point, which is their left end, middle or right end on the baseline."""

    at: Point
    text: str
    size: float
    side: Literal["left", "middle", "right"] = "left"
    bold: bool = False


@dataclass(frozen=True)
class Drawing:
    """Shapes in a view (x, y, width, height), later ones on top; ``title`` and ``description`` say it in words."""

    view: tuple[float, float, float, float]
    shapes: tuple[Line | Label, ...]
    title: str
    description: str


def smooth(points: Sequence[Sequence[float]], closed: bool = True, steps: int = 6) -> tuple[Point, ...]:
    """A smooth curve through points (centripetal would be finer; uniform Catmull-Rom is enough here)."""
    n = len(points)
    curve: list[Point] = []
    last = n if closed else n - 1
    for i in range(last):
        p0, p1, p2, p3 = (points[j % n] if closed else points[min(max(j, 0), n - 1)] for j in range(i - 1, i + 3))
        for step in range(steps):
            t = step / steps
            curve.append((_spline(t, p0[0], p1[0], p2[0], p3[0]), _spline(t, p0[1], p1[1], p2[1], p3[1])))
    if not closed:
        curve.append((float(points[-1][0]), float(points[-1][1])))
    return tuple(curve)


def _spline(t: float, a: float, b: float, c: float, d: float) -> float:
    return 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)


def hatch(shape: Sequence[Point], gap: float, *, rising: bool, width: float) -> tuple[Line, ...]:
    """Slanted lines inside a closed shape: a shading that needs no colour and no clipping.

    Turned by 45 degrees, every hatch line is level and cuts the edges of the shape in pairs.
    """
    sign = 1.0 if rising else -1.0
    turned = [(x - sign * y, sign * x + y) for x, y in shape]
    edges = list(zip(turned, [*turned[1:], turned[0]], strict=True))
    low, high = min(v for _, v in turned), max(v for _, v in turned)
    lines = []
    level = (low // gap + 1) * gap
    while level < high:
        cuts = sorted(
            u1 + (level - v1) * (u2 - u1) / (v2 - v1) for (u1, v1), (u2, v2) in edges if (v1 < level) != (v2 < level)
        )
        for start, end in zip(cuts[::2], cuts[1::2], strict=False):
            ends = (_back(start, level, sign), _back(end, level, sign))
            lines.append(Line(ends, width))
        level += gap
    return tuple(lines)


def _back(u: float, v: float, sign: float) -> Point:
    return (u + sign * v) / 2, (v - sign * u) / 2


def svg(drawing: Drawing, width_mm: float | None = None) -> str:
    """The drawing as a self-contained SVG element with title and description for those who can't see it."""
    x, y, width, height = drawing.view
    size = f' width="{width_mm:g}mm" height="{width_mm * height / width:g}mm"' if width_mm else ""
    body = "\n".join(_shape(shape) for shape in drawing.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x:g} {y:g} {width:g} {height:g}"{size} role="img" '
        f'font-family="DejaVu Sans, Verdana, Arial, sans-serif">\n'
        f"<title>{escape(drawing.title)}</title>\n<desc>{escape(drawing.description)}</desc>\n{body}\n</svg>"
    )


def path_of(points: Sequence[Point], *, closed: bool = True) -> str:
    """A line through points as the data of an SVG path."""
    return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if closed else "")


def _grey(value: float) -> str:
    level = round(255 * value)
    return f"#{level:02x}{level:02x}{level:02x}"


def _shape(shape: Line | Label) -> str:
    if isinstance(shape, Label):
        anchor = {"left": "start", "middle": "middle", "right": "end"}[shape.side]
        weight = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text x="{shape.at[0]:.1f}" y="{shape.at[1]:.1f}" font-size="{shape.size:g}" '
            f'text-anchor="{anchor}"{weight}>{escape(shape.text)}</text>'
        )
    path = path_of(shape.points, closed=shape.closed)
    fill = "none" if shape.fill is None else _grey(shape.fill)
    dash = ' stroke-dasharray="6 4"' if shape.dashed else ""
    return (
        f'<path d="{path}" fill="{fill}" stroke="{_grey(shape.grey)}" stroke-width="{shape.width:g}" '
        f'stroke-linejoin="round" stroke-linecap="round"{dash}/>'
    )
