"""A coat in cords: no tool goes through it, until somebody says that this dog's coat is kept loose.

That brush and comb tear cords, and that they are parted by hand: common practice, no source. Which breeds wear them:
FCI-Standards No. 53 (Komondor), 55 (Puli) and 194 (Bergamasco), COAT, from memory.
"""

from __future__ import annotations

import pytest

from coatclass import breeds, toolkit
from coatclass.answers import Answers, OwnedTool
from coatclass.assessing import assess, situation_of
from coatclass.contract import Role
from coatclass.words import catalogue

USABLE = {Role.ESSENTIAL, Role.HELPFUL}


@pytest.mark.parametrize(
    "told",
    [
        {"breed": "Puli"},
        {"breed": "Komondor", "age_months": 30, "mats": {"legs": "tangles"}},
        {"breed": "Bergamasker Hirtenhund", "trunk_length_mm": 200},
        {"breed": "corded poodle", "curl": "curly", "trunk_length_mm": 120},
        {"breed": "Spanish Water Dog", "corded": True, "trunk_length_mm": 80},
        {"breed": "Puli", "patience": "cannot_bear"},
    ],
)
def test_no_tool_is_bought_for_cords_or_goes_through_them(told):
    found = assess(answers=Answers(**told))
    assert [item.tool for item in found.kit if item.role in USABLE] == []
    assert found.week is None
    assert not found.triage.session.open and not found.triage.bath.open and not found.triage.shopping.open
    assert catalogue("en", "care").say("hold.cords") in found.routine.hold
    assert {caution.code for caution in found.cautions}.isdisjoint({"bath_order", "no_force", "no_shaving"})
    assert "cords" in {ask.rule for ask in found.visit}
    assert found.length.text == catalogue("en", "care").say("length.cords")


def test_no_brush_or_comb_at_home_may_stay_and_none_is_said_to_do_no_harm():
    answers = Answers(breed="Puli", trunk_length_mm=150)
    found = assess(answers=answers)
    dog = situation_of(answers, found.category, found.length_band, found.reasons)
    says = catalogue("en", "toolkit").say("triage.cords")
    for tool in toolkit.catalogue():
        assert toolkit.why_not(tool, dog, found.triage).endswith(says) or tool in {item.tool for item in found.kit}
    for kind in ("slicker", "pin brush", "comb", "undercoat rake"):
        judged = toolkit.judge_owned(OwnedTool(kind=kind), dog, found.triage)
        assert judged.zones == () and judged.verdict in {"not_for_this_coat", "unclear"}


@pytest.mark.parametrize(
    "told",
    [
        {"breed": "Puli", "corded": False},
        {"breed": "Puli", "last_trim_how": "clipped", "trunk_length_mm": 30},
        {"breed": "Puli", "age_months": 4},
        {"breed": "Poodle", "curl": "curly"},
    ],
)
def test_a_coat_that_is_kept_loose_is_brushed(told):
    found = assess(answers=Answers(**told))
    assert [item.tool for item in found.kit if item.role in USABLE]
    assert found.triage.session.open


@pytest.mark.parametrize(
    ("text", "may"),
    [
        ("Puli", True),
        ("komondor", True),
        ("Bergamasco", True),
        ("Schnürenpudel", True),
        ("Corded Poodle", True),
        ("Poodle", False),
        ("not a Puli", False),
        ("Chow Chow", False),
        ("don't know", False),
    ],
)
def test_which_coats_may_hang_in_cords(text, may):
    assert breeds.may_cord(text) is may
