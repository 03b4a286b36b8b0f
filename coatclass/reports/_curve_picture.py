"""Minutes a week against length, with the owner's minutes drawn in."""

from __future__ import annotations

import math
from collections.abc import Iterator

from coatclass.care import TimeBudget
from coatclass.reports._drawing import Drawing, Label, Line
from coatclass.words import Catalogue

__all__ = ["curve_picture"]

_LEFT, _TOP, _WIDTH, _HEIGHT = 58.0, 26.0, 520.0, 190.0
_SIZE = 13.0


def curve_picture(budget: TimeBudget, now_mm: float, texts: Catalogue) -> Drawing:
    """The curve of minutes a week against trunk length, the dog's present length and the week's minutes marked."""
    most_mm = 150.0 if now_mm > 75 or (budget.longest_mm or 0) > 75 else 100.0
    points = [(mm, minutes) for mm, minutes in budget.curve if mm <= most_mm]
    top = _nice(max([minutes for _, minutes in points] + [budget.given or 0.0]))

    def at(mm: float, minutes: float) -> tuple[float, float]:
        return _LEFT + _WIDTH * mm / most_mm, _TOP + _HEIGHT * (1 - minutes / top)

    shapes: list[Line | Label] = [*_axes(most_mm, top, texts)]
    shapes.append(Line(tuple(at(mm, minutes) for mm, minutes in points), 2.5))
    if budget.given is not None:
        left, right = at(0, budget.given), at(most_mm, budget.given)
        shapes.append(Line((left, right), 1.5, dashed=True))
        words = texts.say("curve.given", minutes=texts.number(budget.given, 0))
        # Explained in the head, where no curve can run through the words.
        start = right[0] - 0.66 * _SIZE * len(words)
        shapes.append(Line(((start - 34, 9), (start - 6, 9)), 1.5, dashed=True))
        shapes.append(Label((right[0], 13), words, _SIZE, "right", bold=True))
    now = texts.say("curve.now", mm=texts.number(now_mm, 0))
    shapes += _mark(at(min(now_mm, most_mm), budget.minutes), at(min(now_mm, most_mm), 0), now, above=True)
    if budget.may_be_cut and budget.longest_mm is not None and budget.given is not None and budget.limit == "week":
        shapes += _mark(
            at(budget.longest_mm, budget.given),
            at(budget.longest_mm, 0),
            texts.say("curve.longest", mm=texts.number(budget.longest_mm, 0)),
        )
    title = texts.say("curve.title")
    return Drawing((0, 0, _LEFT + _WIDTH + 22, _TOP + _HEIGHT + 46), tuple(shapes), title, _in_words(budget, texts))


def _nice(value: float) -> float:
    """The next round number above a value."""
    step = 10 ** math.floor(math.log10(max(value, 1.0)))
    return float(next(step * factor for factor in (1, 2, 3, 4, 5, 6, 8, 10) if step * factor >= value))


def _axes(most_mm: float, top: float, texts: Catalogue) -> Iterator[Line | Label]:
    bottom, right = _TOP + _HEIGHT, _LEFT + _WIDTH
    yield Line(((_LEFT, _TOP - 6), (_LEFT, bottom), (right, bottom)), 1.2)
    for mm in (0, 19, 25, 50, 75, 100, 150):
        if mm <= most_mm:
            x = _LEFT + _WIDTH * mm / most_mm
            yield Line(((x, bottom), (x, bottom + 5)), 1.0)
            # 19 and 25 stand close together: the first is written to the left of its mark.
            yield Label((x + (-2 if mm == 19 else 0), bottom + 19), str(mm), _SIZE, "right" if mm == 19 else "middle")
    for part in range(1, 5):
        y = bottom - _HEIGHT * part / 4
        yield Line(((_LEFT, y), (right, y)), 0.5, grey=0.75)
        yield Label((_LEFT - 6, y + 4), texts.number(top * part / 4, 0), _SIZE, "right")
    yield Label((_LEFT + _WIDTH / 2, bottom + 38), texts.say("curve.length"), _SIZE, "middle")
    yield Label((4, 13), texts.say("curve.minutes"), _SIZE)


def _mark(
    at: tuple[float, float], foot: tuple[float, float], words: str, *, above: bool = False
) -> Iterator[Line | Label]:
    x, y = at
    r = 4.0
    yield Line(((x, y), foot), 0.8, dashed=True, grey=0.3)
    yield Line(((x - r, y), (x, y - r), (x + r, y), (x, y + r)), 1.0, closed=True, fill=0.0)
    if above:  # left of a rising curve there is room
        width = 0.62 * _SIZE * len(words)
        yield Label((max(_LEFT + 6, x - 8 - width), max(y - 9, 26)), words, _SIZE, bold=True)
        return
    left = x > _LEFT + _WIDTH * 0.6
    yield Label((x + (-8 if left else 8), min(y + 18, foot[1] - 5)), words, _SIZE, "right" if left else "left")


def _in_words(budget: TimeBudget, texts: Catalogue) -> str:
    some = budget.curve[:: max(1, len(budget.curve) // 5)]
    points = (texts.say("curve.point", mm=texts.number(mm, 0), minutes=texts.number(m, 0)) for mm, m in some)
    return texts.joined(points) + "."
