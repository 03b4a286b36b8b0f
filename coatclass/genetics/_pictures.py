"""Pictures of chances and of inheritance as SVG: bars with words, a small family diagram; readable without colour."""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from html import escape

from coatclass.genetics._litter import Dog, Litter
from coatclass.genetics._words import Audience, chance_words, genes_exact, genes_plain, in_ten
from coatclass.taxonomy import CATEGORIES, category_label, definition

__all__ = ["chances_svg", "family_svg"]

_INK, _PAPER, _BAR, _FAINT = "#1c1c1c", "#ffffff", "#4a6785", "#e9e9e4"
_FONT = "font-family='DejaVu Sans, Verdana, Arial, sans-serif'"
_GAP, _LINE, _LETTER = 30, 17, 7.1


def _document(width: float, height: float, title: str, description: str, body: Sequence[str]) -> str:
    """An SVG with its title and description, which screen readers read instead of the picture."""
    mark = hashlib.sha256(f"{title}{description}".encode()).hexdigest()[:8]
    head = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:g} {height:g}' width='{width:g}' "
        f"height='{height:g}' role='img' aria-labelledby='t{mark} d{mark}' style='max-width:100%;height:auto' {_FONT}>"
    )
    return "\n".join(
        [
            head,
            f"<title id='t{mark}'>{escape(title)}</title>",
            f"<desc id='d{mark}'>{escape(description)}</desc>",
            f"<rect width='{width:g}' height='{height:g}' fill='{_PAPER}'/>",
            *body,
            "</svg>",
        ]
    )


def _text(x: float, y: float, words: str, *, size: int = 14, bold: bool = False, anchor: str = "start") -> str:
    weight = " font-weight='bold'" if bold else ""
    where = f"x='{x:g}' y='{y:g}' font-size='{size}' fill='{_INK}' text-anchor='{anchor}'{weight}"
    return f"<text {where}>{escape(words)}</text>"


def _wrapped(x: float, y: float, words: str, width: int, *, size: int = 12) -> tuple[list[str], int]:
    lines = textwrap.wrap(words, width) or [""]
    return [_text(x, y + n * (size + 4), line, size=size) for n, line in enumerate(lines)], len(lines)


def chances_svg(distribution: Sequence[float], title: str, audience: Audience = "owner", *, least: float = 0.02) -> str:
    """P(category) as bars with words, the likeliest first.

    Args:
        distribution: P(category), (7,) in the order of CATEGORIES.
        title: heading.
        audience: ``owner`` gives words and counts out of ten, ``groomer`` percentages.
        least: categories below this are left out of the picture and summed up in its last line.
    """
    order = sorted(range(len(CATEGORIES)), key=lambda place: distribution[place], reverse=True)
    shown = [place for place in order if distribution[place] >= least]
    body = [_text(20, 30, title, size=17, bold=True)]
    said = []
    y = 52.0
    for place in shown:
        chance, label = distribution[place], category_label(CATEGORIES[place])
        number = in_ten(chance) if audience == "owner" else f"{chance:.1%}"
        words = f"{chance_words(chance)}, {number}"
        said.append(f"{label}: {words}")
        body += [
            _text(20, y + 17, label, bold=True),
            *(
                f"<rect x='110' y='{y:g}' width='{wide:.1f}' height='24' fill='{fill}' stroke='{_INK}'/>"
                for wide, fill in ((300.0, _FAINT), (300 * chance, _BAR))
            ),
            _text(424, y + 17, words),
        ]
        y += 30
        if audience == "owner":
            lines, count = _wrapped(110, y + 8, definition(CATEGORIES[place]), 78)
            body += lines
            y += count * 16 + 10
    rest = sum(distribution[place] for place in order if place not in shown)
    if rest > 0.001:
        number = in_ten(rest) if audience == "owner" else f"{rest:.1%}"
        words = f"Everything else together: {chance_words(rest)}, {number}."
        body.append(_text(20, y + 16, words, size=12))
        said.append(words)
        y += 24
    return _document(680, y + 12, title, "; ".join(said), body)


