"""The questionnaire as data: what is asked, in which words, when, and with which drawing.

The data files say by conditions when a question makes sense and which answers don't fit together. A condition names a
``field`` of the answers and one test of its value:

    given = true|false     the question was answered, or was not
    is = value             equal
    in = [values]          one of
    above, below = number  strictly above, strictly below
    has = [values]         a list, or the values of a mapping, holds at least one of these
    may_cord = true        a breed whose coat may hang in cords
    lacks = [values]       holds none of these; true if the question was not answered

Apart from ``given`` and ``lacks``, a question that was not answered fulfils no condition.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from coatclass.breeds import may_cord
from coatclass.resources import read_toml
from coatclass.words import LANGUAGES, Catalogue, catalogue

__all__ = [
    "LANGUAGES",
    "Choice",
    "QuestionSpec",
    "drawing",
    "drawing_names",
    "due",
    "hold_all",
    "holds",
    "question",
    "questionnaire_version",
    "questions",
]

_DATA = Path(__file__).with_name("data")
_DRAWINGS = _DATA / "drawings"
_WORDS_OF = {
    "feel": "texture", "curl": "curl", "undercoat_seen": "undercoat", "lie": "lie", "mats": "mat_state",
    "patience": "patience",
}  # fmt: skip

Group = Literal["evidence", "home_check", "care"]
Kind = Literal["text", "names", "shares", "choice", "choices", "yes_no", "number", "zones", "tools", "genotype"]


@dataclass(frozen=True)
class Choice:
    """One answer that can be chosen. ``value`` is what goes into the answers; ``drawing`` names a drawing."""

    value: str | bool
    label: str
    explains: str
    drawing: str | None = None


@dataclass(frozen=True)
class QuestionSpec:
    """One question as an owner meets it.

    Attributes:
        id: the field of :class:`Answers` that the answer goes into.
        group: what the answer is for.
        kind: what sort of answer it takes.
        text, help, help_source: wording; where a fact in the help comes from.
        choices: for kinds choice, choices, yes_no, and the states of a zone.
        unit, minimum, maximum: for numbers; bounds included. ``unit_word``: the unit in the language.
        drawing: name of a drawing that shows what is meant, see :func:`drawing`.
        steps, caution: for home checks.
        ask_when: conditions that must all hold before the question makes sense.
        language, version: of the wording and of the questionnaire.
    """

    id: str
    group: Group
    kind: Kind
    text: str
    help: str
    help_source: str = ""
    choices: tuple[Choice, ...] = ()
    unit: str | None = None
    unit_word: str | None = None
    minimum: float | None = None
    maximum: float | None = None
    drawing: str | None = None
    steps: tuple[str, ...] = ()
    caution: str = ""
    ask_when: tuple[Mapping[str, Any], ...] = ()
    language: str = "en"
    version: str = ""

    def is_due(self, answers: object) -> bool:
        """Tell whether the question is unanswered and makes sense after these answers."""
        return getattr(answers, self.id) is None and hold_all(self.ask_when, answers)


def questions(language: str = "en") -> tuple[QuestionSpec, ...]:
    """All questions, in the order in which they are asked.

    Raises:
        ValueError: if the language is not one of :data:`LANGUAGES`.
    """
    return tuple(_by_id(language).values())


def question(question_id: str, language: str = "en") -> QuestionSpec:
    """One question by the name of its field.

    Raises:
        ValueError: if there is no such question or language.
    """
    try:
        return _by_id(language)[question_id]
    except KeyError:
        raise ValueError(f"there is no question {question_id!r}") from None


def due(answers: object, language: str = "en") -> tuple[QuestionSpec, ...]:
    """The questions that are still unanswered and make sense after these answers, in order."""
    return tuple(spec for spec in questions(language) if spec.is_due(answers))


def questionnaire_version() -> str:
    """Version of the questionnaire."""
    return str(read_toml(_DATA / "questions.toml")["version"])


def drawing_names() -> tuple[str, ...]:
    """Names of all drawings, in alphabetical order."""
    return tuple(sorted(path.stem for path in _DRAWINGS.glob("*.svg")))


@cache
def drawing(name: str, language: str = "en") -> str:
    """An SVG line drawing of our own, with its title and description in the given language.

    Raises:
        ValueError: if there is no such drawing or language.
    """
    if name not in drawing_names() or language not in LANGUAGES:
        raise ValueError(f"there is no drawing {name!r} in language {language!r}")
    from html import escape

    svg = (_DRAWINGS / f"{name}.svg").read_text(encoding="utf-8")
    say = catalogue(language, "questions").say
    for tag in ("title", "desc"):
        start = svg.index(">", svg.index(f"<{tag}")) + 1
        svg = svg[:start] + escape(say(f"drawings.{name}.{tag}")) + svg[svg.index("<", start) :]
    return svg


@cache
def _by_id(language: str) -> dict[str, QuestionSpec]:
    if language not in LANGUAGES:
        raise ValueError(f"there is no questionnaire in language {language!r}, only in {', '.join(LANGUAGES)}")
    structure = read_toml(_DATA / "questions.toml")
    words, version = catalogue(language, "questions"), str(structure["version"])
    return {name: _spec(name, row, words, version) for name, row in structure.items() if name != "version"}


def _spec(name: str, row: dict[str, Any], words: Catalogue, version: str) -> QuestionSpec:
    drawings = row.get("choice_drawings", {})
    return QuestionSpec(
        id=name,
        group=row["group"],
        kind=row["kind"],
        text=words.say(f"{name}.text"),
        help=words.say(f"{name}.help"),
        help_source=row.get("help_source", ""),
        choices=tuple(
            Choice(
                _value(key), words.say(f"{name}.choices.{key}.label"), _explains(name, key, words), drawings.get(key)
            )
            for key in row.get("choices", ())
        ),
        unit=row.get("unit"),
        unit_word=words.say(f"{name}.unit") if "unit" in row else None,
        minimum=row.get("minimum"),
        maximum=row.get("maximum"),
        drawing=row.get("drawing"),
        steps=words.lines(f"{name}.steps") if words.has(f"{name}.steps") else (),
        caution=words.say(f"{name}.caution") if words.has(f"{name}.caution") else "",
        ask_when=tuple(row.get("ask_when", ())),
        language=words.language,
        version=version,
    )


def _value(key: str) -> str | bool:
    return {"true": True, "false": False}.get(key, key)


def _explains(name: str, key: str, words: Catalogue) -> str:
    own = f"{name}.choices.{key}.explains"
    return words.say(own) if words.has(own) else words.definition(_WORDS_OF[name], key)


# --- conditions -------------------------------------------------------------------------------------------------------


_TESTS: dict[str, Callable[[Any, Any], bool]] = {
    "is": operator.eq,
    "in": lambda value, allowed: value in allowed,
    "above": operator.gt,
    "below": operator.lt,
    "may_cord": lambda value, wanted: may_cord(value) is wanted,
    "has": lambda value, wanted: not _members(value).isdisjoint(wanted),
}


def _members(value: Any) -> set[Any]:
    if value is None:
        return set()
    return set(value.values() if isinstance(value, Mapping) else value)


def holds(condition: Mapping[str, Any], answers: object) -> bool:
    """Tell whether one condition holds for these answers (any object with the questions as attributes)."""
    value = getattr(answers, condition["field"])
    test, operand = next((key, operand) for key, operand in condition.items() if key != "field")
    if test == "given":
        return bool((value is not None) == operand)
    if test == "lacks":
        return _members(value).isdisjoint(operand)
    return value is not None and _TESTS[test](value, operand)


def hold_all(conditions: Iterable[Mapping[str, Any]], answers: object) -> bool:
    """Tell whether every condition holds; true for none."""
    return all(holds(condition, answers) for condition in conditions)
