"""The dog with its zones: hatched by mat risk, readable without colour, each zone named in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from coatclass.care import RISK_ZONES, ZoneLoad
from coatclass.reports._drawing import Drawing, Label, Line, hatch, smooth
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone
from coatclass.words import Catalogue

__all__ = ["dog_picture"]

_DATA = Path(__file__).with_name("data") / "dog.toml"
_SIZE = 17.0


def dog_picture(load: Sequence[ZoneLoad], leave: Sequence[BodyZone], texts: Catalogue) -> Drawing:
    """The dog's outline with the zones at which knots begin.

    Args:
        load: mat risk of every zone.
        leave: zones that wait for the groomer; drawn black with a cross.
        texts: the sheet's texts in the language of the picture.
    """
    dog = read_toml(_DATA)
    x, y, width, height = (float(value) for value in dog["view"])
    levels = {row.zone: row.level for row in load}
    marks = {zone: "leave" if zone in leave else levels[zone] for zone in RISK_ZONES}
    shapes: list[Line | Label] = [*_dog(dog)]
    for zone, mark in marks.items():
        shapes += _zone(dog["zone"][zone], mark)
    shapes += [Line(smooth(dog["ear"]["points"]), 2.0, closed=True, fill=1.0)]
    for zone, mark in marks.items():
        shapes += _label(dog["zone"][zone], texts.zone(zone), _word(mark, texts), mark)
    shapes += _legend(x + 8, y + height - 10, texts)
    return Drawing((x, y, width, height), tuple(shapes), texts.say("picture.title"), _description(marks, texts))


def _dog(dog: dict[str, Any]) -> Iterator[Line]:
    for leg in dog["far_leg"]:
        yield Line(smooth(leg["points"]), 1.2, closed=True, fill=0.93, grey=0.5)
    yield Line(smooth(dog["tail"]["points"]), 2.0, closed=True, fill=1.0)
    yield Line(smooth(dog["outline"]["points"]), 2.0, closed=True, fill=1.0)
    yield Line(smooth(dog["eye"]["points"]), 1.0, closed=True, fill=0.0)
    yield Line(smooth(dog["nose"]["points"]), 1.0, closed=True, fill=0.0)
    yield Line(smooth(dog["mouth"]["points"], closed=False), 1.2)


def _zone(zone: dict[str, Any], mark: str) -> Iterator[Line]:
    for key in ("points", "more"):
        if key in zone:
            yield from _shaded(smooth(zone[key]), mark)


def _shaded(shape: Sequence[tuple[float, float]], mark: str) -> Iterator[Line]:
    """The pattern of a mark: empty, lines one way, lines both ways, or black with a white cross."""
    edge = tuple(shape)
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


def _legend(x: float, y: float, texts: Catalogue) -> Iterator[Line | Label]:
    for mark in ("low", "moderate", "high", "leave"):
        box = ((x, y - 12), (x + 18, y - 12), (x + 18, y), (x, y))
        yield from _shaded(box, mark)
        yield Label((x + 24, y - 1), _word(mark, texts), _SIZE - 3)
        x += 24 + 8.2 * len(_word(mark, texts)) + 22


def _word(mark: str, texts: Catalogue) -> str:
    return texts.say("picture.leave") if mark == "leave" else texts.word("risk", mark)


def _description(marks: dict[BodyZone, str], texts: Catalogue) -> str:
    """The picture in words."""
    parts = []
    for mark in ("leave", "high", "moderate", "low"):
        zones = [texts.zone(zone) for zone in marks if marks[zone] == mark]
        if zones:
            parts.append(f"{_word(mark, texts)}: {texts.joined(zones)}.")
    return " ".join(parts)