@dataclass(frozen=True)
class _Box:
    """A dog or a litter in the diagram: bold lines, plain lines below them, and where it stands."""

    bold: tuple[str, ...]
    plain: tuple[str, ...]
    centre: float
    top: float

    @property
    def bottom(self) -> float:
        return self.top + (len(self.bold) + len(self.plain)) * _LINE + 16

    def draw(self, width: float, *, rounded: bool = False) -> list[str]:
        """The frame and its lines."""
        frame = (
            f"<rect x='{self.centre - width / 2:g}' y='{self.top:g}' width='{width:g}' "
            f"height='{self.bottom - self.top:g}' rx='{12 if rounded else 2}' fill='{_PAPER}' stroke='{_INK}' "
            "stroke-width='1.5'/>"
        )
        lines = [
            _text(self.centre, self.top + 20 + n * _LINE, line, size=12, bold=n < len(self.bold), anchor="middle")
            for n, line in enumerate((*self.bold, *self.plain))
        ]
        return [frame, *lines]

    def says(self) -> str:
        """The box in one phrase, for the picture's description."""
        return f"{' '.join(self.bold)}: {', '.join(self.plain)}"


def family_svg(found: Litter, audience: Audience = "owner") -> str:
    """The litter as a small family diagram: grandparents of a crossed parent, the parents, and the pups to expect."""
    parents = (found.mother, found.father)
    shown = [dog for parent in parents for dog in (parent, *(parent.parents or ()))]
    pups = _pup_lines(found, audience)
    column = max(_width([line for dog in shown for line in (*_name(dog), *_genes(dog, audience))]), 200) + _GAP
    crossed = any(parent.parents for parent in parents)
    top = 44.0 + (max(_height(dog, audience) for dog in shown) + 46 if crossed else 0)
    boxes: list[_Box] = []
    body: list[str] = []
    left = _GAP / 2
    for parent in parents:
        room = column * (2 if parent.parents else 1)
        box = _Box(_name(parent), _genes(parent, audience), left + room / 2, top)
        above = [
            _Box(_name(dog), _genes(dog, audience), box.centre + side * column / 2, 44.0)
            for side, dog in zip((-1, 1), parent.parents or (), strict=False)
        ]
        boxes += [*above, box]
        body += _join(above, box)
        left += room
    mated = [box for box in boxes if box.top == top]
    middle = sum(box.centre for box in mated) / 2
    litter_box = _Box(("Pups, grown up and untrimmed",), pups, middle, _below(boxes) + 46)
    body += _join(mated, litter_box)
    for box in boxes:
        body += box.draw(column - _GAP)
    body += litter_box.draw(max(_width(pups), 260), rounded=True)
    title = f"Family: {found.mother.name} x {found.father.name}"
    heading = _text(_GAP, 28, "Family and litter", size=17, bold=True)
    said = "; ".join(box.says() for box in (*boxes, litter_box))
    return _document(left + _GAP / 2, litter_box.bottom + 16, title, said, [heading, *body])


def _name(dog: Dog) -> tuple[str, ...]:
    return tuple(textwrap.wrap(dog.name, 30)[:3])


def _genes(dog: Dog, audience: Audience) -> tuple[str, ...]:
    return genes_plain(dog) if audience == "owner" else genes_exact(dog)


def _width(lines: Sequence[str]) -> float:
    return max(len(line) for line in lines) * _LETTER + 24


def _height(dog: Dog, audience: Audience) -> float:
    return _Box(_name(dog), _genes(dog, audience), 0, 0).bottom


def _below(boxes: Sequence[_Box]) -> float:
    return max(box.bottom for box in boxes)


def _join(above: Sequence[_Box], child: _Box) -> list[str]:
    """The line that couples two parents and leads down to their pup."""
    if len(above) != 2:
        return []
    first, second = above
    bend = _below(above) + 20
    couple = f"M {first.centre:g} {first.bottom:g} V {bend:g} H {second.centre:g} V {second.bottom:g}"
    middle = (first.centre + second.centre) / 2
    down = f"M {middle:g} {bend:g} V {(bend + child.top) / 2:g} H {child.centre:g} V {child.top:g}"
    return [f"<path d='{route}' fill='none' stroke='{_INK}' stroke-width='1.5'/>" for route in (couple, down)]


def _pup_lines(found: Litter, audience: Audience) -> tuple[str, ...]:
    plain = audience == "owner"

    def number(chance: Fraction) -> str:
        return in_ten(float(chance)) if plain else f"{float(chance):.1%}"

    lines = [
        f"{category_label(coat)}: {number(found.category[coat])} ({chance_words(float(found.category[coat]))})"
        for coat in found.likely
    ]
    lines.append(f"Two litter mates differ: {number(found.mates_differ)}")
    if found.without_furnishings:
        share = found.without_furnishings
        lines.append(f"Without beard and brows: {number(share) if plain or share.denominator > 64 else share}")
    return (*lines, *_genes(found.pup, audience))
