"""Refusals: every sentence that owners and groomers can meet has its text in every language, found by its words."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from coatclass.resources import read_toml
from coatclass.words import FOLDER, LANGUAGES, about, all_in_language, in_language

ROOT = Path(__file__).resolve().parents[2]
ERRORS = {"InputError", "PhotoError", "AnswersError", "GenotypeError", "RecordError", "SignInError"}
# What researchers, trainers and those who run a server read stays English.
NOT_READ_BY_THEM = (
    "coatclass/reports", "coatclass/learning", "coatclass/scoring", "coatclass/vision", "coatclass/triage",
    "app/api/research",
    "coatclass/cli/_evaluate", "coatclass/cli/_score", "coatclass/records/database", "coatclass/records/_archive",
    "coatclass/records/_store", "coatclass/records/_values", "coatclass/records/_research", "coatclass/breeds",
    "app/researcher", "app/server", "app/settings", "coatclass/genetics/touch", "coatclass/toolkit/drawings",
)  # fmt: skip


def template(node: ast.expr) -> str:
    """The words of a literal, with ``7`` where something is filled in; empty for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "7" for part in node.values)
    return ""


def raised() -> Iterator[tuple[str, str]]:
    """(where, sentence) of what is wrong and what to do next, of every refusal that is raised."""
    for path in sorted([*(ROOT / "coatclass").rglob("*.py"), *(ROOT / "app").rglob("*.py")]):
        where = path.relative_to(ROOT).as_posix()
        if where.startswith(NOT_READ_BY_THEM):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ERRORS:
                for argument in node.args[1:3] if node.func.id != "SignInError" else node.args[2:4]:
                    if " " in template(argument):
                        yield f"{where}:{node.lineno}", template(argument)


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en" and about(one).reviewed])
def test_every_refusal_that_owners_and_groomers_meet_has_its_text(language):
    sentences = list(raised())
    assert len(sentences) > 80
    assert [(where, text) for where, text in sentences if in_language(text, language) == text] == []


def test_sentences_that_belong_together_are_said_in_one_language():
    assert all_in_language(("is not there.", "Go back to the start."), "de")[1].startswith("Gehen Sie")
    mixed = ("is not there.", "Ask the moon.")
    assert all_in_language(mixed, "de") == mixed
    assert in_language("is empty (0 bytes). Ask the moon.", "de") == "is empty (0 bytes). Ask the moon."


def test_what_fills_a_sentence_is_said_in_the_language_too():
    assert (
        in_language("'feel' must be one of silky, soft, not 3.", "de")
        == "„feel“ braucht eines von silky, soft, nicht 3."
    )
    assert in_language("'age_months' must be a number from 0 to 360 (months), not 900.", "de").endswith(
        "eine Zahl von 0 bis 360 (Monate), nicht 900."
    )


def test_no_two_refusals_have_the_same_words():
    texts = [text for room in read_toml(FOLDER / "en" / "refusals.toml").values() for text in room.values()]
    assert len(set(texts)) == len(texts) > 200
