"""What people type about a dog's breed or cross, beside what it must be read as (``wordings.csv``, from memory)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from coatclass import ancestry, breeds
from coatclass.answers import Answers
from coatclass.contract import Verdict
from coatclass.estimating import decide, estimate
from coatclass.resources import read_toml
from coatclass.taxonomy import CoatCategory

with Path(__file__).with_name("wordings.csv").open(newline="", encoding="utf-8") as _stream:
    WORDINGS = [(row["text"], row["reading"], row["breeds"]) for row in csv.DictReader(_stream)]


def of(*readings: str) -> list[tuple[str, str, str]]:
    return [row for row in WORDINGS if row[1] in readings]


def test_the_list_is_long_and_holds_every_reading_in_three_languages() -> None:
    assert len(WORDINGS) == len({text for text, *_ in WORDINGS}) >= 150
    assert {reading for _, reading, _ in WORDINGS} == {
        "breed", "cross", "cross of unknown", "nobody knows", "not understood",
    }  # fmt: skip


@pytest.mark.parametrize(("text", "reading", "expected"), WORDINGS, ids=lambda value: str(value)[:40])
def test_a_text_is_read_as_what_it_says(text: str, reading: str, expected: str) -> None:
    match = breeds.find(text)
    assert ancestry.names_cross(Answers(breed=text)) == (reading in ("cross", "cross of unknown"))
    if reading == "breed":
        assert match.id == expected and not match.is_cross
    elif reading == "cross":
        assert sorted(parent or "?" for parent in match.parents) == sorted(expected.split(";"))
    else:
        assert not match.known
    assert breeds.says_nothing(text) == (reading == "nobody knows") or reading == "cross of unknown"


@pytest.mark.parametrize("text", [text for text, *_ in of("cross", "cross of unknown")])
def test_whoever_names_a_cross_keeps_mixed_possible_until_hands_have_touched(text: str) -> None:
    """Even where every answer speaks for a smooth coat."""
    said = decide(estimate([], Answers(breed=text, curl="straight", lie="lies_flat", beard_and_brows=False)))
    assert CoatCategory.MIXED in said.categories and said.verdict is Verdict.HANDS_ON


def test_two_parents_of_which_neither_can_be_read_are_still_a_cross() -> None:
    assert ancestry.names_cross(Answers(parents=("terrier", "spaniel")))
    assert ancestry.names_cross(Answers(parents=("poodle", "don't know")))
    assert not ancestry.names_cross(Answers(parents=("don't know", "no idea")))
    assert not ancestry.names_cross(Answers(parents=("poodle", "Pudel")))


def test_a_dna_test_that_leaves_a_good_part_unnamed_names_a_cross() -> None:
    assert ancestry.names_cross(Answers(dna_breeds={"poodle": 60}))
    assert ancestry.names_cross(Answers(dna_breeds={"poodle": 60, "labrador": 40}))
    assert not ancestry.names_cross(Answers(dna_breeds={"poodle": 100}))
    assert not ancestry.names_cross(Answers(dna_breeds={"poodle": 95}))


def test_what_a_text_denies_is_not_read() -> None:
    assert breeds.find("a labrador, not a poodle").id == "labrador_retriever"
    assert breeds.find("kein Pudel, sondern ein Labrador").id == "labrador_retriever"
    assert breeds.find("not a poodle but a labrador").id == "labrador_retriever"


def test_no_name_or_alias_is_taken_for_not_knowing() -> None:
    names = [alias for alias, _ in breeds.aliases()] + [row.name for row in breeds.table().values()]
    assert [name for name in names if not breeds.find(name).known] == []


def test_whatever_a_portmanteau_stands_for_is_in_the_table() -> None:
    words = read_toml(Path(breeds.__file__).with_name("data") / "breeds.toml")
    read = {word: breeds.find(word).parents for word in words["stands_for"]}
    assert [word for word, parents in read.items() if len(parents) != 2 or None in parents] == []
    assert set(words["portmanteaus"].values()) <= set(breeds.table())
