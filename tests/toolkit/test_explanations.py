"""Why not the other brush, and where every rule comes from."""

from __future__ import annotations

import pytest
from kits import dog, kit_of, reason

from coatclass.contract import Role
from coatclass.errors import InputError
from coatclass.taxonomy import CATEGORIES
from coatclass.toolkit import catalogue, harm_records, rules
from coatclass.toolkit.tables import texts, tool_rules


def test_why_not_names_the_coat_and_the_harm():
    answer = reason("fine_comb", dog("curly", 50))
    assert answer.startswith("Not on a curly coat of 25 to 75 mm (1 to 3 in).")
    assert "mats" in answer


def test_why_not_says_when_a_tool_is_in_the_kit():
    assert reason("wide_comb", dog("curly", 50)).startswith("It is in the kit")


def test_why_not_says_what_does_the_work_instead():
    answer = reason("extra_stiff_slicker", dog("curly", 50))
    assert "long-pin slicker" in answer


def test_why_not_tells_what_a_tool_waits_for():
    answer = reason("fine_comb", dog("curly wire", 50))
    assert answer.startswith("Not yet.")
    assert "groomer" in answer


def test_why_not_refuses_a_tool_that_does_not_exist():
    with pytest.raises(InputError, match="no tool of the catalogue"):
        reason("magic_brush", dog("curly", 50))


def test_a_kit_for_two_coats_says_for_which_of_them_a_tool_is_right():
    kit = {item.tool: item for item in kit_of(dog("curly wire", 50))}
    assert kit["face_comb"].role is Role.HELPFUL and "Otherwise" not in kit["face_comb"].why
    assert kit["medium_comb"].why.startswith("Wait until it is known. If this is a wire coat:")
    assert "But on a curly coat" in kit["fine_comb"].why


def test_no_reason_names_every_possible_coat_as_its_condition_and_what_waits_says_for_what():
    for coats in ("fur wire", "curly hair", "fur mixed hair", "arctic fur"):
        for item in kit_of(dog(coats)):
            all_of_them = texts().either(texts().coat(one, phrase=True) for one in CATEGORIES if one in coats.split())
            assert not item.why.startswith(f"If this is {all_of_them}")
            if item.role is Role.LATER and not _by_rule(item):
                assert item.why.startswith(("Wait", "First part the hair")), item.why


def _by_rule(item):
    """Whether one of the room's rules itself puts the tool off, in its own words."""
    return any(rule.id == item.rule[0] and rule.role is Role.LATER for rule in tool_rules())


def test_every_rule_is_listed_once_with_who_it_is_about_why_and_its_source():
    listed = rules()
    assert len({record.id for record in listed}) == len(listed) > 80
    by_id = {record.id: record for record in listed}
    record = by_id["curly-25-to-75-long-pin-slicker"]
    assert record.when == "a curly coat; from 25 mm (1 in), up to 75 mm (3 in)"
    assert record.tool == "long_pin_slicker"
    assert record.source == "common practice, no source"
    assert all(record.why and record.source for record in listed)


def test_every_rule_of_a_kit_is_in_the_list():
    known = {record.id for record in rules()}
    for coat in ("hair", "fur mixed", "wire curly", "drop", "arctic"):
        for item in kit_of(dog(coat, mats={"trunk": "mats", "groin": "tight_mats"})):
            assert set(item.rule) <= known


def test_rules_are_listed_in_german_too():
    german = {record.id: record for record in rules(language="de")}
    assert german["curly-wide-comb"].when == "ein lockiges Fell; ab 9 mm (3/8 Zoll)"
    assert german.keys() == {record.id for record in rules()}


def test_every_row_of_the_harm_table_is_listed_with_its_source():
    listed = harm_records()
    assert {record.tool for record in listed} == set(catalogue())
    assert all(record.source for record in listed)
