"""The few shapes that the drawings are made of, each with its own attributes, in units of 1 mm."""

from __future__ import annotations

WIDTH_MM, HEIGHT_MM, BAR_MM = 84.0, 56.0, 10.0
LENS = (70.0, 34.0, 11.0)  # centre x, centre y, radius
Shapes = list[str]


def line(x1: float, y1: float, x2: float, y2: float, weight: float = 0.5) -> str:
    """A line from one point to another."""
    ends = f'x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"'
    return f'<line {ends} stroke="#000000" stroke-width="{weight:g}" stroke-linecap="round"/>'


def path(d: str, weight: float = 0.5, fill: str = "none") -> str:
    """A path; ``d`` as in SVG."""
    style = f'fill="{fill}" stroke="#000000" stroke-width="{weight:g}"'
    return f'<path d="{d}" {style} stroke-linejoin="round" stroke-linecap="round"/>'


def circle(x: float, y: float, r: float, weight: float = 0.5, fill: str = "none") -> str:
    """A circle."""
    place = f'cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}"'
    return f'<circle {place} fill="{fill}" stroke="#000000" stroke-width="{weight:g}"/>'


def box(x: float, y: float, width: float, height: float, fill: str = "#ffffff") -> str:
    """An upright rectangle."""
    place = f'x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}"'
    return f'<rect {place} fill="{fill}" stroke="#000000" stroke-width="0.6"/>'


def scale_bar() -> Shapes:
    """The bar of 10 mm with a tick in its middle."""
    left, y = 4.0, HEIGHT_MM - 4
    ticks = [line(left + step, y - size, left + step, y + size, 0.4) for step, size in ((0, 1.5), (5, 0.8), (10, 1.5))]
    return [line(left, y, left + BAR_MM, y, 0.4), *ticks]


def middle(limits: tuple[float, float] | None) -> float:
    """The middle of a range of the catalogue, mm."""
    if limits is None:
        raise ValueError("this drawing needs a measure that the catalogue doesn't give")
    return sum(limits) / 2


def spread(start: float, end: float, step: float) -> list[float]:
    """Places from start to end, a step apart, centred."""
    count = int((end - start) // step)
    first = (start + end - count * step) / 2
    return [first + index * step for index in range(count + 1)]


def lens_ring(x: float, y: float) -> Shapes:
    """The lens, and the line that leads to it from the place that it enlarges."""
    cx, cy, radius = LENS
    reach = ((cx - x) ** 2 + (cy - y) ** 2) ** 0.5
    edge_x, edge_y = cx - (cx - x) * radius / reach, cy - (cy - y) * radius / reach
    return [line(x, y, edge_x, edge_y, 0.3), circle(cx, cy, radius, 0.5, "#ffffff")]


def lens_pin(tip: str | None, weight: float, *, bent: bool) -> Shapes:
    """One pin in the lens: bent or straight, with a plain, coated or ball tip."""
    cx, cy, radius = LENS
    thick = weight * 3.5
    top, end = cy - radius * 0.8, cy + radius * 0.55
    lean = 3.5 if bent else 0.0
    start = cx - lean / 2
    shapes = [path(f"M {start:.2f} {top:.2f} L {start:.2f} {cy:.2f} L {start + lean:.2f} {end:.2f}", thick)]
    if tip == "ball":
        shapes.append(circle(start + lean, end, 3.0, 0.5, "#000000"))
    elif tip == "coated":
        shapes.append(circle(start + lean, end, 2.2, 0.5, "#000000"))
    return shapes
