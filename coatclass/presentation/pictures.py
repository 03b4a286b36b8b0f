"""The pictures of a plan, drawn once for page and paper: the dog with its zones, curves of time and growth, lengths.

All of them are black on white, tell by pattern and words instead of colour, and say in words what they show.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date
from html import escape
from pathlib import Path
from typing import Any

from coatclass.care import RISK_ZONES, DatedLength, Growth, TimeBudget, ZoneLoad, as_said
from coatclass.presentation.drawing import Drawing, Label, Line, Point, hatch, path_of, smooth
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, BodyZone, LengthBand, MatState, band_limits_mm
from coatclass.words import Catalogue

__all__ = [
    "dog_map",
    "dog_outline",
    "found_map",
    "growth_curve",
    "length_picture",
    "photo_guide",
    "pressable_dog",
    "time_curve",
    "zones_in",
]

_DOG = Path(__file__).with_name("data") / "dog.toml"
_LIMITS = (19.0, 25.0, 75.0)  # mm, where tools change
_SIZE = 17.0  # of the words in the dog's picture
_SMALL = 13.0  # of the words in a plot


# --- the dog ----------------------------------------------------------------------------------------------------------


def dog_map(
    load: Sequence[ZoneLoad],
    leave: Collection[BodyZone],
    words: Catalogue,
    rank: Mapping[BodyZone, int] | None = None,
    *,
    compact: bool = False,
) -> Drawing:
    """The dog's outline with the zones at which knots begin.

    Args:
        load: mat risk of the zones that the dog has; a zone that is not named is not drawn.
        leave: zones that wait for the groomer or the vet; drawn black with a cross.
        words: the language of the picture.
        rank: the place of a zone among the others, 1 for the one that mats most easily; written beside its name.
        compact: for a narrow screen: only the numbers, large; the names stand in the table beside the picture.
    """
    dog, rank = read_toml(_DOG), rank or {}
    x, y, width, height = (float(value) for value in dog["view"])
    levels: Mapping[BodyZone, str] = {row.zone: row.level for row in load}
    marks = {zone: "leave" if zone in leave else levels[zone] for zone in RISK_ZONES if zone in levels}
    said = {mark: words.say("plan.map.leave") if mark == "leave" else words.word("risk", mark) for mark in _MARKS}
    shapes: list[Line | Label] = [*_body(dog)]
    for zone, mark in marks.items():
        for outline in _outlines(dog["zone"][zone]):
            shapes += _shaded(outline, mark)
    shapes.append(Line(smooth(dog["ear"]["points"]), 2.0, closed=True, fill=1.0))
    for zone, mark in marks.items():
        name = words.title(words.zone(zone))
        if compact:
            shapes += _number(dog["zone"][zone], str(rank.get(zone, "×")))
        else:
            shapes += _label(dog["zone"][zone], f"{rank[zone]}. {name}" if zone in rank else name, said[mark], mark)
    if compact:
        x, y, width, height = _COMPACT_VIEW
    shapes += _legend(x + 8, y + height - 10, said, width if compact else None)
    described = []
    for mark in reversed(_MARKS):
        zones = [words.zone(zone) for zone in marks if marks[zone] == mark]
        if zones:
            described.append(f"{words.title(said[mark])}: {words.joined(zones)}.")
    return Drawing((x, y, width, height), tuple(shapes), words.say("plan.map.title"), " ".join(described))


_COMPACT_VIEW = (10.0, -6.0, 390.0, 326.0)  # x, y, width, height: the dog, and its legend in two rows

_MARKS = ("low", "moderate", "high", "leave")


def _body(dog: dict[str, Any]) -> Iterator[Line]:
    for leg in dog["far_leg"]:
        yield Line(smooth(leg["points"]), 1.2, closed=True, fill=0.93, grey=0.5)
    yield Line(smooth(dog["tail"]["points"]), 2.0, closed=True, fill=1.0)
    yield Line(smooth(dog["outline"]["points"]), 2.0, closed=True, fill=1.0)
    yield Line(smooth(dog["eye"]["points"]), 1.0, closed=True, fill=0.0)
    yield Line(smooth(dog["nose"]["points"]), 1.0, closed=True, fill=0.0)
    yield Line(smooth(dog["mouth"]["points"], closed=False), 1.2)


def _outlines(zone: dict[str, Any]) -> Iterator[tuple[tuple[float, float], ...]]:
    for key in ("points", "more"):
        if key in zone:
            yield smooth(zone[key])


def _shaded(edge: tuple[tuple[float, float], ...], mark: str) -> Iterator[Line]:
    """The pattern of a mark: empty, lines one way, lines both ways, or black with a white cross."""
    if mark == "leave":
        yield Line(edge, 1.0, closed=True, fill=0.0)
        xs, ys = [p[0] for p in edge], [p[1] for p in edge]
        cx, cy, r = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, 5.0
        yield Line(((cx - r, cy - r), (cx + r, cy + r)), 2.0, grey=1.0)
        yield Line(((cx - r, cy + r), (cx + r, cy - r)), 2.0, grey=1.0)
        return
    yield Line(edge, 0.7, closed=True, fill=1.0, grey=0.35)
    if mark in ("moderate", "high"):
        yield from hatch(edge, 9.0 if mark == "moderate" else 6.0, rising=True, width=0.8)
    if mark == "high":
        yield from hatch(edge, 6.0, rising=False, width=0.8)


def _label(zone: dict[str, Any], name: str, word: str, mark: str) -> Iterator[Line | Label]:
    lx, ly = (float(value) for value in zone["label"])
    tip = (float(zone["tip"][0]), float(zone["tip"][1]))
    start = (lx + (3 if zone["side"] == "right" else -3), ly + 2)
    yield Line((start, tip), 0.7, grey=0.35)
    yield Line(smooth([(tip[0] - 2, tip[1]), (tip[0], tip[1] - 2), (tip[0] + 2, tip[1]), (tip[0], tip[1] + 2)]), 0.5,
               closed=True, fill=0.0)  # fmt: skip
    strong = mark in ("high", "leave")
    yield Label((lx, ly), name, _SIZE, zone["side"], bold=strong)
    yield Label((lx, ly + _SIZE), word, _SIZE - 3, zone["side"], bold=strong)


def _number(zone: dict[str, Any], number: str) -> Iterator[Line | Label]:
    """A number in a disc on the zone."""
    x, y = float(zone["tip"][0]), float(zone["tip"][1])
    yield Line(smooth([(x - 10, y), (x, y - 10), (x + 10, y), (x, y + 10)]), 1.2, closed=True, fill=1.0)
    yield Label((x, y + 5), number, 15.0, "middle", bold=True)


def _legend(x: float, y: float, said: Mapping[str, str], width: float | None = None) -> Iterator[Line | Label]:
    """What the patterns mean; in two rows where so little width is given."""
    start = x
    if width is not None:
        y -= 22
    for place, (mark, word) in enumerate(said.items()):
        if width is not None and place == len(said) // 2:
            x, y = start, y + 22
        box = ((x, y - 12), (x + 18, y - 12), (x + 18, y), (x, y))
        yield from _shaded(box, mark)
        yield Label((x + 24, y - 1), word, _SIZE - 3)
        x += 24 + 8.2 * len(word) + 22


def dog_outline(touches: Sequence[str]) -> tuple[tuple[float, float, float, float], list[Line], list[Point]]:
    """The dog without its zones: the view, the shapes, and where each touch goes."""
    dog = read_toml(_DOG)
    ear = Line(smooth(dog["ear"]["points"]), 2.0, closed=True, fill=1.0)
    places = [(float(dog["touch"][one][0]), float(dog["touch"][one][1])) for one in touches]
    return (10.0, 14.0, 390.0, 268.0), [*_body(dog), ear], places


_HAND = 42.0  # a hand's breadth beside this dog: about a seventh of its length, as 9 cm beside 60 cm (own estimate)


def photo_guide(words: Catalogue) -> Drawing:
    """How to stand for a photo: the whole dog from the side, in light, a hand's breadth from the frame all round."""
    _, shapes, _ = dog_outline(())
    left, top, right, bottom = (33.0 - _HAND, 34.0 - _HAND, 378.0 + _HAND, 264.0 + _HAND)
    frame = Line(((left, top), (right, top), (right, bottom), (left, bottom)), 2.5, closed=True)
    spans = (
        ((left, 190.0), (left + _HAND, 190.0)),
        ((right - _HAND, 190.0), (right, 190.0)),
        ((240.0, top), (240.0, top + _HAND)),
        ((240.0, bottom - _HAND), (240.0, bottom)),
    )
    marks = [line for start, end in spans for line in _span(start, end)]
    hand = Label((252.0, top + 0.6 * _HAND), words.say("plan.guide.hand"), _SMALL, bold=True)
    place = Label((left + 60.0, top + 28.0), words.say("plan.guide.light"), _SMALL)
    light: list[Line | Label] = [*_sun((left + 34.0, top + 34.0)), place]
    side = Label((175.0, 150.0), words.say("plan.guide.side"), _SMALL, "left", bold=True)
    view = (left - 8.0, top - 8.0, right - left + 16.0, bottom - top + 16.0)
    title = words.say("plan.guide.title")
    told = words.say("plan.guide.description")
    return Drawing(view, (frame, *shapes, *marks, hand, *light, side), title, told)


