"""English sentences said in another language: refusals are worded where they arise, in English."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from coatclass.words.reading import FOLDER, LANGUAGES, catalogue, every_text

__all__ = ["all_in_language", "in_language", "source_in_language"]

_ROOMS = ("refusals", "reasons")
_PLACE = re.compile(r"\{(\w+)\}")
_SENTENCE = re.compile(r"(?<=[.?!]) ")
_NUMBERED = re.compile(r"(?:^| )(\(\d+\)) ")


def in_language(text: str, language: str, *, folder: Path = FOLDER, rooms: tuple[str, ...] = _ROOMS) -> str:
    """An English sentence in a language, by its texts of refusals and reasons; as it is where none of them fits.

    What fills a placeholder (a reason inside a refusal, a unit) is said in the language as well, if it is a text too;
    so are several sentences, one after the other. ``rooms``: other files whose texts are meant, or tables of files
    (``evaluation.found``).
    """
    if language == LANGUAGES[0] or not text.strip():
        return text
    found = _whole(text, language, folder, rooms)
    if found is not None:
        return found
    numbered = _NUMBERED.split(text)[1:]
    if numbered:
        pairs = zip(numbered[::2], numbered[1::2], strict=True)
        return " ".join(
            f"{number} {in_language(it.strip(), language, folder=folder, rooms=rooms)}" for number, it in pairs
        )
    for end in _SENTENCE.finditer(text):
        first, rest = _whole(text[: end.start()], language, folder, rooms), text[end.end() :]
        told = in_language(rest, language, folder=folder, rooms=rooms)
        if first is not None and told != rest:  # all of it or nothing: never half in one language and half in another
            return f"{first} {told}"
    return text


def _whole(text: str, language: str, folder: Path, rooms: tuple[str, ...]) -> str | None:
    """All of a text by one of the language's; None if none fits."""
    same, shaped = _pairs(language, folder, rooms)
    if text in same:
        return same[text]
    for shape, target in shaped:
        if found := shape.fullmatch(text):
            inside = found.groupdict().items()
            values = {name: in_language(it, language, folder=folder, rooms=rooms) for name, it in inside}
            return target.format(**values)
    return None


def all_in_language(texts: Sequence[str], language: str, *, folder: Path = FOLDER) -> tuple[str, ...]:
    """English sentences that belong together in a language: all of them, or as they are if one has no text."""
    told = tuple(in_language(text, language, folder=folder) for text in texts)
    return told if all(one != text or not text for one, text in zip(told, texts, strict=True)) else tuple(texts)


def source_in_language(source: str, language: str) -> str:
    """A source as the data files name it, with what the texts of plans say of sources in a language."""
    english, own = catalogue(LANGUAGES[0], "plan"), catalogue(language, "plan")
    for key in ("common", "summary", "abstract", "read", "opinion", "practice"):
        source = source.replace(english.say(f"source.{key}"), own.say(f"source.{key}"))
    return source


@cache
def _pairs(
    language: str, folder: Path, rooms: tuple[str, ...]
) -> tuple[Mapping[str, str], tuple[tuple[re.Pattern[str], str], ...]]:
    """Texts without placeholders by their English, and patterns of those with, the longest English first."""
    same, shaped = {}, []
    for room, _, table in (room.partition(".") for room in rooms):
        english, own = every_text(LANGUAGES[0], room, folder), every_text(language, room, folder)
        for key, text in english.items():
            if key not in own or not key.startswith(table):
                continue
            if _PLACE.search(text):
                shaped.append((text, own[key]))
            else:
                same[text.format()] = own[key].format()
    shaped.sort(key=lambda pair: -len(_PLACE.sub("", pair[0])))
    return same, tuple((_shape(text), target) for text, target in shaped)


def _shape(text: str) -> re.Pattern[str]:
    """A pattern that finds what stands in the placeholders, each as short as it can be; one that comes twice must hold
    the same."""
    parts, seen, end = [], set(), 0
    for place in _PLACE.finditer(text):
        parts.append(re.escape(text[end : place.start()]))
        parts.append(f"(?P={place[1]})" if place[1] in seen else f"(?P<{place[1]}>.*?)")
        seen.add(place[1])
        end = place.end()
    return re.compile("".join([*parts, re.escape(text[end:])]), re.DOTALL)
