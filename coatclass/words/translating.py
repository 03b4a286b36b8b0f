"""Sentences that were already made in English, said in another language: refusals keep their words where they arise."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from coatclass.words.reading import FOLDER, LANGUAGES, every_text

__all__ = ["in_language"]

_ROOMS = ("refusals", "reasons")
_PLACE = re.compile(r"\{(\w+)\}")


def in_language(text: str, language: str, *, folder: Path = FOLDER) -> str:
    """An English sentence in a language, by its texts of refusals and reasons; as it is where none of them fits.

    What fills a placeholder (a reason inside a refusal, a unit) is said in the language as well, if it is a text too.
    """
    if language == LANGUAGES[0] or not text.strip():
        return text
    same, shaped = _pairs(language, folder)
    if text in same:
        return same[text]
    for shape, target in shaped:
        found = shape.fullmatch(text)
        if found:
            return target.format(
                **{name: in_language(it, language, folder=folder) for name, it in found.groupdict().items()}
            )
    return text


@cache
def _pairs(language: str, folder: Path) -> tuple[Mapping[str, str], tuple[tuple[re.Pattern[str], str], ...]]:
    """Texts without placeholders by their English, and patterns of those with, the longest English first."""
    same, shaped = {}, []
    for room in _ROOMS:
        english, own = every_text(LANGUAGES[0], room, folder), every_text(language, room, folder)
        for key, text in english.items():
            if key not in own:
                continue
            if _PLACE.search(text):
                shaped.append((text, own[key]))
            else:
                same[text] = own[key]
    shaped.sort(key=lambda pair: -len(_PLACE.sub("", pair[0])))
    return same, tuple((_shape(text), target) for text, target in shaped)


def _shape(text: str) -> re.Pattern[str]:
    """A pattern that finds what stands in the placeholders; one that comes twice must hold the same."""
    parts, seen, end = [], set(), 0
    for place in _PLACE.finditer(text):
        parts.append(re.escape(text[end : place.start()]))
        parts.append(f"(?P={place[1]})" if place[1] in seen else f"(?P<{place[1]}>.*)")
        seen.add(place[1])
        end = place.end()
    return re.compile("".join([*parts, re.escape(text[end:])]), re.DOTALL)
