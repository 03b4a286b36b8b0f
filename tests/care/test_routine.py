"""What the routine promises, whatever the dog."""

from __future__ import annotations

import dataclasses

import care_dogs as dogs
from hypothesis import given, settings

from coatclass import care
from coatclass.contract import Role
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture

NOT_TO_TOUCH = {MatState.TIGHT_MATS, MatState.FELTED}


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_a_routine_is_never_empty_and_ends_with_a_check(situation, kit):
    routine = care.routine(situation, kit)
    assert [step.order for step in routine.steps] == list(range(1, len(routine.steps) + 1))
    assert routine.steps[0].technique == "look"
    assert routine.steps[-1].technique == "end"
    assert all(step.do and step.done_when and step.title for step in routine.steps)
    assert routine.bath and routine.bath_steps and routine.errors


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_no_tool_touches_hair_that_is_tight_to_the_skin(situation, kit):
    routine = care.routine(situation, kit)
    tight = {zone for zone, state in situation.mats.items() if state in NOT_TO_TOUCH}
    assert set(routine.leave) == tight
    for step in routine.steps:
        if step.tool is not None and tight:
            assert step.zones and not set(step.zones) & tight
    for row in routine.zones:
        assert not set(row.zones) & tight


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_only_tools_for_now_are_used_and_each_in_the_order_of_the_kit(situation, kit):
    routine = care.routine(situation, kit)
    used = [step.tool for step in routine.steps if step.tool is not None and step.technique != "again"]
    allowed = {item.tool: item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)}
    assert set(used) <= set(allowed)
    orders = [allowed[tool].order or 99 for tool in used]
    assert orders == sorted(orders)


@settings(max_examples=50, deadline=None)
@given(dogs.situations, dogs.kits)
def test_the_same_dog_gets_the_same_routine_and_the_same_in_each_language(situation, kit):
    english, again, german = (care.routine(situation, kit, language) for language in ("en", "en", "de"))
    assert english == again
    assert [step.technique for step in english.steps] == [step.technique for step in german.steps]
    assert [step.zones for step in english.steps] == [step.zones for step in german.steps]
    assert english.sessions_per_week == german.sessions_per_week


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_a_routine_on_hold_always_has_a_stop_rule_beside_it(situation, kit):
    routine = care.routine(situation, kit)
    stops = {caution.code for caution in care.cautions(situation, kit) if caution.level == "stop"}
    if routine.hold:
        assert stops & {"sores", "pain", "parasites", "felted"}
    if routine.leave:
        assert stops & {"tight_mats", "felted"}


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_more_coats_still_possible_never_means_less_brushing(situation, kit):
    everything = dataclasses.replace(situation, categories=frozenset(CoatCategory))
    assert care.routine(everything, kit).sessions_per_week[0] >= care.routine(situation, kit).sessions_per_week[0]


def test_the_routine_of_a_curly_coat_brushes_line_by_line_and_then_combs_to_the_skin():
    steps = care.routine(dogs.situation(), dogs.CURLY_KIT).steps
    assert [step.technique for step in steps] == ["look", "line_brush", "line_firm", "comb_to_skin", "end"]
    assert "from the skin" in steps[1].do and "from the skin to the tip" in steps[3].done_when


def test_an_arctic_coat_is_line_brushed_once_a_week_in_the_trades_order():
    arctic = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}), bands=frozenset({LengthBand.OVER_75MM}))
    arctic = dataclasses.replace(arctic, measured_mm=75.0)
    routine = care.routine(arctic, dogs.ARCTIC_KIT)
    assert routine.sessions_per_week[0] == 1
    assert [step.tool for step in routine.steps if step.tool] == ["firm_pin_brush", "long_pin_slicker", "wide_comb"]


def test_a_wire_coat_ends_with_the_slicker_over_all_again():
    wire = dogs.situation(categories=frozenset({CoatCategory.WIRE}))
    steps = care.routine(wire, dogs.WIRE_KIT).steps
    assert [step.tool for step in steps if step.tool] == [
        "soft_slicker", "medium_comb", "fine_comb", "carding_knife", "soft_slicker",
    ]  # fmt: skip


def test_a_smooth_short_coat_is_brushed_with_the_lay_and_not_line_by_line():
    smooth = dogs.situation(categories=frozenset({CoatCategory.FUR}), bands=frozenset({LengthBand.UNDER_19MM}))
    routine = care.routine(smooth, dogs.FUR_KIT)
    assert not {step.technique for step in routine.steps} & {"line_brush", "line_firm", "comb_to_skin"}
    assert routine.sessions_per_week == (1, 1)


def test_bath_day_begins_with_brushing_on_the_same_day_and_ends_with_the_comb():
    steps = care.routine(dogs.situation(), dogs.CURLY_KIT).bath_steps
    assert "same day" in steps[0] and "brush and comb" in steps[0]
    assert "comb" in steps[-1]


def test_a_matted_dog_is_not_sent_to_the_bath():
    matted = dogs.situation(mats={BodyZone.ARMPITS: MatState.MATS})
    assert "No bath now" in care.routine(matted, dogs.CURLY_KIT).bath


