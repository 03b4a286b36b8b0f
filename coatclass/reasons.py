"""Reasons in words: rooms give a code with values, and the sentence comes from ``words/<language>/reasons.toml``."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from coatclass.contract import Reason
from coatclass.words import LANGUAGES, Catalogue, catalogue, in_language

__all__ = ["joined", "reason", "said"]

_ROOM = "reasons"
_UNKNOWN = re.compile(r"\bunknown\b")


def reason(code: str, **values: Any) -> Reason:
    """A reason with its English sentence; values are JSON: identifiers, numbers, or what a person wrote."""
    return Reason(code=code, text=_sentence(code, values, catalogue(LANGUAGES[0])), values=values)


def joined(code: str, parts: Sequence[Reason]) -> Reason:
    """Several reasons joined into one."""
    values = {"parts": [{"code": part.code, "values": part.values} for part in parts]}
    return Reason(code=code, text=" ".join(part.text for part in parts), values=values)


def said(why: Reason, language: str) -> str:
    """The sentence of a reason; of one kept without its values, as its words can be told."""
    if language == LANGUAGES[0]:
        return why.text
    try:
        return _sentence(why.code, why.values, catalogue(language))
    except KeyError:
        return in_language(why.text, language)


def _sentence(code: str, values: Mapping[str, Any], words: Catalogue) -> str:
    if "parts" in values:
        return " ".join(_sentence(part["code"], part["values"], words) for part in values["parts"])
    told = {name: _SAID[name](value, words) if name in _SAID else str(value) for name, value in values.items()}
    return catalogue(words.language, _ROOM).say(code, **told)


def _coat(coat: str, words: Catalogue) -> str:
    return words.coat(coat, phrase=True)


def _checked(answers: Sequence[tuple[str, Any]], words: Catalogue) -> str:
    """Answers to look at again, as the questionnaire words them."""
    return "; ".join(f"{words.say(f'questions.{name}.text')} ({_answer(name, it, words)})" for name, it in answers)


def _answer(question: str, answer: Any, words: Catalogue) -> str:
    key = f"questions.{question}.choices.{str(answer).lower() if isinstance(answer, bool) else answer}.label"
    if words.has(key):
        return words.say(key)
    if isinstance(answer, int | float):
        return f"{words.number(answer, 6)} {words.say(f'questions.{question}.unit')}".strip()
    return str(answer)


def _name(name: str, words: Catalogue) -> str:
    """A breed's name, or that nobody knows it."""
    from coatclass.breeds import name_in_language

    return _UNKNOWN.sub(catalogue(words.language, _ROOM).say("unknown"), name_in_language(name, words.language))


def _chances(coats: Sequence[tuple[str, str]], words: Catalogue) -> str:
    say = catalogue(words.language, _ROOM).say
    return ", ".join(f"{words.coat(coat)} ({say(f'chance.{chance}')})" for coat, chance in coats)


# How to word a value, by its name; any other is written as it is.
_SAID: Mapping[str, Callable[[Any, Catalogue], str]] = {
    "categories": lambda coats, words: words.either(map(words.coat, coats)),
    "photo": _coat,
    "answers": _coat,
    "expected": _coat,
    "check": _checked,
    "what": lambda what, words: catalogue(words.language, _ROOM).say(f"ago.{what}"),
    "length": lambda mm, words: words.mm(mm),
    "coats": _chances,
    "first": _name,
    "second": _name,
    "breeds": lambda shares, words: ", ".join(f"{_name(breed, words)} {percent} %" for breed, percent in shares),
    "other": lambda photo, words: in_language(photo, words.language),
    "note": lambda text, words: in_language(text, words.language),
}
