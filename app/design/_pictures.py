"""Plots as SVG: probabilities as bars, lengths to scale, growth over time. Shape and words carry them, not colour."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from markupsafe import Markup, escape

from app.design._templates import _percent
from coatclass.care import Growth, TimeBudget
from coatclass.taxonomy import BANDS, LengthBand, band_limits_mm

_SHORT = dict(zip(BANDS, ("under 19", "19–25", "25–75", "over 75"), strict=True))
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def bars(rows: Sequence[tuple[str, float, bool]], *, caption: str) -> Markup:
    """Probabilities as a table with bars, best first; readable without the bars.

    Args:
        rows: (label, probability, still possible).
    """
    lines = []
    for label, share, possible in sorted(rows, key=lambda row: -row[1]):
        mark = "&#9679;" if possible else "&#9675;"
        kind = "possible" if possible else "unlikely"
        lines.append(_bar(f'<span aria-hidden="true">{mark}</span> {escape(label)}', share, _percent(share), kind))
    return _bar_table(lines, caption)


def _bar(label: str, share: float, said: str, kind: str) -> str:
    """One row: the label and the value in words above a bar as wide as the row."""
    return (
        f'<tr class="bar {kind}"><th scope="row">{label}</th><td class="share">{escape(said)}</td>'
        f'<td class="track" aria-hidden="true"><span class="fill" style="width:{100 * share:.1f}%"></span></td></tr>'
    )


def _bar_table(lines: Sequence[str], caption: str) -> Markup:
    return Markup(f'<table class="bars"><caption>{escape(caption)}</caption><tbody>{"".join(lines)}</tbody></table>')


def length_picture(bands: Sequence[LengthBand], *, title: str) -> Markup:
    """The bands that are still possible, drawn as hair standing on skin, to one scale."""
    skin, width = 118.0, 340.0
    shapes = [f'<line x1="0" x2="{width:.0f}" y1="{skin}" y2="{skin}" class="skin"/>']
    for index, band in enumerate(BANDS):
        low, high = band_limits_mm(band)
        tall = min(high, 100.0)
        x = 16 + index * 82
        kind = "likely" if band in bands else "unlikely"
        for hair in range(10):
            height = low + (tall - low) * (0.55 + 0.05 * (hair % 5))
            strand = f"M{x + hair * 6} {skin} q2 {-height / 2:.1f} 4 {-height:.1f}"
            shapes.append(f'<path d="{strand}" class="hair {kind}" fill="none"/>')
        if band in bands:
            shapes.append(f'<path d="M{x + 22} {skin + 16} l8 -11 l8 11 z" class="pointer"/>')
        shapes.append(_label(x + 30, skin + 36, _SHORT[band], "middle"))
    shapes.append(_label(width - 2, skin + 56, "mm", "end"))
    return _svg("lengths", width, skin + 62, title, shapes)


def growth_curve(growth: Growth, *, title: str) -> Markup:
    """Trunk length over a year with its range, and the limits at which tools change; empty if it stands still."""
    points = growth.curve
    if not points:
        return Markup()
    width, height, left, bottom = 640.0, 300.0, 52.0, 34.0
    tallest = max([30.0, *(high for _, _, _, high in points)]) * 1.1
    tallest = min(tallest, 400.0)
    days = (points[-1][0] - points[0][0]).days or 1

    def x_of(day: date) -> float:
        return left + (width - left - 10) * (day - points[0][0]).days / days

    def y_of(mm: float) -> float:
        return (height - bottom) - (height - bottom - 10) * min(mm, tallest) / tallest

    upper = " ".join(f"{x_of(day):.1f},{y_of(high):.1f}" for day, _, _, high in points)
    lower = " ".join(f"{x_of(day):.1f},{y_of(low):.1f}" for day, low, _, _ in reversed(points))
    likely = " ".join(f"{x_of(day):.1f},{y_of(mm):.1f}" for day, _, mm, _ in points)
    shapes = [f'<polygon points="{upper} {lower}" class="range"/>']
    for limit in (19.0, 25.0, 75.0):
        if limit < tallest:
            y = y_of(limit)
            shapes.append(f'<line x1="{left}" x2="{width - 10}" y1="{y:.1f}" y2="{y:.1f}" class="limit"/>')
            # 19 and 25 lie close: one label on each side of its line
            shift = {19.0: 16, 25.0: -4}.get(limit, 5)
            shapes.append(_label(left - 8, y + shift, f"{limit:g}", "end"))
    shapes.append(f'<polyline points="{likely}" class="curve"/>')
    if all(abs(growth.now_mm - limit) > 0.09 * tallest for limit in (19, 25, 75)):
        shapes.append(_label(left - 8, y_of(growth.now_mm) + 5, f"{growth.now_mm:.0f}", "end"))
    shapes += [
        _label(x_of(day), height - 10, _MONTHS[day.month - 1], "middle")
        for day, _, _, _ in points
        if day.day <= 7 and day.month % 2 == 1
    ]
    if growth.trim is not None:
        x = x_of(min(growth.trim.likely, points[-1][0]))
        shapes.append(f'<circle cx="{x:.1f}" cy="{y_of(growth.trim.mm):.1f}" r="8" class="point"/>')
    shapes += [*_axes(width, height, left, bottom), _label(left + 8, 22, "mm", "start")]
    return _svg("growth", width, height, title, shapes)


def load_list(rows: Sequence[tuple[str, str, float]], *, caption: str) -> Markup:
    """Mat risk as rows: (zone, level in words, score 0 to 100), the worst first."""
    ordered = sorted(rows, key=lambda row: -row[2])
    lines = [_bar(str(escape(zone)), min(100.0, score) / 100, level, "possible") for zone, level, score in ordered]
    return _bar_table(lines, caption)


def time_curve(budget: TimeBudget, *, title: str, minutes: str = "min", given: str = "") -> Markup:
    """Minutes a week by trunk length, with the dog today as a dot and the owner's minutes as a dashed line."""
    points = [(mm, need) for mm, need in budget.curve if mm <= 150]
    width, height, left, bottom = 640.0, 300.0, 52.0, 34.0
    top = max([need for _, need in points] + [budget.given or 0.0]) * 1.1
    longest = points[-1][0]

    def at(mm: float, need: float) -> tuple[float, float]:
        return left + (width - left - 24) * mm / longest, (height - bottom) * (1 - need / top) + 4

    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(*point) for point in points))
    shapes = [f'<polyline points="{line}" class="curve"/>', *_axes(width, height, left, bottom)]
    for mm in (25, 50, 75, 100, 150):
        if mm <= longest:
            shapes.append(_label(at(mm, 0)[0], height - 10, f"{mm}", "middle"))
    for part in (0.5, 1.0):
        need = round(top / 1.1 * part / 10) * 10
        shapes.append(_label(left - 8, at(0, need)[1] + 5, f"{need:g}", "end"))
    shapes += [_label(left + 8, 20, minutes, "start"), _label(width - 12, height - bottom - 8, "mm", "end")]
    if budget.given is not None:
        y = at(0, budget.given)[1]
        shapes.append(f'<line x1="{left}" x2="{width - 10}" y1="{y:.1f}" y2="{y:.1f}" class="limit"/>')
        shapes.append(_label(width - 12, y - 7, given, "end"))
    if budget.longest_mm is not None and budget.given is not None and budget.longest_mm <= longest:
        need = min(points, key=lambda point: abs(point[0] - (budget.longest_mm or 0)))
        x, y = at(*need)
        shapes.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" class="point"/>')
    return _svg("growth", width, height, title, shapes)


def _axes(width: float, height: float, left: float, bottom: float) -> list[str]:
    floor = height - bottom
    return [
        f'<line x1="{left}" x2="{left}" y1="10" y2="{floor}" class="axis"/>',
        f'<line x1="{left}" x2="{width - 10}" y1="{floor}" y2="{floor}" class="axis"/>',
    ]


def _label(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _svg(kind: str, width: float, height: float, title: str, shapes: Sequence[str]) -> Markup:
    return Markup(
        f'<svg class="picture {kind}" viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(title)}">'
        f"{''.join(shapes)}</svg>"
    )