def _span(start: Point, end: Point) -> Iterator[Line]:
    """A measured distance: a line with a stroke across each end."""
    yield Line((start, end), 1.4)
    across = (0.0, 7.0) if start[1] == end[1] else (7.0, 0.0)
    for x, y in (start, end):
        yield Line(((x - across[0], y - across[1]), (x + across[0], y + across[1])), 1.4)


def _sun(centre: Point) -> Iterator[Line]:
    x, y = centre
    yield Line(smooth([(x - 9, y), (x, y - 9), (x + 9, y), (x, y + 9)]), 1.6, closed=True)
    for turn in range(8):
        c, s = math.cos(turn * math.pi / 4), math.sin(turn * math.pi / 4)
        yield Line(((x + 13 * c, y + 13 * s), (x + 19 * c, y + 19 * s)), 1.6)


def pressable_dog(
    levels: Mapping[BodyZone, int],
    *,
    title: str,
    words: Catalogue,
    pressable: bool = True,
    keys: bool = False,
    view: str = "left",
    patterns: bool = True,
) -> str:
    """The same dog as SVG for a form: every zone is an area that can be marked and pressed.

    Args:
        levels: 0 (free) to 4 (worst) by zone; the style sheet hatches them; a zone that is not named is blank.
        title: what a screen reader says; the same facts must stand in words beside the picture.
        words: the language of the zones' names.
        pressable: zones answer to a press; ``app/static`` turns it into the control with the same ``data-zone``.
        keys: zones are buttons, one of which the tabulator reaches; ``app/static`` lets the arrow keys walk on.
        view: ``left``, ``right``, ``top`` or ``below``.
        patterns: whether the hatchings come with it; once on a page is enough.
    """
    body, zones, ends = _view(view)
    areas = []
    for number, (zone, edges) in enumerate(zones):
        level = levels.get(zone)
        x, y = _centre(edges[0])
        name = escape(words.zone(zone))
        button = f' role="button" tabindex="{-1 if number else 0}" aria-label="{name}"' if keys else ""
        areas.append(
            f'<g class="zone" data-zone="{zone}" data-level="{"" if level is None else level}"{button}>'
            f"<title>{name}</title>"
            f'<path d="{" ".join(path_of(edge) for edge in edges)}"/>'
            f'<text class="mark" x="{x:.0f}" y="{y + 5:.0f}" aria-hidden="true"></text></g>'
        )
    shapes = "".join(f'<path class="body" d="{path_of(edge)}"/>' for edge in body)
    face = "".join(f'<path class="eye" d="{path_of(edge)}"/>' for edge in ends)
    defs = f"<defs>{_hatchings()}</defs>" if patterns else ""
    role = "group" if keys else "img"
    return (
        f'<svg class="picture outline{" pressable" if pressable else ""}" viewBox="18 22 374 252" role="{role}" '
        f'data-view="{view}" aria-label="{escape(title)}">'
        f"{defs}{shapes}{''.join(areas)}{face}</svg>"
    )


