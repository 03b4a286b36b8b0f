"""The facts of the trade, one readable test each.

Source of all of them: common practice, no source. They are listed in ``tests/reference/trade_facts.csv``, which says
for each fact which test holds it; facts about routine and load are tested in their own room.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from kits import dog, judged, kit, kit_of, reason

from coatclass.contract import Role
from coatclass.taxonomy import BodyZone
from coatclass.toolkit import Harm, catalogue, rules

FACTS = Path(__file__).parents[1] / "reference" / "trade_facts.csv"
EVERY_COAT = ("hair", "fur", "mixed", "wire", "curly", "drop", "arctic")
SHORT, UNDER_25, MEDIUM, LONG = 12.0, 22.0, 50.0, 120.0
PIN_BRUSHES = ("firm_pin_brush", "medium_pin_brush")


def test_every_listed_fact_of_this_room_has_its_test():
    with FACTS.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    named = {row["test"] for row in rows if row["room"] == "toolkit"}
    held = {name for name in globals() if name.startswith("test_")} - {
        "test_every_listed_fact_of_this_room_has_its_test"
    }
    assert named == held
    assert all(row["source"] == "common practice, no source" for row in rows)


# --- brushes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm", [UNDER_25, MEDIUM])
def test_a_soft_slicker_maintains_hair_under_75_mm(mm):
    assert kit("hair", mm, feel="silky").needs("soft_slicker")
    assert kit("fur", mm).needs("soft_slicker")


@pytest.mark.parametrize("coat", ["hair", "fur", "curly", "arctic", "mixed", "wire"])
def test_a_soft_slicker_is_not_for_hair_over_75_mm(coat):
    assert kit(coat, LONG).leaves("soft_slicker")


def test_a_soft_slicker_does_not_take_out_mats():
    matted = kit("curly", MEDIUM, mats={"trunk": "mats"})
    assert matted.role("soft_slicker") is Role.AVOID
    assert "doesn't take out mats" in matted.why("soft_slicker")


@pytest.mark.parametrize(("coat", "feel"), [("hair", "cottony"), ("curly", "woolly"), ("arctic", "woolly")])
def test_a_long_pin_slicker_is_for_long_thick_hair_and_hardly_drags(coat, feel):
    assert kit(coat, MEDIUM, feel=feel).needs("long_pin_slicker")
    assert kit(coat, LONG, feel=feel).needs("long_pin_slicker")
    assert catalogue()["long_pin_slicker"].drag == "gentle"


@pytest.mark.parametrize("coat", EVERY_COAT)
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
def test_a_firm_slicker_takes_out_mats_in_any_coat(coat, mm):
    matted = kit(coat, mm, mats={"trunk": "mats"})
    assert matted.needs("firm_slicker")
    assert "trunk" in matted.zones("firm_slicker")


@pytest.mark.parametrize("coat", ["fur", "wire"])
def test_a_firm_slicker_pulls_shed_coat_from_short_and_wiry_hair(coat):
    assert kit(coat, SHORT, undercoat="light").fits("firm_slicker")


@pytest.mark.parametrize("coat", ["arctic", "fur", "mixed"])
def test_an_extra_stiff_slicker_is_for_shedding_long_coats_and_comes_after_a_softer_brush(coat):
    shedding = kit(coat, LONG, feel="soft", undercoat="dense")
    softer = {"arctic": "long_pin_slicker", "fur": "medium_pin_brush", "mixed": "firm_slicker"}[coat]
    assert shedding.fits(softer, "extra_stiff_slicker")
    why = reason("extra_stiff_slicker", dog(coat, LONG, feel="soft", undercoat="dense"))
    assert "go over with a softer brush first" in why
    assert catalogue()["extra_stiff_slicker"].drag == "strong"


@pytest.mark.parametrize("coat", EVERY_COAT)
@pytest.mark.parametrize("mm", [SHORT, UNDER_25])
def test_an_extra_stiff_slicker_is_not_for_short_hair(coat, mm):
    assert kit(coat, mm, mats={"trunk": "mats"}).leaves("extra_stiff_slicker")


@pytest.mark.parametrize("coat", ["hair", "fur", "mixed", "wire", "curly", "drop"])
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, 74.0])
def test_a_pin_brush_has_no_use_under_75_mm(coat, mm):
    assert kit(coat, mm).leaves(*PIN_BRUSHES)


def test_a_pin_brush_goes_through_long_silky_hair_and_furnishings_without_drag():
    assert kit("drop", LONG, feel="silky").needs("medium_pin_brush")
    furnished = kit("fur", MEDIUM, long_furnishings=True)
    assert furnished.uses("medium_pin_brush")
    assert furnished.zones("medium_pin_brush") == {"chest", "belly", "legs", "breeches", "tail", "ears"}
    assert all(catalogue()[brush].drag == "gentle" for brush in PIN_BRUSHES)


@pytest.mark.parametrize(("coat", "feel"), [("hair", "cottony"), ("drop", "cottony"), ("arctic", "woolly")])
def test_firm_pins_suit_cottony_and_primitive_coats(coat, feel):
    long = kit(coat, LONG, feel=feel)
    assert long.needs("firm_pin_brush")
    assert long.leaves("medium_pin_brush")


def test_medium_pins_suit_poodle_type_show_coats_and_drop_coats():
    assert kit("curly", LONG).fits("medium_pin_brush")
    assert "show" in reason("medium_pin_brush", dog("curly", LONG))
    assert kit("drop", LONG, feel="silky").needs("medium_pin_brush")


@pytest.mark.parametrize("coat", ["hair", "drop", "fur", "arctic", "mixed", "curly"])
@pytest.mark.parametrize("tip", ["ball_tip_pin_brush", "coated_tip_slicker"])
def test_tipped_pins_break_long_silky_hair(coat, tip):
    assert kit(coat, LONG, feel="silky").leaves(tip)
    assert "break" in reason(tip, dog(coat, LONG, feel="silky"))


@pytest.mark.parametrize("coat", ["hair", "curly", "fur", "mixed", "drop", "arctic"])
@pytest.mark.parametrize("mm", [UNDER_25, MEDIUM, LONG])
def test_a_coated_tip_slicker_is_for_hair_under_19_mm_only(coat, mm):
    assert kit(coat, mm).leaves("coated_tip_slicker")
    assert kit(coat, mm, sensitive_skin=True).leaves("coated_tip_slicker")


@pytest.mark.parametrize("coat", EVERY_COAT)
def test_a_coated_tip_slicker_suits_sensitive_skin_under_19_mm(coat):
    assert kit(coat, SHORT, sensitive_skin=True).needs("coated_tip_slicker")


def test_firm_bristles_stay_off_sensitive_skin():
    sensitive = kit("fur", 5.0, sensitive_skin=True)
    assert sensitive.leaves("boar_bristle_brush")
    assert sensitive.uses("soft_bristle_brush", "rubber_curry")


@pytest.mark.parametrize("coat", EVERY_COAT)
def test_a_soft_bristle_brush_is_for_sparse_hair(coat):
    sparse = kit(coat, MEDIUM, sparse=True)
    assert sparse.needs("soft_bristle_brush")
    assert sparse.leaves("soft_slicker", "long_pin_slicker", "firm_slicker", "extra_stiff_slicker")


def test_a_soft_bristle_brush_is_for_the_skull():
    assert kit("hair", MEDIUM, feel="silky").zones("soft_bristle_brush") == {"skull"}


def test_a_boar_type_bristle_brush_gives_short_coats_their_shine():
    short = kit("fur", SHORT)
    assert short.needs("boar_bristle_brush")
    assert "oil" in short.why("boar_bristle_brush")
    assert kit("fur", LONG).leaves("boar_bristle_brush")


# --- combs ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("feel", ["silky", "soft"])
def test_a_medium_fine_comb_checks_fine_and_medium_textures_for_knots(feel):
    checked = kit("hair", MEDIUM, feel=feel)
    assert checked.needs("medium_fine_comb")
    assert checked.in_order("soft_slicker", "medium_fine_comb")


@pytest.mark.parametrize(("coat", "feel"), [("curly", "woolly"), ("curly", "soft"), ("hair", "cottony")])
def test_a_wide_comb_is_for_thick_curly_or_cottony_hair(coat, feel):
    assert kit(coat, MEDIUM, feel=feel).needs("wide_comb")


@pytest.mark.parametrize("coat", EVERY_COAT)
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
@pytest.mark.parametrize("feel", ["cottony", "woolly", "cottony woolly"])
def test_a_fine_comb_is_never_offered_for_cottony_or_woolly_hair(coat, mm, feel):
    assert kit(coat, mm, feel=feel).leaves("fine_comb")
    assert "mats" in reason("fine_comb", dog(coat, mm, feel=feel))


@pytest.mark.parametrize("comb", ["fine_comb", "medium_fine_comb"])
@pytest.mark.parametrize("feel", ["soft", "harsh", "woolly", "silky"])
def test_a_comb_too_fine_teases_a_primitive_coat_into_mats(comb, feel):
    assert kit("arctic", LONG, feel=feel).leaves(comb)
    assert "mats" in reason(comb, dog("arctic", LONG, feel=feel))


@pytest.mark.parametrize("coat", ["drop", "curly"])
def test_a_rat_tail_comb_is_for_the_top_knot(coat):
    long = kit(coat, LONG)
    assert long.fits("rat_tail_comb")
    assert long.seen["rat_tail_comb"].zones == {BodyZone.TOP_KNOT}


@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM])
def test_a_small_comb_is_for_the_face(mm):
    assert kit("hair", mm, feel="silky").zones("face_comb") == {"face", "beard"}
    face, usual = catalogue()["face_comb"].specification, catalogue()["medium_fine_comb"].specification
    assert face.tooth_length_mm[1] < usual.tooth_length_mm[0]


# --- what takes out loose coat -------------------------------------------------------------------------------------


def test_a_carding_knife_takes_loose_undercoat_and_is_not_stripping():
    flat = kit("fur", MEDIUM, undercoat="dense")
    assert "not stripping" in flat.why("carding_knife")
    assert "leaves the top coat" in flat.why("carding_knife")
    assert kit("fur", MEDIUM, undercoat="none").leaves("carding_knife")


@pytest.mark.parametrize("coat", ["wire", "fur"])
def test_a_stripping_stone_is_for_loose_top_coat_and_down_where_the_coat_is_short(coat):
    assert kit(coat, SHORT, undercoat="light").fits("stripping_stone")
    assert kit(coat, LONG, undercoat="light").leaves("stripping_stone")


@pytest.mark.parametrize("coat", ["hair", "mixed", "wire", "curly", "drop", "arctic"])
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
def test_a_bladed_rake_is_for_flat_coats_only(coat, mm):
    assert kit(coat, mm, undercoat="dense").leaves("bladed_coat_rake")
    assert "cut" in reason("bladed_coat_rake", dog(coat, mm))


def test_a_bladed_rake_goes_only_with_the_lay_and_hair_on_one_side_means_that_it_cuts():
    why = reason("bladed_coat_rake", dog("fur", MEDIUM, undercoat="dense"))
    for words in ("Only with the lay", "both sides", "on one side means that it cuts", "duller blade", "no lines"):
        assert words in why


def test_cutting_harms_colour_and_texture():
    assert "colour and texture suffer" in reason("bladed_coat_rake", dog("wire", MEDIUM))


# --- arctic --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm", [UNDER_25, MEDIUM, 75.0, LONG])
def test_an_arctic_coat_takes_pin_brush_then_long_pin_slicker_then_wide_comb(mm):
    arctic = kit("arctic", mm)
    assert arctic.needs("firm_pin_brush", "long_pin_slicker", "wide_comb")
    assert arctic.in_order("firm_pin_brush", "long_pin_slicker", "wide_comb")
    assert arctic.items["firm_pin_brush"].order == 1


@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, 74.0])
def test_the_full_natural_arctic_coat_is_the_one_exception_to_the_pin_brush_limit(mm):
    natural = kit("arctic", mm, clipped=False)
    assert natural.needs("firm_pin_brush", "long_pin_slicker", "wide_comb")
    assert natural.in_order("firm_pin_brush", "long_pin_slicker", "wide_comb")
    assert kit("arctic", mm, clipped=True).leaves(*PIN_BRUSHES)


@pytest.mark.parametrize("mm", [UNDER_25, MEDIUM, LONG])
def test_a_silkier_arctic_coat_skips_the_pin_brush(mm):
    silky = kit("arctic", mm, feel="silky")
    assert silky.leaves(*PIN_BRUSHES)
    assert silky.items["long_pin_slicker"].order == 1


def test_packed_undercoat_is_eased_out_with_a_pin_brush_not_shaved():
    why = kit("arctic", LONG).why("firm_pin_brush")
    assert "eases packed undercoat" in why
    assert "not shaved" in why


# --- wire and flat coats -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM])
def test_wire_takes_slicker_medium_comb_fine_comb_carding_knife_stone_in_this_order(mm):
    order = ("soft_slicker", "medium_comb", "fine_comb", "carding_knife", "stripping_stone")
    wire = kit("wire", mm)
    assert wire.fits(*order)
    assert wire.in_order(*order[:-1])
    assert "enough" in reason("stripping_stone", dog("wire", mm))
    assert "again at the end" in wire.why("soft_slicker")


def test_a_hand_stripped_wire_coat_takes_coated_tips():
    stripped = kit("wire", MEDIUM, hand_stripped=True)
    assert stripped.needs("coated_tip_slicker")
    assert stripped.role("soft_slicker") is Role.AVOID
    assert stripped.fits("coated_tip_slicker", "medium_comb", "fine_comb", "carding_knife", "stripping_stone")
    assert stripped.in_order("coated_tip_slicker", "medium_comb", "fine_comb", "carding_knife")


@pytest.mark.parametrize("stripped", [None, False])
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
def test_wire_that_is_not_known_to_be_hand_stripped_takes_no_coated_tips(mm, stripped):
    assert kit("wire", mm, hand_stripped=stripped).leaves("coated_tip_slicker")


@pytest.mark.parametrize("stripped", [True, False, None])
def test_carding_wire_is_worth_doing_whether_or_not_the_dog_is_stripped(stripped):
    wire = kit("wire", MEDIUM, hand_stripped=stripped)
    assert wire.uses("carding_knife") and wire.fits("carding_knife", "stripping_stone")


def test_flat_coats_take_carding_stone_and_coat_rake():
    flat = ("carding_knife", "stripping_stone", "bladed_coat_rake")
    assert kit("fur", MEDIUM, undercoat="light").fits(*flat)
    assert kit("fur", MEDIUM, undercoat="light").uses("carding_knife")


# --- drop and silky ------------------------------------------------------------------------------------------------


def test_a_very_long_silky_drop_coat_takes_medium_pins_and_a_medium_fine_comb():
    silky = kit("drop", LONG, feel="silky")
    assert silky.needs("medium_pin_brush", "medium_fine_comb")
    assert silky.leaves("firm_pin_brush", "firm_slicker", "long_pin_slicker")


@pytest.mark.parametrize("feel", ["cottony", "woolly", "harsh"])
def test_a_thicker_drop_coat_takes_firm_pins_and_a_wide_comb(feel):
    thick = kit("drop", LONG, feel=feel)
    assert thick.needs("firm_pin_brush", "wide_comb")


def test_feet_and_armpits_of_a_drop_coat_take_a_soft_slicker():
    assert kit("drop", LONG).zones("soft_slicker") == {"feet", "armpits"}


def test_silky_coats_trimmed_short_take_coated_tips_under_19_mm_and_a_soft_slicker_above():
    assert kit("hair", SHORT, feel="silky").needs("coated_tip_slicker")
    assert kit("hair", MEDIUM, feel="silky").needs("soft_slicker")
    assert kit("hair", MEDIUM, feel="silky").uses("face_comb")


# --- curly and cottony ---------------------------------------------------------------------------------------------


def test_curls_under_19_mm_take_coated_tips():
    assert kit("curly", SHORT).needs("coated_tip_slicker")


def test_curls_under_25_mm_take_soft_and_firm_slicker():
    assert kit("curly", UNDER_25).needs("soft_slicker", "firm_slicker")


@pytest.mark.parametrize("mm", [25.0, MEDIUM, 75.0])
def test_curls_of_25_to_75_mm_take_long_pin_and_firm_slicker(mm):
    curly = kit("curly", mm)
    assert curly.needs("long_pin_slicker", "firm_slicker")
    assert curly.in_order("long_pin_slicker", "firm_slicker", "wide_comb")


def test_longer_curls_take_firm_pins_long_pin_slicker_and_a_firm_slicker_on_the_lower_legs():
    curly = kit("curly", LONG)
    assert curly.needs("firm_pin_brush", "long_pin_slicker", "firm_slicker")
    assert curly.zones("firm_slicker") == {"legs"}


@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, 75.0, LONG])
def test_curls_always_take_the_wide_comb(mm):
    assert kit("curly", mm).needs("wide_comb")


@pytest.mark.parametrize("mm", [MEDIUM, LONG])
def test_matted_curls_take_a_firm_or_extra_stiff_slicker(mm):
    matted = kit("curly", mm, mats={"breeches": "mats"})
    assert matted.fits("long_pin_slicker", "firm_slicker", "extra_stiff_slicker", "wide_comb")
    assert matted.in_order("long_pin_slicker", "firm_slicker", "wide_comb")
    assert not matted.uses("extra_stiff_slicker") or matted.zones("extra_stiff_slicker") == {"breeches"}


@pytest.mark.parametrize("mm", [19.0, UNDER_25, MEDIUM, 75.0])
@pytest.mark.parametrize("coat", ["hair", "drop"])
def test_thick_cottony_hair_of_75_mm_or_less_takes_long_pin_firm_slicker_and_wide_comb(coat, mm):
    assert kit(coat, mm, feel="cottony").needs("long_pin_slicker", "firm_slicker", "wide_comb")


def test_longer_cottony_hair_takes_firm_pins_long_pin_slicker_and_wide_comb():
    long = kit("hair", LONG, feel="cottony")
    assert long.needs("firm_pin_brush", "long_pin_slicker", "wide_comb")
    assert long.leaves("firm_slicker")


# --- mixed ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm", [19.0, UNDER_25, MEDIUM, LONG])
@pytest.mark.parametrize("feel", ["", "soft", "cottony", "harsh", "woolly", "silky"])
def test_the_firm_slicker_is_common_to_all_mixed_coats_with_a_medium_fine_comb(mm, feel):
    assert kit("mixed", mm, feel=feel).needs("firm_slicker", "medium_fine_comb")


@pytest.mark.parametrize("mm", [UNDER_25, MEDIUM, LONG])
def test_a_mixed_coat_with_much_undercoat_takes_the_undercoat_rake_first(mm):
    dense = kit("mixed", mm, undercoat="dense")
    assert dense.needs("undercoat_rake")
    assert dense.items["undercoat_rake"].order == 1
    assert "doesn't let go by itself" in dense.why("undercoat_rake")


@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
def test_a_mixed_coat_is_not_stripped(mm):
    assert kit("mixed", mm).role("stripping_stone") is Role.AVOID


def test_a_coat_that_may_be_mixed_never_gets_a_stripping_tool():
    assert kit("mixed wire", MEDIUM).leaves("stripping_stone")


# --- pain comes first ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["tight_mats", "felted"])
@pytest.mark.parametrize("coat", EVERY_COAT)
def test_tight_mats_and_felt_belong_to_the_groomer_and_no_tool_touches_them(coat, state):
    tight = kit(coat, MEDIUM, mats={"armpits": state, "behind_ears": state})
    for tool in tight.items:
        if tight.uses(tool):
            assert not tight.zones(tool) & {"armpits", "behind_ears"}
    assert tight.leaves("extra_stiff_slicker", "bladed_coat_rake", "mat_splitter")


@pytest.mark.parametrize("zone", ["trunk", "tail"])
def test_dematting_hurts_and_is_no_way_to_keep_a_coat(zone):
    felted = kit("hair", MEDIUM, feel="silky", mats={zone: "tight_mats"})
    assert felted.role("firm_slicker") is Role.LATER
    assert "De-matting hurts and is no way to keep a coat" in felted.why("firm_slicker")


def test_mats_on_thin_skin_are_left_to_the_groomer():
    matted = kit("curly", MEDIUM, mats={"armpits": "mats", "groin": "mats"})
    for tool in matted.items:
        assert not matted.zones(tool) & {"armpits", "groin"}
    assert "mats-firm-slicker" not in matted.items["firm_slicker"].rule


def test_tangles_on_thin_skin_take_no_firm_tool():
    tangled = kit("hair", MEDIUM, feel="silky", mats={"armpits": "tangles"})
    assert tangled.role("firm_slicker") is Role.LATER
    assert "thin skin" in tangled.why("firm_slicker")
    assert "armpits" in tangled.zones("soft_slicker")


def test_loose_knots_are_worked_on_even_where_others_are_too_tight():
    both = kit("hair", MEDIUM, feel="silky", mats={"legs": "mats", "tail": "tight_mats"})
    assert both.zones("firm_slicker") == {"legs"}


def test_a_dog_that_cannot_bear_the_brush_gets_no_tool_that_drags_and_no_dematting():
    panics = kit("curly", MEDIUM, mats={"trunk": "mats"}, patience="cannot_bear")
    assert panics.leaves("extra_stiff_slicker", "firm_slicker")
    assert panics.why("firm_slicker").startswith("Training first")
    assert "trunk" not in panics.zones("long_pin_slicker")


def test_sore_skin_goes_to_the_vet_before_any_tool_is_bought():
    sore = kit("curly", MEDIUM, skin_trouble=frozenset({"sores"}))
    assert sore.leaves(*catalogue())
    assert sore.why("long_pin_slicker").startswith("Vet first")


def test_one_red_place_leaves_gentle_tools_for_the_rest_of_the_dog():
    red = kit("curly", MEDIUM, skin={BodyZone.BELLY: "redness"}, skin_trouble=frozenset({"redness"}))
    assert red.needs("long_pin_slicker", "wide_comb")
    assert red.leaves("firm_slicker", "extra_stiff_slicker")
    assert red.why("firm_slicker").startswith("Vet first")
    assert not any("belly" in red.zones(tool) for tool in red.items)


def test_ear_trouble_keeps_every_tool_from_the_ears():
    sore = kit("curly", MEDIUM, skin_trouble=frozenset({"ear_trouble"}))
    assert not any({"ears", "behind_ears"} & sore.zones(tool) for tool in sore.items)


def test_nothing_is_bought_for_a_coat_that_comes_off():
    felted = kit("arctic", LONG, mats={"trunk": "felted"})
    assert felted.leaves(*catalogue())
    later = [tool for tool in felted.items if felted.role(tool) is Role.LATER]
    assert later == ["firm_slicker"]
    assert "no way to keep a coat" in felted.why("firm_slicker")


@pytest.mark.parametrize("coat", EVERY_COAT)
@pytest.mark.parametrize("mm", [SHORT, UNDER_25, MEDIUM, LONG])
@pytest.mark.parametrize("undercoat", ["none", "light", "dense"])
def test_a_puppy_gets_puppy_tools_whatever_its_coat(coat, mm, undercoat):
    puppy = kit(coat, mm, undercoat=undercoat, age_months=3)
    harsh = {tool.id for tool in catalogue().values() if tool.drag != "gentle" or tool.blade}
    assert {"carding_knife", "stripping_stone", "undercoat_rake", "firm_slicker"} < harsh
    assert puppy.leaves(*harsh)
    assert any(puppy.uses(tool.id) and tool.job == "brush" for tool in catalogue().values())


def test_a_puppys_tools_change_as_it_grows():
    puppy = kit("arctic", LONG, undercoat="dense", age_months=4)
    assert puppy.role("extra_stiff_slicker") is Role.LATER
    assert "puppy" in puppy.why("extra_stiff_slicker")
    assert kit("arctic", LONG, undercoat="dense", age_months=30).fits("extra_stiff_slicker")


# --- the limits ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limit", "coat", "feel", "before", "after"),
    [
        (19, "curly", "woolly", "coated_tip_slicker", "soft_slicker"),
        (25, "curly", "woolly", "soft_slicker", "long_pin_slicker"),
        (75, "drop", "silky", "soft_slicker", "medium_pin_brush"),
    ],
)
def test_tools_change_at_19_25_and_75_mm(limit, coat, feel, before, after):
    below, above = kit(coat, limit - 0.1, feel=feel), kit(coat, float(limit), feel=feel)
    assert below.needs(before)
    assert below.leaves(after)
    assert above.needs(after)


def test_a_measured_length_beats_an_estimated_band():
    measured = dog("drop", 80.0, bands=["under_19mm"], feel="silky")
    assert kit_of(measured) == kit_of(dog("drop", 80.0, feel="silky"))


def test_every_rule_says_where_it_comes_from():
    assert {rule.source for rule in rules() if rule.tool} <= {"common practice, no source", "assumption"}
    assert all(rule.source for rule in rules())
    assert all(rule.why and rule.id for rule in rules())


def test_a_plastic_tipped_brush_at_home_is_not_for_long_silky_hair():
    class Brush:
        kind, pin_length_mm, pin_tip, stiffness, tooth_gap_mm, blade = "pin brush", 22.0, "plastic", None, None, False

    verdict = judged(Brush(), dog("drop", LONG, feel="silky"))
    assert verdict.verdict == "not_for_this_coat"
    assert "break" in verdict.why


def test_harm_is_named_by_what_happens_to_hair_or_skin():
    assert [harm.value for harm in Harm] == ["none", "ineffective", "breaks_hair", "mats", "cuts", "burns"]
    assert [harm.forbids for harm in Harm] == [False, False, True, True, True, True]
