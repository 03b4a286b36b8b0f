"""Lengths of one dog as SVG: what was measured, what is to be expected, and the limits at which tools change."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from markupsafe import Markup, escape

from coatclass.care import Growth
from coatclass.records import Measurement
from coatclass.taxonomy import BodyZone

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 680.0, 320.0, 58.0, 14.0, 30.0, 40.0
_LIMITS = (19.0, 25.0, 75.0)
_MOST_DAYS_BACK = 540


def lengths_over_time(
    measurements: Sequence[Measurement], growth: Growth | None, *, today: date, title: str, words: dict[str, str]
) -> Markup:
    """Measured trunk lengths, and the forecast with its range.

    Args:
        words: ``today`` and ``mm`` in the page's language.
    """
    measured = [one for one in measurements if one.zone is BodyZone.TRUNK]
    measured = [one for one in measured if (today - one.measured_on).days <= _MOST_DAYS_BACK]
    curve = growth.curve if growth is not None else ()
    days = [one.measured_on for one in measured] + [today] + [day for day, _, _, _ in curve]
    first, last = min(days), max(days)
    heights = [one.length_mm for one in measured] + [high for _, _, _, high in curve] + [30.0]
    tallest = min(max(heights) * 1.08, 400.0)
    span = max((last - first).days, 30)

    def x_of(day: date) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (day - first).days / span

    def y_of(mm: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _BOTTOM - _TOP) * min(mm, tallest) / tallest

    shapes = [*_grid(tallest, y_of), *_months(first, span, x_of)]
    if curve:
        upper = " ".join(f"{x_of(day):.1f},{y_of(high):.1f}" for day, _, _, high in curve)
        lower = " ".join(f"{x_of(day):.1f},{y_of(low):.1f}" for day, low, _, _ in reversed(curve))
        likely = " ".join(f"{x_of(day):.1f},{y_of(mm):.1f}" for day, _, mm, _ in curve)
        shapes += [f'<polygon points="{upper} {lower}" class="range"/>', f'<polyline points="{likely}" class="curve"/>']
    x = x_of(today)
    shapes.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{_HEIGHT - _BOTTOM}" class="axis"/>')
    anchor = "start" if x < _WIDTH / 2 else "end"
    shapes.append(f'<text x="{x + (6 if anchor == "start" else -6):.1f}" y="20" text-anchor="{anchor}">'
                  f'{escape(words["today"])}</text>')  # fmt: skip
    shapes += [_point(x_of(one.measured_on), y_of(one.length_mm), one) for one in measured]
    return Markup(
        f'<svg class="picture growth" viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" role="img" aria-label="{escape(title)}">'
        f'<text x="4" y="20">{escape(words["mm"])}</text>{"".join(shapes)}</svg>'
    )


def _grid(tallest: float, y_of: object) -> list[str]:
    shapes = []
    for limit in _LIMITS:
        if limit < tallest:
            y = y_of(limit)  # type: ignore[operator]
            shapes.append(f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" class="limit"/>')
            # 19 and 25 lie close together: one label on each side of its line
            shift = {19.0: 15, 25.0: -4}.get(limit, 5)
            shapes.append(f'<text x="{_LEFT - 8}" y="{y + shift:.1f}" text-anchor="end">{limit:g}</text>')
    base = _HEIGHT - _BOTTOM
    shapes.append(f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{base}" y2="{base}" class="axis"/>')
    return shapes


def _months(first: date, span: int, x_of: object) -> list[str]:
    """The first day of every month that has room for its name."""
    step = 1 + span // 200
    shapes = []
    year, month = first.year, first.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        day = date(year, month, 1)
        if (day - first).days > span:
            return shapes
        if (month - 1) % (step * 2 if span > 120 else 1) == 0:
            name = f"{day:%b}" if month != 1 else f"{day:%b %Y}"
            shapes.append(
                f'<text x="{x_of(day):.1f}" y="{_HEIGHT - 12}" text-anchor="middle">{name}</text>'  # type: ignore[operator]
            )


def _point(x: float, y: float, one: Measurement) -> str:
    """A ruler's point is round, a card's square, hands' a diamond."""
    shape = {
        "ruler": f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" class="point"/>',
        "card": f'<rect x="{x - 7:.1f}" y="{y - 7:.1f}" width="14" height="14" class="point"/>',
        "hands": f'<path d="M{x:.1f} {y - 9:.1f} l9 9 l-9 9 l-9 -9 z" class="point"/>',
    }[one.how]
    return f"<g><title>{one.length_mm:g} mm, {one.measured_on}</title>{shape}</g>"
