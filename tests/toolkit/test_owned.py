"""Tools at home are recognised by what they are, judged for this dog, and left off the shopping list."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from kits import dog, judged, kit_of

from coatclass.contract import Role
from coatclass.toolkit import (
    catalogue,
    identify,
    shopping_list,
    specification_words,
)


@dataclass(frozen=True)
class Owned:
    """A tool as an owner describes it."""

    kind: str
    pin_length_mm: float | None = None
    pin_tip: str | None = None
    stiffness: str | None = None
    tooth_gap_mm: float | None = None
    blade: bool | None = None


@pytest.mark.parametrize(
    ("owned", "tools"),
    [
        (Owned("slicker", pin_length_mm=12, stiffness="soft", pin_tip="plain"), ("soft_slicker",)),
        (Owned("slicker", pin_length_mm=25, stiffness="soft"), ("long_pin_slicker",)),
        (Owned("slicker", stiffness="firm"), ("firm_slicker",)),
        (Owned("slicker", stiffness="extra_stiff"), ("extra_stiff_slicker",)),
        (Owned("slicker", pin_tip="coated"), ("coated_tip_slicker",)),
        (Owned("Slicker brush", pin_tip="plastic", stiffness="firm"), ("coated_tip_slicker",)),
        (Owned("pin brush", pin_tip="ball"), ("ball_tip_pin_brush",)),
        (Owned("pin_brush", pin_tip="plain", stiffness="firm"), ("firm_pin_brush",)),
        (Owned("Stiftbürste", pin_tip="plain", stiffness="medium"), ("medium_pin_brush",)),
        (Owned("comb", tooth_gap_mm=1.0), ("fine_comb",)),
        (Owned("comb", tooth_gap_mm=1.6), ("medium_fine_comb",)),
        (Owned("metal comb", tooth_gap_mm=2.5), ("medium_comb",)),
        (Owned("Kamm", tooth_gap_mm=9), ("wide_comb",)),
        (Owned("face comb"), ("face_comb",)),
        (Owned("rat-tail comb"), ("rat_tail_comb",)),
        (Owned("rake", blade=True), ("bladed_coat_rake",)),
        (Owned("undercoat rake"), ("undercoat_rake",)),
        (Owned("rake", blade=False), ("undercoat_rake",)),
        (Owned("dematting tool"), ("mat_splitter",)),
        (Owned("pumice stone"), ("stripping_stone",)),
        (Owned("carding_knife"), ("carding_knife",)),
        (Owned("rubber mitt"), ("rubber_curry",)),
        (Owned("bristle brush", stiffness="soft"), ("soft_bristle_brush",)),
        (Owned("hair dryer"), ()),
    ],
)
def test_a_tool_is_recognised_by_what_it_is(owned, tools):
    assert identify(owned) == tools


@pytest.mark.parametrize("tool", sorted(catalogue()))
def test_every_tool_is_recognised_by_its_own_id_and_names(tool):
    from coatclass.toolkit import tool_name

    assert identify(Owned(tool)) == (tool,)
    for language in ("en", "de"):
        assert identify(Owned(tool_name(tool, language=language))) == (tool,)


def test_a_right_tool_at_home_is_kept():
    found = judged(Owned("wide_comb"), dog("curly", 50))
    assert found.verdict == "keep"


def test_a_tool_that_is_right_for_some_zones_is_kept_for_these():
    found = judged(Owned("soft_slicker"), dog("drop", 120, feel="silky"))
    assert found.verdict == "keep_for_zones"
    assert {zone.value for zone in found.zones} == {"feet", "armpits"}
    assert "feet" in found.why


def test_a_wrong_tool_at_home_is_named_with_its_harm():
    found = judged(Owned("fine_comb"), dog("curly", 50))
    assert found.verdict == "not_for_this_coat"
    assert "mats" in found.why


def test_a_tool_that_does_nothing_here_is_not_for_this_coat():
    assert judged(Owned("firm_pin_brush"), dog("curly", 50)).verdict == "not_for_this_coat"


def test_a_tool_that_waits_for_the_groomer_is_not_kept_in_use():
    sore = dog("curly", 50, skin_trouble=frozenset({"sores"}))
    found = judged(Owned("firm_slicker"), sore)
    assert found.verdict == "not_now"
    assert "Vet first" in found.why


@pytest.mark.parametrize("tool", ["long_pin_slicker", "wide_comb", "soft_slicker"])
def test_no_tool_at_home_is_used_on_a_dog_on_hold(tool):
    for trouble in ("sores", "pain", "parasites", "redness"):
        found = judged(Owned(tool), dog("curly", 50, skin_trouble=frozenset({trouble})))
        assert found.verdict in ("not_now", "not_for_this_coat")
    assert judged(Owned(tool), dog("curly", 50, mats={"trunk": "felted"})).verdict == "not_now"


def test_a_tool_for_grown_dogs_waits_while_the_dog_is_a_puppy():
    found = judged(Owned("firm_slicker"), dog("curly", 50, age_months=3))
    assert found.verdict == "not_now"
    assert "puppy" in found.why


def test_a_tool_at_home_is_kept_for_the_zones_that_are_open():
    sore_ears = dog("curly", 50, skin_trouble=frozenset({"ear_trouble"}))
    found = judged(Owned("wide_comb"), sore_ears)
    assert found.verdict == "keep"
    assert not {"ears", "behind_ears"} & {zone.value for zone in found.zones}


def test_a_harmless_spare_waits_where_no_zone_is_open():
    assert (
        judged(Owned("boar_bristle_brush"), dog("hair", 12, feel="silky", mats={"trunk": "felted"})).verdict
        == "not_now"
    )


def test_a_harmless_spare_may_stay():
    found = judged(Owned("boar_bristle_brush"), dog("hair", 12, feel="silky"))
    assert found.verdict == "keep"
    assert "no harm" in found.why


def test_a_vague_description_is_called_unclear_instead_of_guessed():
    found = judged(Owned("comb"), dog("curly", 50))
    assert found.verdict == "unclear"
    assert "Wide-toothed comb" in found.why
    assert "Fine comb" in found.why


def test_an_unknown_tool_is_called_unclear():
    for kind in ("hair dryer", "that pink thing from granny", "brush", ""):
        found = judged(Owned(kind), dog("curly", 50))
        assert (found.verdict, found.tools) == ("unclear", ()), kind
        assert "don't recognise" in found.why


def test_the_shopping_list_begins_with_an_essential_tool_and_leaves_out_what_is_at_home():
    kit = kit_of(dog("curly", 50))
    everything = shopping_list(kit)
    assert everything[0].role is Role.ESSENTIAL
    assert "If you buy one thing" in everything[0].why
    left = shopping_list(kit, [Owned("wide_comb"), Owned("slicker", stiffness="firm")])
    assert {item.tool for item in everything} - {item.tool for item in left} == {"wide_comb", "firm_slicker"}
    assert [item.order for item in left] == list(range(1, len(left) + 1))


@pytest.mark.parametrize("coat", ["hair", "fur", "mixed", "wire", "curly", "drop", "arctic"])
@pytest.mark.parametrize("mm", [12, 22, 50, 120])
def test_who_buys_only_one_thing_buys_what_the_work_begins_with(coat, mm):
    kit = kit_of(dog(coat, mm))
    first = shopping_list(kit)[0]
    assert first.tool == kit[0].tool
    assert first.role is Role.ESSENTIAL
    assert catalogue()[first.tool].job == "brush" or (coat, first.tool) == ("fur", "rubber_curry")


def test_essential_tools_stand_before_helpful_ones_on_the_list():
    for coat in ("hair", "fur", "mixed", "wire", "curly", "drop", "arctic"):
        roles = [item.role for item in shopping_list(kit_of(dog(coat, 50)))]
        assert roles == sorted(roles, key=lambda role: role is not Role.ESSENTIAL)
        assert set(roles) <= {Role.ESSENTIAL, Role.HELPFUL}


def test_a_vague_tool_at_home_is_not_counted_as_there():
    kit = kit_of(dog("curly", 50))
    assert shopping_list(kit, [Owned("comb")]) == shopping_list(kit)


def test_nothing_is_left_to_buy_when_everything_is_at_home():
    kit = kit_of(dog("curly", 50))
    assert shopping_list(kit, [Owned(item.tool) for item in kit]) == ()


def test_a_specification_is_said_in_words_one_can_shop_by():
    assert specification_words(catalogue()["firm_slicker"].specification) == (
        "pins 8 to 13 mm (3/8 to 1/2 in) long",
        "pins firm",
        "plain wire tips",
    )
    assert (
        specification_words(catalogue()["fine_comb"].specification, language="de")[-1] == "Zinkenabstand 0,8 bis 1,3 mm"
    )
