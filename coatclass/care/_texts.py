"""Catalogues: what a room says, one file a language, the same keys and placeholders in each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from coatclass.errors import InputError
from coatclass.resources import read_toml
from coatclass.taxonomy import describe_mm

__all__ = ["LANGUAGES", "Catalogue", "care_texts"]

LANGUAGES = ("en", "de")
"""Languages in which a plan and a sheet can be had."""

_DATA = Path(__file__).with_name("data")


class Catalogue:
    """The texts of one room in one language.

    Args:
        folder: where the catalogue files lie.
        stem: first part of their name; the file is ``<stem>.<language>.toml``.
        language: one of :data:`LANGUAGES`.

    Raises:
        InputError: for a language that has no catalogue.
    """

    def __init__(self, folder: Path, stem: str, language: str) -> None:
        if language not in LANGUAGES:
            raise InputError(
                f"language {language!r}",
                "has no texts here.",
                f"Choose one of: {', '.join(LANGUAGES)}.",
                code="unknown_language",
            )
        self.language = language
        self._texts = read_toml(folder / f"{stem}.{language}.toml")

    def _find(self, key: str) -> Any:
        found: Any = self._texts
        for part in key.split("."):
            found = found[part]
        return found

    def has(self, key: str) -> bool:
        """Whether the catalogue holds the key."""
        try:
            self._find(key)
        except (KeyError, TypeError):
            return False
        return True

    def say(self, key: str, **values: object) -> str:
        """The text of a key, with its placeholders filled in.

        Raises:
            KeyError: for a key that is not there or a placeholder that got no value.
        """
        return str(self._find(key)).format(**values)

    def lines(self, key: str, **values: object) -> tuple[str, ...]:
        """The texts of a key that holds a list."""
        return tuple(str(line).format(**values) for line in self._find(key))

    def number(self, value: float, digits: int = 1) -> str:
        """A number as written in the language, without needless zeros."""
        text = f"{value:.{digits}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return text.replace(".", str(self._texts.get("decimal", ".")))

    def mm(self, length_mm: float) -> str:
        """A length in millimetres with inches beside it."""
        return describe_mm(round(length_mm)).replace(" in)", f" {self._texts.get('inch', 'in')})")

    def day(self, day: date) -> str:
        """A date as written in the language: ``3 March 2026``, ``3. März 2026``."""
        return f"{day.day}{self._texts.get('after_day', '')} {self._find('months')[day.month - 1]} {day.year}"

    def joined(self, words: Iterable[str], last: str | None = None) -> str:
        """Words as a list in a sentence: ``a, b and c``."""
        items: Sequence[str] = list(words)
        joint = last or str(self._texts.get("list_and", "and"))
        if len(items) < 2:
            return "".join(items)
        return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def care_texts(language: str) -> Catalogue:
    """What the care plan says in a language."""
    return Catalogue(_DATA, "texts", language)