_Edge = tuple[tuple[float, float], ...]
_VIEWS = Path(__file__).with_name("data") / "dog_views.toml"


def _view(view: str) -> tuple[list[_Edge], list[tuple[BodyZone, list[_Edge]]], list[_Edge]]:
    """Body, zones and what lies on top of them, seen from one side; large zones come first, under the small ones."""
    if view in ("top", "below"):
        return _from_above(read_toml(_VIEWS), view)
    dog = read_toml(_DOG)
    shapes = {**dog["area"], **dog["zone"]}
    body = [smooth(leg["points"]) for leg in dog["far_leg"]]
    body += [smooth(dog[part]["points"]) for part in ("tail", "outline")]
    zones = [(zone, list(_outlines(shapes[zone]))) for zone in sorted(BodyZone, key=list(shapes).index)]
    ends = [smooth(dog[part]["points"]) for part in ("eye", "nose")]
    if view == "left":
        return body, zones, ends
    turned = [(zone, [_turned(edge) for edge in edges]) for zone, edges in zones]
    return [_turned(edge) for edge in body], turned, [_turned(edge) for edge in ends]


def _turned(edge: _Edge) -> _Edge:
    """As seen from the other side of the dog."""
    return tuple((410.0 - x, y) for x, y in edge)


def _from_above(
    table: dict[str, Any], view: str
) -> tuple[list[_Edge], list[tuple[BodyZone, list[_Edge]]], list[_Edge]]:
    rows, middle = table[view], float(table["middle"])

    def other(edge: _Edge) -> _Edge:
        return tuple((x, 2 * middle - y) for x, y in edge)

    halves = [smooth(half, closed=False) for half in rows["body"]]
    body = [smooth(rows["tail"])]
    for leg in rows.get("legs", ()):
        body += [smooth(leg), other(smooth(leg))]
    body += [(*half, *reversed(other(half))) for half in halves]
    zones = []
    for zone, row in rows["zone"].items():
        edges = [smooth(shape) for shape in row["shapes"]]
        zones.append((BodyZone(zone), [*edges, *map(other, edges)] if row.get("mirrored") else edges))
    return body, zones, [smooth(rows["nose"])]


