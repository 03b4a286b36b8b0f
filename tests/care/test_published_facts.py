"""No number that the plan quotes contradicts the published fact it comes from."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import care_dogs as dogs
import pytest

from coatclass import care
from coatclass.care.coat import data
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, CoatCategory, MatState
from coatclass.words import FOLDER as WORDS
from coatclass.words import LANGUAGES

REFERENCE = Path(__file__).parent.parent / "reference" / "care_published_facts.csv"


def reference():
    with REFERENCE.open(encoding="utf-8", newline="") as stream:
        return {row["table_row"]: [float(n) for n in row["numbers"].split("|")] for row in csv.DictReader(stream)}


def used():
    """Published numbers in the room's data, by the row of the table that they come from."""
    numbers: dict[str, list[float]] = {}
    for fact in data("facts")["fact"].values():
        numbers.setdefault(fact["table"], []).extend(float(n) for n in fact["numbers"])
    for season, row in data("growth")["regrowth_weeks"].items():
        if isinstance(row, dict) and "table" in row:
            numbers.setdefault(row["table"], []).append(float(row["value"]))
            assert season in row["table"]
    return numbers


def test_every_published_number_in_use_is_the_one_in_the_reference():
    assert {row: sorted(numbers) for row, numbers in used().items()} == {
        row: sorted(numbers) for row, numbers in reference().items()
    }


@pytest.mark.tables
def test_every_published_number_in_use_stands_in_the_published_facts(tables):
    with (tables / "published_facts.csv").open(encoding="utf-8", newline="") as stream:
        published = {row["fact"]: " ".join(map(str, row.values())) for row in csv.DictReader(stream)}
    for row, numbers in used().items():
        stated = {float(n) for n in re.findall(r"\d+(?:\.\d+)?", published[row])}
        assert set(numbers) <= stated, row


def test_the_texts_hold_no_published_number_of_their_own():
    for language in LANGUAGES:
        texts = read_toml(WORDS / language / "care.toml")["caution"]
        quoted = {"shampoo", "after_bath", "slow_regrowth", "overheating", "strangling_mats", "no_shaving"}
        for code in quoted:
            assert not re.findall(r"\d", re.sub(r"\{[^}]*\}", "", texts[code])), code


def test_the_quoted_numbers_reach_the_reader():
    dog = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}), mats={BodyZone.FEET: MatState.TIGHT_MATS})
    text = " ".join(caution.text for caution in care.cautions(dog, dogs.ARCTIC_KIT))
    for number in ("15.5", "12–24", "3–4", "1–7", "74.2", "27 dogs"):
        assert number in text


def test_mean_regrowth_lies_between_the_seasons():
    weeks = data("growth")["regrowth_weeks"]
    seasons = [weeks[season]["value"] for season in ("spring", "summer", "autumn", "winter")]
    assert min(seasons) <= weeks["mean"]["value"] <= max(seasons)


def test_every_rule_of_the_room_has_an_id_and_a_source():
    listed = care.rules()
    assert len(listed) > 80
    assert len({rule.id for rule in listed}) == len(listed)
    assert all(rule.says and rule.source for rule in listed)
    assert any("0.101" in rule.says and "handbook" in rule.source for rule in listed)
