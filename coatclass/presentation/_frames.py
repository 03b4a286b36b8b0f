"""Line brushing and the comb test in six frames: a patch of coat that hangs down, seen from the side of the dog."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from math import cos, sin

from coatclass.presentation.drawing import Drawing, Label, Line, Point, smooth
from coatclass.words import Catalogue

__all__ = ["BRUSHING", "COMBING", "frame"]

BRUSHING = ("part", "hold", "stroke", "next")
"""The frames of line brushing, in order."""

COMBING = ("comb", "judge")
"""The frames of the comb test, in order."""

_WIDTH, _HEIGHT = 120.0, 92.0
_LEFT, _RIGHT, _TOP, _FOOT = 8.0, 112.0, 8.0, 84.0
_LINE = 46.0  # where the coat is parted
_BAND = 5.0  # how much skin shows
_Shapes = Iterator[Line | Label]


@cache
def frame(name: str, words: Catalogue) -> Drawing:
    """One frame by its name; title and description are the sentence that stands below it."""
    said = words.say(f"plan.frames.{name}")
    shapes = (Line(_box(0.6, 0.6, _WIDTH - 1.2, _HEIGHT - 1.2), 0.6, closed=True, fill=1.0, grey=0.5), *_DRAWN[name]())
    return Drawing((0.0, 0.0, _WIDTH, _HEIGHT), shapes, said, said)


def _box(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def _hair(top: float, foot: float, left: float = _LEFT, right: float = _RIGHT, step: float = 4.0) -> _Shapes:
    """Hanging strands, each a little different."""
    count = int((right - left) / step)
    for n in range(count + 1):
        x, sway = left + n * step, (1.6, -1.1, 0.7, -1.8, 1.2)[n % 5]
        end = foot - (0.0, 3.0, 1.2, 4.0)[n % 4]
        middle = (x + sway, (top + end) / 2)
        yield Line(smooth([(x, top), middle, (x - sway / 2, end)], closed=False), 0.7, grey=0.25)


def _skin(y: float = _LINE) -> _Shapes:
    """The parting: a strip of bare skin between two lines."""
    yield Line(_box(_LEFT - 2, y - _BAND / 2, _RIGHT - _LEFT + 4, _BAND), 1.1, closed=True, fill=1.0)


def _hand(x: float, y: float) -> _Shapes:
    """A flat hand from above; its finger tips end at y."""
    for n, longer in enumerate((3.0, 0.0, 1.0, 5.0)):
        yield _finger(x - 12.4 + n * 8.2, y - longer)
    yield Line(smooth([(x + 14, y - 28), (x + 24, y - 21), (x + 27, y - 12), (x + 22, y - 11), (x + 13, y - 20)]), 1.2,
               closed=True, fill=1.0)  # fmt: skip
    palm = [(x - 16, y - 38), (x - 17, y - 20), (x - 8, y - 18), (x + 8, y - 18), (x + 17, y - 20), (x + 16, y - 38)]
    yield Line(smooth(palm), 1.2, closed=True, fill=1.0)


def _finger(x: float, tip: float, half: float = 3.8, long: float = 26.0) -> Line:
    """A finger pointing down, with a round tip."""
    round_tip = [(x + half * sin(t), tip - half + half * cos(t)) for t in (1.57, 1.0, 0.5, 0.0, -0.5, -1.0, -1.57)]
    return Line(((x + half, tip - long), *round_tip, (x - half, tip - long)), 1.2, closed=True, fill=1.0)


def _brush(x: float, y: float) -> _Shapes:
    """A brush from behind: pad above its pins, which begin at y, and the handle to the right."""
    for n in range(9):
        at = x - 18 + n * 4.5
        yield Line(((at, y), (at + 1.2, y + 7)), 0.9)
    yield Line(_box(x - 21, y - 7, 42, 8), 1.2, closed=True, fill=0.55)
    yield Line(_box(x + 21, y - 5, 18, 4), 1.2, closed=True, fill=0.0)


def _comb(x: float, y: float, wide: float = 24.0) -> _Shapes:
    """A comb whose teeth end at y."""
    for n in range(int(wide / 4) + 1):
        yield Line(((x - wide / 2 + n * 4, y - 10), (x - wide / 2 + n * 4, y)), 1.1)
    yield Line(_box(x - wide / 2 - 1.5, y - 14, wide + 3, 4.5), 1.0, closed=True, fill=0.0)


def _arrow(start: Point, end: Point) -> _Shapes:
    """A straight arrow, horizontal or vertical."""
    yield Line((start, end), 5.0, grey=1.0)
    yield Line((start, end), 1.6)
    (x0, y0), (x, y) = start, end
    length = abs(x - x0) + abs(y - y0)
    dx, dy = (x - x0) / length, (y - y0) / length
    yield Line(((x + 3 * dx, y + 3 * dy), (x - 3 * dy - 2 * dx, y - 3 * dx - 2 * dy),
                (x + 3 * dy - 2 * dx, y + 3 * dx - 2 * dy)), 1.0, closed=True, fill=0.0)  # fmt: skip


def _lifted() -> _Shapes:
    """The hair above the parting, laid upwards, short where it lies flat."""
    yield from _hair(_TOP, _LINE - _BAND / 2)


def _part() -> _Shapes:
    yield from _hair(_TOP, _LINE - 2)
    yield from _hair(_LINE + 2, _FOOT)
    yield from _skin()
    yield from _arrow((20.0, _LINE), (92.0, _LINE))


def _hold() -> _Shapes:
    yield from _lifted()
    yield from _hair(_LINE + 2, _FOOT)
    yield from _skin()
    yield from _hand(44.0, _LINE - 3)


def _stroke() -> _Shapes:
    yield from _lifted()
    yield from _hair(_LINE + 2, _FOOT)
    yield from _skin()
    yield from _hand(32.0, _LINE - 3)
    yield from _brush(66.0, _LINE + 9)
    yield from _arrow((40.0, _LINE + 6), (40.0, _LINE + 30))


def _next() -> _Shapes:
    higher = _LINE - 13
    yield from _hair(_TOP, higher - 2)
    yield from _hair(higher + 2, _FOOT)
    yield Line(((_LEFT - 2, _LINE), (_RIGHT + 2, _LINE)), 0.8, dashed=True)
    yield from _skin(higher)
    yield from _arrow((96.0, _LINE), (96.0, higher + 5))
    # A finger's width, laid along the old line.
    tip = smooth([(70.0, _LINE - 1), (76.0, _LINE - 1.5), (80.0, _LINE - 5.5), (76.0, _LINE - 9.5), (70.0, _LINE - 10)],
                 closed=False)  # fmt: skip
    yield Line(((20.0, _LINE - 1), *tip, (20.0, _LINE - 10)), 1.2, closed=True, fill=1.0)
    yield Line(((71.0, _LINE - 8), (77.5, _LINE - 7.5), (77.5, _LINE - 3.5), (71.0, _LINE - 3)), 0.7)


def _combing() -> _Shapes:
    yield from _lifted()
    yield from _hair(_LINE + 2, _FOOT)
    yield from _skin()
    yield from _hand(30.0, _LINE - 3)
    yield from _comb(72.0, _LINE + 4, 40.0)
    yield from _arrow((72.0, _LINE + 8), (72.0, _LINE + 32))


def _judge() -> _Shapes:
    for left, right in ((_LEFT, 52.0), (68.0, _RIGHT)):
        yield from _hair(20.0, _FOOT, left, right)
        yield Line(_box(left - 2, 15.0, right - left + 4, _BAND), 1.1, closed=True, fill=1.0)
    knot = [(24, 52), (32, 48), (38, 54), (32, 60), (24, 57), (28, 50), (36, 56), (28, 60), (25, 54)]
    yield Line(smooth([(float(x), float(y)) for x, y in knot], closed=False), 1.3)
    yield from _comb(30.0, 48.0)
    yield from _mark([((22, 70), (36, 82)), ((36, 70), (22, 82))])
    yield from _comb(90.0, 80.0)
    yield from _arrow((90.0, 24.0), (90.0, 60.0))
    yield from _mark([((98, 74), (102, 79)), ((102, 79), (110, 66))])
    yield Line(((60.0, 10.0), (60.0, 84.0)), 0.7, dashed=True)


def _mark(strokes: Iterable[tuple[tuple[int, int], tuple[int, int]]]) -> _Shapes:
    """A cross or a tick, with white around it."""
    strokes = list(strokes)
    for width, grey in ((6.0, 1.0), (2.6, 0.0)):
        for (x0, y0), (x1, y1) in strokes:
            yield Line(((float(x0), float(y0)), (float(x1), float(y1))), width, grey=grey)


_DRAWN = {"part": _part, "hold": _hold, "stroke": _stroke, "next": _next, "comb": _combing, "judge": _judge}
