"""A language's folder as one object that says keys, names, numbers, dates and sets of zones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.errors import InputError
from coatclass.resources import read_toml

__all__ = ["FOLDER", "LANGUAGES", "Catalogue", "Language", "about", "catalogue", "every_text", "languages"]

FOLDER = Path(__file__).parent
"""Where the languages' folders lie."""

_FIRST = "en"
_VOCABULARY = "vocabulary"
_FEW = 5
_MM_PER_INCH = 25.4
_RULER_STEP_MM, _RULER_FROM_MM = 5, 20


def languages(folder: Path = FOLDER) -> tuple[str, ...]:
    """Codes of the languages whose folders are there, English first."""
    found = sorted(path.parent.name for path in folder.glob(f"*/{_VOCABULARY}.toml"))
    return tuple(sorted(found, key=lambda language: language != _FIRST))


LANGUAGES = languages()
"""Languages in which a kit, a plan and a sheet can be had."""


@dataclass(frozen=True)
class Language:
    """A language's own description, from ``language.toml``.

    Attributes:
        code: name of the folder.
        name: what the language is called by those who speak it.
        reviewed: whole sheets and pages were read aloud and corrected for the trade.
        note: said at the foot of pages and sheets as long as that was not done; empty afterwards.
    """

    code: str
    name: str
    reviewed: bool
    note: str


@cache
def about(language: str, *, folder: Path = FOLDER) -> Language:
    """The description of a language.

    Raises:
        InputError: for a language that has no folder.
    """
    _known(language, folder)
    table = read_toml(folder / language / "language.toml")
    reviewed = bool(table["reviewed"])
    return Language(language, table["name"], reviewed, "" if reviewed else table["unreviewed"])


@cache
def catalogue(language: str = _FIRST, room: str = "", *, folder: Path = FOLDER) -> Catalogue:
    """A language's texts; read once.

    Args:
        language: one of :data:`LANGUAGES`.
        room: file whose keys are meant: ``care``, ``toolkit``, ``plan``, ``owner``, ``groomer`` ...
            Without it a key starts with the file: ``care.bath.rule``.
        folder: where the languages' folders lie.

    Returns:
        A catalogue of that language; of English where the language lacks the room or any of its texts: a safety text
        is never half in one language and half in another.

    Raises:
        InputError: for a language that has no folder.
    """
    _known(language, folder)
    return Catalogue(folder / (language if not room or _whole(folder / language, room) else _FIRST), room)


@cache
def _whole(folder: Path, room: str) -> bool:
    """Whether a language's folder has every text of a room that English has."""
    return (folder / f"{room}.toml").exists() and set(_file(folder.parent / _FIRST, room)) <= set(_file(folder, room))


def _known(language: str, folder: Path) -> None:
    known = languages(folder)
    if language not in known:
        raise InputError(
            f"language {language!r}",
            "has no texts here.",
            f"Choose one of: {', '.join(known)}.",
            code="unknown_language",
        )


