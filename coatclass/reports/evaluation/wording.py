"""What the report's page says, in a language: texts, names and numbers as people read them. The JSON stays English."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.words import catalogue, in_language

__all__ = ["REST", "Wording", "wording"]

REST = "(all other values)"
"""Of a column with many values, all those that come after the first ones."""

_FOUND = ("evaluation.found",)
_REASONS = ("refusals", "reasons", *_FOUND)


class Wording:
    """The words of the page. Take it from :func:`wording`.

    Attributes:
        language: code of the language in use: English where the one asked for lacks the report's texts.
    """

    def __init__(self, language: str) -> None:
        texts = catalogue(language, "evaluation")
        self.language = texts.language
        self.say, self.count, self._has = texts.say, texts.count, texts.has
        self._names = catalogue(self.language)
        self.decimal = self._decimal(".")

    def _decimal(self, text: str) -> str:
        return text.replace(".", str(self._names.number(0.5))[1])

    def number(self, value: float, digits: int = 3) -> str:
        """A number with its decimals, without a minus before a rounded zero."""
        return self._decimal(f"{round(value, digits) + 0.0:.{digits}f}")

    def short(self, value: float) -> str:
        """A number without trailing zeros."""
        return self._decimal(f"{value:g}")

    def percent(self, share: float) -> str:
        """A share in whole percent."""
        return self.say("percent", n=f"{share:.0%}".removesuffix("%"))

    def plot(self, key: str) -> str:
        """Text of an axis or of a plot's key."""
        return self.say(f"plot.{key}")

    def label(self, name: str) -> str:
        """A figure's name for people."""
        return self.say(f"figure.{name}") if self._has(f"figure.{name}") else self.spoken(name)

    def spoken(self, word: str) -> str:
        """A name of the data as people write it: bands in millimetres, no underscores."""
        if word in BANDS:
            return self._names.band(word).partition(" (")[0]
        if word in CATEGORIES:
            return self._names.coat(word)
        return self.say(f"name.{word}") if self._has(f"name.{word}") else word.replace("_", " ")

    def coat(self, label: str) -> str:
        """A coat that the report calls by its English name, as it begins a line."""
        word = label.casefold()
        return self._names.title(self._names.coat(word)) if word in CATEGORIES else label

    def subgroup(self, row: Mapping[str, Any]) -> str:
        """A subgroup: what is compared, and which part. Values of the researcher's own columns stay as they are."""
        kind, name = self.told(row["kind"]), row["name"]
        own = kind == row["kind"] or row["kind"] == "source"
        return f"{kind}: {name if own and name != REST else self.told(name)}"

    def told(self, text: str) -> str:
        """A sentence or name that the report holds in English; as it is where it is the researcher's own."""
        return in_language(text, self.language, rooms=_FOUND)

    def reason(self, text: str) -> str:
        """Why a photo was refused."""
        return in_language(text, self.language, rooms=_REASONS)


@cache
def wording(language: str = "en") -> Wording:
    """The words of the page in a language.

    Raises:
        InputError: for a language that has no texts at all.
    """
    return Wording(language)
