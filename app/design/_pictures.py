"""Plots as SVG: probabilities as bars, lengths to scale, growth over time. Shape and words carry them, not colour."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from markupsafe import Markup, escape

from app.design._templates import _percent
from coatclass.care import Growth
from coatclass.taxonomy import BANDS, LengthBand, band_label, band_limits_mm

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def bars(rows: Sequence[tuple[str, float, bool]], *, caption: str) -> Markup:
    """Probabilities as a table with bars, best first; readable without the bars.

    Args:
        rows: (label, probability, still possible).
    """
    ordered = sorted(rows, key=lambda row: -row[1])
    lines = []
    for label, share, possible in ordered:
        kind = "possible" if possible else "unlikely"
        mark = "&#9679;" if possible else "&#9675;"
        lines.append(
            f'<tr class="bar {kind}"><th scope="row"><span aria-hidden="true">{mark}</span> {escape(label)}</th>'
            f'<td><span class="track" aria-hidden="true"><span class="fill" style="width:{100 * share:.1f}%"></span>'
            f'</span></td><td class="share">{escape(_percent(share))}</td></tr>'
        )
    return Markup(f'<table class="bars"><caption>{escape(caption)}</caption><tbody>{"".join(lines)}</tbody></table>')


def length_picture(bands: Sequence[LengthBand], *, title: str) -> Markup:
    """The bands that are still possible, drawn as hair standing on skin, to one scale."""
    top, skin, width = 100.0, 112.0, 320
    shapes = [f'<line x1="0" x2="{width}" y1="{skin}" y2="{skin}" class="skin"/>']
    for index, band in enumerate(BANDS):
        low, high = band_limits_mm(band)
        tall = min(high, 100.0)
        x = 14 + index * 78
        kind = "likely" if band in bands else "unlikely"
        for hair in range(9):
            height = (low + (tall - low) * (0.55 + 0.05 * (hair % 5))) * top / 100
            x0 = x + hair * 5
            shapes.append(
                f'<path d="M{x0} {skin} q2 {-height / 2:.1f} 4 {-height:.1f}" class="hair {kind}" fill="none"/>'
            )
        if band in bands:
            shapes.append(f'<path d="M{x + 18} {skin + 20} l6 -9 l6 9 z" class="pointer"/>')
        label = band_label(band).split(" (")[0]
        shapes.append(f'<text x="{x + 24}" y="{skin + 36}" text-anchor="middle">{escape(label)}</text>')
    return Markup(
        f'<svg class="picture lengths" viewBox="0 0 {width} {skin + 44:.0f}" role="img"><title>{escape(title)}</title>'
        f"{''.join(shapes)}</svg>"
    )


def growth_curve(growth: Growth, *, title: str) -> Markup:
    """Trunk length over a year with its honest range, and the limits at which tools change; empty if it stands still."""
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
            shift = 15 if limit == 19 else -4
            shapes.append(f'<text x="{left - 6}" y="{y + (shift if limit != 75 else 5):.1f}" text-anchor="end">{limit:g}</text>')
    shapes.append(f'<polyline points="{likely}" class="curve"/>')
    for day, _, _, _ in points:
        if day.day <= 7 and day.month % 2 == 1:
            shapes.append(
                f'<text x="{x_of(day):.1f}" y="{height - 10:.0f}" text-anchor="middle">{_MONTHS[day.month - 1]}</text>'
            )
    if growth.trim is not None:
        x = x_of(min(growth.trim.likely, points[-1][0]))
        shapes.append(f'<circle cx="{x:.1f}" cy="{y_of(growth.trim.mm):.1f}" r="7" class="point"/>')
    shapes.append(f'<line x1="{left}" x2="{left}" y1="10" y2="{height - bottom}" class="axis"/>')
    shapes.append(f'<line x1="{left}" x2="{width - 10}" y1="{height - bottom}" y2="{height - bottom}" class="axis"/>')
    shapes.append(f'<text x="{left + 6}" y="22">mm</text>')
    return Markup(
        f'<svg class="picture growth" viewBox="0 0 {width:.0f} {height:.0f}" role="img"><title>{escape(title)}</title>'
        f"{''.join(shapes)}</svg>"
    )


def load_list(rows: Sequence[tuple[str, str, float]], *, caption: str) -> Markup:
    """Mat risk as rows: (zone, level in words, score 0 to 100), the worst first."""
    lines = [
        f'<tr class="bar"><th scope="row">{escape(zone)}</th><td><span class="track" aria-hidden="true">'
        f'<span class="fill" style="width:{min(100.0, score):.0f}%"></span></span></td>'
        f'<td class="share">{escape(level)}</td></tr>'
        for zone, level, score in sorted(rows, key=lambda row: -row[2])
    ]
    return Markup(f'<table class="bars"><caption>{escape(caption)}</caption><tbody>{"".join(lines)}</tbody></table>')