class Catalogue:
    """Texts and vocabulary of one language. Take it from :func:`catalogue`.

    Attributes:
        language: code of the language that is really spoken.
        room: file whose keys :meth:`say` and :meth:`lines` take; empty for all files.
    """

    def __init__(self, folder: Path, room: str = "") -> None:
        self.language = folder.name
        self.room = room
        self._folder = folder
        self._words = _file(folder, _VOCABULARY)

    # --- texts of a room --------------------------------------------------------------------------------------------

    def _find(self, key: str) -> Any:
        room = self.room
        if not room:
            room, _, key = key.partition(".")
        own = self.room or room == _VOCABULARY or _whole(self._folder, room)
        return _file(self._folder if own else self._folder.with_name(_FIRST), room)[key]

    def has(self, key: str) -> bool:
        """Whether there is a text for the key."""
        try:
            self._find(key)
        except KeyError:
            return False
        return True

    def say(self, key: str, **values: object) -> str:
        """The text of a key, with its placeholders filled in.

        Raises:
            KeyError: for a key that is not there or a placeholder that got no value.
        """
        return str(self._find(key)).format(**values)

    def count(self, key: str, n: int, **values: object) -> str:
        """The text of a key for a number of things: a number's own (``key.1``) where there is one, else ``key.other``.

        Raises:
            KeyError: as :meth:`say` does.
        """
        return self.say(f"{key}.{n}" if self.has(f"{key}.{n}") else f"{key}.other", n=n, **values)

    def lines(self, key: str, **values: object) -> tuple[str, ...]:
        """The texts of a key that holds a list."""
        return tuple(str(line).format(**values) for line in self._find(key))

    # --- names ------------------------------------------------------------------------------------------------------

    def word(self, kind: str, word: str) -> str:
        """The name of a word: of a ``role``, ``level``, ``verdict``, ``risk``, ``mat_state``, ``who``, ``texture`` ...

        Raises:
            KeyError: for a word that the vocabulary does not hold.
        """
        return str(self._words.get(f"{kind}.{word}.name") or self._words[f"{kind}.{word}"])

    def has_word(self, kind: str, word: str) -> bool:
        """Whether the vocabulary names this word."""
        return f"{kind}.{word}" in self._words or f"{kind}.{word}.name" in self._words

    def definition(self, kind: str, word: str, *, plain: bool = True) -> str:
        """What a coat, texture, undercoat, curl, lie, mat state or patience is; coats also precisely."""
        return str(self._words[f"{kind}.{word}.{'says' if plain else 'means'}"])

    def coat(self, category: str, *, phrase: bool = False) -> str:
        """The name of a coat (``curly``), or a phrase that fits a sentence (``a curly coat``)."""
        return str(self._words[f"coat.{category}.{'phrase' if phrase else 'name'}"])

    def band(self, band: str, *, phrase: bool = False) -> str:
        """A length band in mm with inches, or a phrase that fits after a coat (``of 19 to 25 mm ...``)."""
        return str(self._words[f"band.{band}.{'phrase' if phrase else 'name'}"])

    def tool(self, tool: str, *, inside: bool = False) -> str:
        """The name of a tool as it begins a line, or as it stands inside a sentence."""
        name = self.word("tool", tool)
        return name if inside else self.title(name)

    def zone(self, zone: str, *, long: bool = False) -> str:
        """The name of a zone, or its longer description."""
        return str(self._words[f"zone.{zone}.{'long' if long else 'name'}"])

    def zones(self, zones: Iterable[str], *, having: Iterable[str] | None = None) -> str:
        """A set of zones in words: the whole dog, all but a few, or a list; ``nowhere`` for none.

        Args:
            zones: in any order.
            having: zones that the dog has (no beard on a spitz); all by default. Others are not spoken of.
        """
        every = _zones(self._folder) if having is None else tuple(z for z in _zones(self._folder) if z in set(having))
        wanted = set(zones)
        meant = [zone for zone in every if zone in wanted]
        missing = [zone for zone in every if zone not in wanted]
        if not meant:
            return str(self._words["zones.none"])
        if not missing:
            return str(self._words["zones.whole"])
        if len(missing) <= _FEW and len(missing) < len(meant):
            return str(self._words["zones.except"]).format(zones=self.joined(map(self.zone, missing)))
        return self.joined(map(self.zone, meant))

    @property
    def your_dog(self) -> str:
        """What to call a dog without a name."""
        return str(self._words["writing.your_dog"])

    # --- numbers, lengths, times ------------------------------------------------------------------------------------

    def number(self, value: float, digits: int = 1, *, sign: bool = False) -> str:
        """A number as written in the language, without needless zeros; with ``sign`` also a ``+`` is written."""
        text = f"{value:{'+' if sign else ''}.{digits}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return text.replace(".", str(self._words["writing.decimal"]))

    def mm(self, length_mm: float) -> str:
        """A length in whole millimetres with inches (to the eighth) beside it: ``19 mm (3/4 in)``."""
        inches = _inches(round(length_mm))
        if not inches:
            return str(self._words["writing.mm"]).format(mm=self.number(length_mm))
        return str(self._words["writing.mm_and_inches"]).format(mm=round(length_mm), inches=inches)

    def about_mm(self, length_mm: float) -> str:
        """A reckoned or estimated length as a ruler shows hair: to 5 mm above 20, to 1 mm below."""
        return self.mm(_RULER_STEP_MM * round(length_mm / _RULER_STEP_MM) if length_mm > _RULER_FROM_MM else length_mm)

    def mm_range(self, low: float, high: float) -> str:
        """Two lengths in mm; inches only from 5 mm up, below which nobody measures in inches."""
        mm = self._range(self.number(low, 2), self.number(high, 2))
        if low < 5:
            return str(self._words["writing.mm"]).format(mm=mm)
        inches = self._range(_inches(low), _inches(high))
        return str(self._words["writing.mm_and_inches"]).format(mm=mm, inches=inches)

    def _range(self, low: str, high: str) -> str:
        return low if low == high else str(self._words["writing.range"]).format(low=low, high=high)

    def often(self, times: float, most: float | None = None) -> str:
        """How often: ``once a week``, ``2 to 3 times a week``, ``every day``, ``every 2 weeks``.

        Args:
            times: times a week, above 0; rounded to whole times, below once a week to whole weeks.
            most: upper end of a range.
        """
        if (weeks := round(1 / times)) > 1:
            return str(self._words["often.weeks"]).format(n=weeks)
        return self._counted("often", round(times), round(most or times))

    def minutes(self, low: float, high: float | None = None) -> str:
        """A duration in whole minutes: ``1 minute``, ``10 to 15 minutes``; what is more than none is at least one."""
        least, most = (max(round(value), int(value > 0)) for value in (low, low if high is None else high))
        return self._counted("minutes", least, most)

    def _counted(self, kind: str, low: int, high: int) -> str:
        if low != high:
            return str(self._words[f"{kind}.range"]).format(low=low, high=high)
        return str(self._words.get(f"{kind}.{low}") or self._words[f"{kind}.other"]).format(n=low)

    def day(self, day: date) -> str:
        """A date as written in the language: ``3 March 2026``, ``3. März 2026``."""
        months: Sequence[str] = self._words["writing.months"]
        return f"{day.day}{self._words['writing.after_day']} {months[day.month - 1]} {day.year}"

    def month(self, day: date) -> str:
        """The month of a date, short; with the year in January."""
        months: Sequence[str] = self._words["writing.months"]
        return f"{months[day.month - 1][:3]} {day.year}" if day.month == 1 else months[day.month - 1][:3]

    @property
    def weekdays(self) -> tuple[str, ...]:
        """Short names of the days of the week, Monday first."""
        return tuple(self._words["writing.weekdays"])

    # --- sentences --------------------------------------------------------------------------------------------------

    def joined(self, words: Iterable[str], last: str | None = None) -> str:
        """Words as a list in a sentence: ``a, b and c``."""
        items: Sequence[str] = list(words)
        joint = last or str(self._words["writing.and"])
        if len(items) < 2:
            return "".join(items)
        if len(items) == 2 and last is None and f" {joint} " in items[0]:
            return str(self._words["writing.and_also"]).format(first=items[0], second=items[1])
        return f"{', '.join(items[:-1])} {joint} {items[-1]}"

    def either(self, words: Iterable[str]) -> str:
        """Words as alternatives: ``a, b or c``."""
        return self.joined(words, str(self._words["writing.or"]))

    def divided(self, text: str) -> str:
        """The text with soft hyphens (U+00AD) in the long words that narrow columns would break anywhere."""
        for joint in str(self._words["writing.joints"]).split():
            before, after = joint.split("|")
            text = re.sub(f"({before})({after})", "\\1\u00ad\\2", text, flags=re.IGNORECASE)
        return text

    @staticmethod
    def title(words: str) -> str:
        """Words with a capital first letter, for headings and beginnings of sentences."""
        return words[:1].upper() + words[1:]


def _inches(length_mm: float) -> str:
    """Inches to the eighth, as people write them: ``3/4``, ``1 1/8``; empty below the first sixteenth."""
    whole, rest = divmod(round(length_mm / _MM_PER_INCH * 8), 8)
    return " ".join(part for part in (str(whole) if whole else "", str(Fraction(rest, 8)) if rest else "") if part)


def every_text(language: str, room: str, folder: Path = FOLDER) -> Mapping[str, str]:
    """All texts of a room by their keys; none if the language lacks the room."""
    there = (folder / language / f"{room}.toml").exists()
    return {key: text for key, text in _file(folder / language, room).items() if isinstance(text, str)} if there else {}


@cache
def _file(folder: Path, name: str) -> Mapping[str, Any]:
    """A file of a language as one table, its keys written with dots."""
    return dict(_flat(read_toml(folder / f"{name}.toml")))


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


@cache
def _zones(folder: Path) -> tuple[str, ...]:
    """Every zone, in the order of the vocabulary."""
    return tuple(read_toml(folder / f"{_VOCABULARY}.toml")["zone"])