def test_the_ladder_is_shown_for_loose_knots_and_gives_up_in_time():
    knotted = care.routine(dogs.situation(mats={BodyZone.TAIL: MatState.TANGLES}), dogs.CURLY_KIT)
    assert any("Give up after 5 minutes" in line for line in knotted.ladder)
    assert any("Firm slicker" in line for line in knotted.ladder)
    assert care.routine(dogs.situation(), dogs.CURLY_KIT).ladder == ()


def test_tight_mats_get_no_ladder():
    tight = dogs.situation(mats={BodyZone.TAIL: MatState.TIGHT_MATS})
    assert care.routine(tight, dogs.CURLY_KIT).ladder == ()


def test_a_felted_body_waits_for_the_groomer():
    felted = dogs.situation(mats={BodyZone.TRUNK: MatState.FELTED})
    assert "Groomer first" in care.routine(felted, dogs.CURLY_KIT).hold


def test_sores_wait_for_the_vet():
    assert "vet" in care.routine(dogs.situation(skin_trouble=frozenset({"sores"})), dogs.CURLY_KIT).hold


def test_an_uncertain_coat_tries_the_gentlest_brush_first_and_names_what_the_groomer_decides():
    doubtful = dogs.situation(categories=frozenset({CoatCategory.CURLY, CoatCategory.MIXED}))
    kit = (dogs.item("firm_slicker"), dogs.item("soft_slicker", order=2), dogs.item("undercoat_rake", "later", None))
    routine = care.routine(doubtful, kit)
    assert "Soft slicker" in routine.trial[0] and "Firm slicker" in routine.trial[1]
    assert any("mixed or curly" in line for line in routine.groomer_decides)
    assert any("Undercoat rake" in line for line in routine.groomer_decides)


def test_a_settled_coat_has_nothing_to_try():
    assert care.routine(dogs.situation(), dogs.CURLY_KIT).trial == ()


def test_the_places_where_knots_begin_are_combed_oftener_than_the_rest():
    cottony = dogs.situation(textures=frozenset({Texture.COTTONY}), wears_harness=True)
    rows = care.routine(cottony, dogs.CURLY_KIT).zones
    assert BodyZone.ARMPITS in rows[0].zones
    assert rows[-1].zones == () and rows[0].times_per_week > rows[-1].times_per_week


def test_a_dog_that_cannot_bear_the_brush_is_trained_and_never_held_down():
    texts = {c.code: c.text for c in care.cautions(dogs.situation(patience=Patience.CANNOT_BEAR), dogs.CURLY_KIT)}
    assert "Train first" in texts["panic"] and "No brushing by force" in texts["panic"]


def test_every_tool_of_the_catalogue_has_a_stroke_of_its_own():
    from coatclass.care._strokes import family

    from coatclass import toolkit

    assert {tool: family(tool) for tool in toolkit.catalogue() if family(tool) == "other"} == {}
    assert family("stripping_stone") == "stone" and family("firm_pin_brush") == "pin_brush"


def test_a_stroke_is_explained_once_and_then_pointed_to():
    kit = (dogs.item("long_pin_slicker"), dogs.item("soft_slicker", order=2), dogs.item("wide_comb", order=3))
    steps = care.routine(dogs.situation(), kit).steps
    assert steps[2].technique == "line_brush" and "step 2" in steps[2].do


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_the_recommenders_own_kit_makes_a_routine_with_a_brush_or_a_reason_why_not(situation):
    from coatclass import toolkit

    kit = toolkit.recommend(situation)
    routine = care.routine(situation, kit)
    if not routine.leave and not routine.hold and situation.patience is not Patience.CANNOT_BEAR:
        assert any(step.tool for step in routine.steps)


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_nothing_is_tried_on_a_settled_coat_or_on_a_matted_flank_and_every_trial_is_a_brush_of_the_kit(situation, kit):
    routine = care.routine(situation, kit)
    if len(situation.categories) == 1 or BodyZone.TRUNK in routine.leave:
        assert routine.trial == ()
    else:
        named = [item.name for item in kit if any(item.name in line for line in routine.trial)]
        assert not any("comb" in name or "stone" in name or "rake" in name or "knife" in name for name in named)
        assert "ask the groomer" in routine.trial[-1]


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_the_plan_never_says_two_things_at_once(situation, kit):
    routine = care.routine(situation, kit)
    codes = {caution.code for caution in care.cautions(situation, kit)}
    assert ("No bath now" in routine.bath) == ("no_bath_on_mats" in codes)
    assert bool(routine.ladder) == any(step.technique == "knots" for step in routine.steps)
    assert bool(routine.leave) == any(step.technique == "leave" for step in routine.steps)
    low, high = routine.sessions_per_week
    assert 1 <= low <= high <= 7
    assert [row.times_per_week for row in routine.zones] == sorted(
        (r.times_per_week for r in routine.zones), reverse=True
    )
    shown = {code for step in routine.steps for code in step.cautions}
    assert shown <= codes
