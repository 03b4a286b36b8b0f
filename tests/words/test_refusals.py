"""Refusals: every sentence has its text in every language, found by its words."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from coatclass.resources import read_toml
from coatclass.words import FOLDER, LANGUAGES, about, all_in_language, in_language

ROOT = Path(__file__).resolve().parents[2]
ERRORS = {
    "CoatclassError", "InputError", "PhotoError", "AnswersError", "GenotypeError", "RecordError", "SignInError",
    "ModelFilesError",
}  # fmt: skip


def template(node: ast.expr) -> str:
    """The words of a literal, with ``7`` where something is filled in; empty for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "7" for part in node.values)
    return ""


def sentences_of(node: ast.expr, named: dict[str, list[ast.expr]]) -> Iterator[str]:
    """Every sentence that an argument can be: a literal, one of two, or what a name in the same file stands for."""
    if isinstance(node, ast.IfExp):
        yield from sentences_of(node.body, named)
        yield from sentences_of(node.orelse, named)
    for literal in named.get(node.id, ()) if isinstance(node, ast.Name) else [node]:
        told = template(literal)
        if " " in told and any(letter.isalpha() for letter in told):
            yield told


def raised() -> Iterator[tuple[str, str]]:
    """(where, sentence) of what is wrong and what to do next, of every refusal that is raised."""
    for path in sorted([*(ROOT / "coatclass").rglob("*.py"), *(ROOT / "app").rglob("*.py")]):
        nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
        named: dict[str, list[ast.expr]] = defaultdict(list)
        for node in nodes:
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                named[node.targets[0].id].append(node.value)
        for node in nodes:
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ERRORS:
                for argument in node.args[1:3] if node.func.id != "SignInError" else node.args[2:4]:
                    where = f"{path.relative_to(ROOT).as_posix()}:{node.lineno}"
                    yield from ((where, told) for told in sentences_of(argument, named))


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en" and about(one).reviewed])
def test_every_refusal_has_its_text(language):
    sentences = list(raised())
    assert len(sentences) > 300
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