def _centre(edge: _Edge) -> tuple[float, float]:
    xs, ys = [x for x, _ in edge], [y for _, y in edge]
    return (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2


def zones_in(view: str) -> tuple[BodyZone, ...]:
    """The zones that a view shows, in the order in which they are drawn."""
    return tuple(zone for zone, _ in _view(view)[1])


def found_map(marks: Mapping[str, tuple[int | None, bool]], views: Mapping[str, str], words: Catalogue) -> Drawing:
    """The dog from four sides with what was found, for paper.

    Args:
        marks: by ``view.zone``: the state of its mats, 0 to 4, None if nobody looked, and whether there is more.
        views: what each view is called, in the order in which they are drawn, two in a row.
        words: the language of the picture.
    """
    shapes: list[Line | Label] = []
    for place, (view, name) in enumerate(views.items()):
        dx, dy = 380.0 * (place % 2) - 18, 262.0 * (place // 2) - 18
        body, zones, ends = _view(view)
        shapes += [Line(_moved(edge, dx, dy), 1.5, closed=True, fill=1.0) for edge in body]
        for zone, edges in zones:
            level, sign = marks.get(f"{view}.{zone}", (None, False))
            for edge in edges:
                shapes += _levelled(_moved(edge, dx, dy), level or 0)
            if sign:
                x, y = _centre(_moved(edges[0], dx, dy))
                shapes.append(Line(((x - 7, y + 6), (x, y - 8), (x + 7, y + 6)), 1.6, closed=True, fill=1.0))
                shapes.append(Label((x, y + 5), "!", 11.0, "middle", bold=True))
        shapes += [Line(_moved(edge, dx, dy), 1.0, closed=True, fill=0.0) for edge in ends]
        shapes.append(Label((6 + 380.0 * (place % 2), 16 + 262.0 * (place // 2)), words.title(name), 14.0, bold=True))
    x, y = 8.0, 262.0 * ((len(views) + 1) // 2) + 8
    for level, state in enumerate(MatState):
        box = ((x, y - 13), (x + 20, y - 13), (x + 20, y), (x, y))
        shapes += _levelled(box, level)
        said = words.word("mat_state", state)
        shapes.append(Label((x + 26, y - 1), said, 12.0))
        x += 26 + 7.4 * len(said) + 18
    said = words.joined(f"{words.zone(key.partition('.')[2])} ({views[key.partition('.')[0]]})" for key in marks)
    return Drawing((0, 0, 764, y + 6), tuple(shapes), words.joined(views.values()), said)


def _moved(edge: _Edge, dx: float, dy: float) -> _Edge:
    return tuple((x + dx, y + dy) for x, y in edge)


def _levelled(edge: _Edge, level: int) -> Iterator[Line]:
    """One pattern for each mat state: the worse, the darker; felt is black."""
    yield Line(edge, 0.6, closed=True, fill=0.0 if level == 4 else 1.0, grey=0.55 if level == 0 else 0.2)
    if level in (1, 2, 3):
        yield from hatch(edge, (0.0, 14.0, 9.0, 5.0)[level], rising=True, width=(0.0, 0.6, 0.9, 1.2)[level])
    if level == 3:
        yield from hatch(edge, 7.0, rising=False, width=1.0)


def _hatchings() -> str:
    """One hatching for each level: the worse, the closer the lines."""
    return "".join(
        f'<pattern id="hatch-{level}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="{gap}" height="{gap}" class="hatch-ground hatch-{level}"/>'
        f'<line x1="0" x2="0" y1="0" y2="{gap}" class="hatch-line" stroke-width="{weight}"/></pattern>'
        for level, gap, weight in ((1, 14, 1.5), (2, 10, 2.5), (3, 7, 3), (4, 5, 3.5))
    )


# --- plots ------------------------------------------------------------------------------------------------------------


class _Plot:
    """A plot's frame: x and y in their own units become points of a drawing."""

    left, top, width, height = 58.0, 26.0, 520.0, 190.0

    def __init__(self, x: tuple[float, float], y_most: float, *, compact: bool = False) -> None:
        if compact:  # so narrow that its words keep their size on a phone
            self.left, self.top, self.width = 46.0, 44.0, 262.0
        self.x, self.y_most = x, y_most
        self.shapes: list[Line | Label] = []
        self.bottom, self.right = self.top + self.height, self.left + self.width
        self.shapes.append(Line(((self.left, self.top - 6), (self.left, self.bottom), (self.right, self.bottom)), 1.2))

    def at(self, x: float, y: float) -> tuple[float, float]:
        low, high = self.x
        return (
            self.left + self.width * (x - low) / ((high - low) or 1.0),
            self.top + self.height * (1 - min(y, self.y_most) / self.y_most),
        )

    def tick(self, x: float, text: str, *, side: Any = "middle") -> None:
        px = self.at(x, 0)[0]
        self.shapes.append(Line(((px, self.bottom), (px, self.bottom + 5)), 1.0))
        self.shapes.append(Label((px - (2 if side == "right" else 0), self.bottom + 19), text, _SMALL, side))

    def level(self, y: float, text: str, *, dashed: bool = False, shift: float = 4) -> None:
        py = self.at(self.x[0], y)[1]
        self.shapes.append(Line(((self.left, py), (self.right, py)), 0.5, grey=0.6, dashed=dashed))
        self.shapes.append(Label((self.left - 6, py + shift), text, _SMALL, "right"))

    def drawing(self, title: str, description: str) -> Drawing:
        return Drawing((0, 0, self.right + 22, self.bottom + 46), tuple(self.shapes), title, description)


def time_curve(
    budget: TimeBudget, now_mm: float, words: Catalogue, *, clipped: bool = False, compact: bool = False
) -> Drawing:
    """The curve of minutes a week against trunk length, the owner's minutes marked, and today's length.

    ``clipped``: ``now_mm`` is what the groomer leaves at the visit.
    """
    most_mm = 150.0 if now_mm > 75 or (budget.longest_mm or 0) > 75 else 100.0
    points = [(mm, minutes) for mm, minutes in budget.curve if mm <= most_mm]
    most = _round_up(max([minutes for _, minutes in points] + [budget.given or 0.0]))
    plot = _Plot((0.0, most_mm), most, compact=compact)
    for mm in (0, 25, 75, 100, 150) if compact else (0, 19, 25, 50, 75, 100, 150):
        if mm <= most_mm:  # 19 and 25 stand close together: the first is written to the left of its mark
            plot.tick(mm, str(mm), side="right" if mm == 19 else "middle")
    for part in range(1, 5):
        plot.level(plot.y_most * part / 4, words.number(plot.y_most * part / 4, 0))
    plot.shapes.append(Label((plot.left + plot.width / 2, plot.bottom + 38), words.say("plan.curve.length"), _SMALL,
                             "middle"))  # fmt: skip
    plot.shapes.append(Label((4, 13), words.say("plan.curve.minutes"), _SMALL))
    plot.shapes.append(Line(tuple(plot.at(mm, minutes) for mm, minutes in points), 2.5))
    if budget.given is not None:
        plot.shapes.append(Line((plot.at(0, budget.given), plot.at(most_mm, budget.given)), 1.5, dashed=True))
        said = words.say("plan.curve.given", minutes=words.minutes(budget.given))
        # The legend stands above the plot, where no curve can run through it.
        start, head = plot.right - 0.66 * _SMALL * len(said), 31.0 if compact else 13.0
        plot.shapes.append(Line(((start - 34, head - 4), (start - 6, head - 4)), 1.5, dashed=True))
        plot.shapes.append(Label((plot.right, head), said, _SMALL, "right", bold=True))
    x, y = plot.at(min(now_mm, most_mm), budget.minutes)
    said = words.say(f"plan.curve.{'then' if clipped else 'now'}", mm=words.number(now_mm, 0))
    plot.shapes.append(Line(((x, y), (x, plot.bottom)), 0.8, dashed=True, grey=0.3))
    plot.shapes.append(_diamond(x, y))
    left = max(plot.left + 6, x - 8 - 0.62 * _SMALL * len(said))
    plot.shapes.append(Label((left, max(y - 9, plot.top)), said, _SMALL, bold=True))
    some = points[:: max(1, len(points) // 5)]
    described = words.joined(
        words.say("plan.curve.point", mm=words.number(mm, 0), minutes=words.minutes(as_said(minutes)))
        for mm, minutes in some
    )
    return plot.drawing(words.say("plan.curve.title"), f"{described}.")


def _round_up(value: float) -> float:
    """The next round number above a value."""
    step = 10 ** math.floor(math.log10(max(value, 1.0)))
    return float(next(step * factor for factor in (1, 2, 3, 4, 5, 6, 8, 10) if step * factor >= value))


def _diamond(x: float, y: float, r: float = 4.0) -> Line:
    return Line(((x - r, y), (x, y - r), (x + r, y), (x, y + r)), 1.0, closed=True, fill=0.0)


def _square(x: float, y: float, r: float = 3.5) -> Line:
    return Line(((x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)), 1.0, closed=True, fill=0.0)


def growth_curve(
    growth: Growth, words: Catalogue, measured: Sequence[DatedLength] = (), *, compact: bool = False
) -> Drawing | None:
    """Trunk length over time: what was measured, the forecast with its range, and the lengths at which tools change.

    Returns:
        None where there is nothing to draw.
    """
    curve = growth.curve
    if not curve and not measured:
        return None
    days = [one.on for one in measured] + [day for day, _, _, _ in curve] + [growth.today]
    first, last = min(days), max(days)
    heights = [one.mm for one in measured] + [high for _, _, _, high in curve] + [30.0]
    plot = _Plot((0.0, float(max((last - first).days, 30))), min(max(heights) * 1.08, 400.0), compact=compact)

    def at(day: date, mm: float) -> tuple[float, float]:
        return plot.at((day - first).days, mm)

    if curve:
        upper = [at(day, high) for day, _, _, high in curve]
        lower = [at(day, low) for day, low, _, _ in reversed(curve)]
        plot.shapes.append(Line((*upper, *lower), 0.5, closed=True, fill=0.86, grey=0.7))
    for limit in _LIMITS:
        if limit < plot.y_most:  # 19 and 25 lie close together: one number on each side of its line
            plot.level(limit, f"{limit:g}", dashed=True, shift={19.0: 13, 25.0: -3}.get(limit, 4))
    if curve:
        plot.shapes.append(Line(tuple(at(day, mm) for day, _, mm, _ in curve), 2.5))
    if growth.trim is not None and curve:
        plot.shapes.append(_square(*at(min(growth.trim.likely, curve[-1][0]), growth.trim.mm)))
    for day in _firsts_of_months(first, last, 100 if compact else 200):
        plot.tick((day - first).days, words.month(day))
    x = at(growth.today, 0)[0]
    plot.shapes.append(Line(((x, plot.top - 6), (x, plot.bottom)), 1.0, dashed=True))
    near_right = x > plot.left + plot.width * 0.8
    plot.shapes.append(Label((x + (-5 if near_right else 5), 14), words.say("plan.growth.today"), _SMALL,
                             "right" if near_right else "left", bold=True))  # fmt: skip
    points = [at(one.on, one.mm) for one in sorted(measured, key=lambda one: one.on)]
    if len(points) > 1:
        plot.shapes.append(Line(tuple(points), 0.8, grey=0.5))
    plot.shapes += [_diamond(x, y, r=5.0) for x, y in points]
    plot.shapes.append(Label((4, 13), "mm", _SMALL))
    said = [words.say("plan.growth.point", mm=words.mm(one.mm), day=words.day(one.on)) for one in measured]
    if curve:
        day, _, mm, _ = curve[-1]
        said.append(words.say("plan.growth.expected", mm=words.about_mm(mm), day=words.day(day)))
    return plot.drawing(words.say("plan.growth.picture"), " ".join(said))


def _firsts_of_months(first: date, last: date, days: int) -> Iterator[date]:
    """The first day of every month whose name fits."""
    step = 1 + (last - first).days // days
    year, month = first.year, first.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        day = date(year, month, 1)
        if day > last:
            return
        if (month - 1) % step == 0:
            yield day


def length_picture(bands: Sequence[LengthBand], words: Catalogue) -> Drawing:
    """The length bands as hair standing on skin, to one scale; those still possible are drawn black and marked."""
    skin, width = 118.0, 340.0
    shapes: list[Line | Label] = [Line(((0, skin), (width, skin)), 1.5)]
    for index, band in enumerate(BANDS):
        low, high = band_limits_mm(band)
        tall, x, possible = min(high, 100.0), 16 + index * 82, band in bands
        for hair in range(10):
            height = low + (tall - low) * (0.55 + 0.05 * (hair % 5))
            root = (x + hair * 6, skin)
            strand = smooth([root, (root[0] + 2, skin - height / 2), (root[0] + 4, skin - height)], closed=False)
            shapes.append(Line(strand, 1.8 if possible else 1.0, grey=0.0 if possible else 0.65))
        if possible:
            shapes.append(
                Line(((x + 22, skin + 14), (x + 30, skin + 3), (x + 38, skin + 14)), 1.0, closed=True, fill=0.0)
            )
        limits = (f"{low:g}", f"{high:g}") if math.isfinite(high) else (f"{low:g}", "")
        text = f"{limits[0]}–{limits[1]}" if limits[1] else f"> {limits[0]}"
        shapes.append(Label((x + 30, skin + 30), text, _SMALL, "middle", bold=possible))
    shapes.append(Label((width - 2, skin + 48), "mm", _SMALL, "right"))
    names = words.either(words.band(band) for band in bands)
    return Drawing((0, 8, width, skin + 46), tuple(shapes), words.say("plan.sure.lengths", bands=names), names)
