"""What the routine promises, whatever the dog."""

from __future__ import annotations

import dataclasses

import care_dogs as dogs
import pytest
from hypothesis import given, settings

from coatclass import care, planning, toolkit
from coatclass.care.coat import CANNOT_BEAR, DOUBLE_COAT, PUPPY, data, family
from coatclass.contract import Role, Touch
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture
from coatclass.triage import rules, triage
from coatclass.words import LANGUAGES, catalogue


def now_of(situation, kit=None, language="en"):
    return planning.advise(situation, kit=kit, language=language).now


def routine_of(situation, kit=None, language="en"):
    return now_of(situation, kit, language).routine


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_a_routine_looks_first_and_ends_with_a_check_while_there_are_sittings(situation, kit):
    phase = now_of(situation, kit)
    routine = phase.routine
    assert [step.order for step in routine.steps] == list(range(1, len(routine.steps) + 1))
    assert routine.steps and routine.bath
    assert all(step.do and step.done_when and step.title and step.zones for step in routine.steps)
    if phase.week is not None:
        assert routine.steps[0].technique == "look" and routine.steps[-1].technique == "end"
        assert routine.errors and not routine.hold
    else:
        assert not any(step.tool for step in routine.steps)
        assert not (routine.errors or routine.ladder or routine.trial or routine.zones or routine.bath_steps)


@settings(max_examples=100, deadline=None)
@given(dogs.situations, dogs.kits)
def test_no_step_and_no_word_goes_where_the_triage_does_not_let_it(situation, kit):
    phase = now_of(situation, kit)
    found, routine = phase.triage, phase.routine
    tools = toolkit.catalogue()
    hands = {one.zone for one in found.zones if one.touch is not Touch.NOTHING}
    for step in routine.steps:
        zones = set(step.zones)
        assert zones <= found.having
        if step.tool is not None:
            tool = tools.get(step.tool)
            drag, comb = (tool.drag, tool.job in ("comb", "detail")) if tool else ("strong", False)
            assert zones <= found.cleared(drag, comb=comb)
        elif step.technique.startswith("leave"):
            assert zones <= set(found.left_alone)
        elif step.technique == "knots":
            assert zones <= found.knots
        else:
            assert zones <= hands
    assert set(routine.leave) == set(found.left_alone)
    left = {zone for step in routine.steps if step.technique.startswith("leave") for zone in step.zones}
    assert left == set(found.left_alone)
    for row in routine.zones:
        assert set(row.zones) <= found.cleared(comb=True)


def test_the_last_check_names_and_combs_only_what_is_cleared():
    dog = dogs.situation(
        mats={BodyZone.BEHIND_EARS: MatState.TIGHT_MATS, BodyZone.ARMPITS: MatState.MATS},
        skin={BodyZone.FEET: "redness"},
    )
    end = routine_of(dog).steps[-1]
    assert set(end.zones) == {BodyZone.NECK, BodyZone.BELLY}
    for word in ("ears", "armpits", "feet"):
        assert word not in end.do


@pytest.mark.parametrize("zone", [BodyZone.BELLY, BodyZone.ARMPITS, BodyZone.EARS, BodyZone.GROIN])
def test_a_knot_on_thin_skin_is_worked_on_with_a_gentle_tool_or_fingers(zone):
    for coat in CoatCategory:
        phase = now_of(dogs.situation(categories=frozenset({coat}), mats={zone: MatState.TANGLES}))
        line = " ".join(phase.routine.ladder)
        firm = [item.name for item in phase.kit if toolkit.catalogue()[item.tool].drag != "gentle"]
        assert phase.routine.ladder and not any(name in line for name in firm)


def test_each_knot_gets_the_tool_that_is_allowed_there():
    dog = dogs.situation(mats={BodyZone.LEGS: MatState.TANGLES, BodyZone.BELLY: MatState.TANGLES})
    kit = (dogs.item("firm_slicker", zones=(BodyZone.LEGS,)), dogs.item("wide_comb", order=2))
    line = next(line for line in routine_of(dog, kit).ladder if "(" in line)
    assert "wide-toothed comb" in line and "firm slicker" not in line  # one tool that may go everywhere comes first
    firm = (dogs.item("firm_slicker", zones=(BodyZone.LEGS,)),)
    line = next(line for line in routine_of(dog, firm).ladder if "(" in line)
    assert "firm slicker: legs" in line and "your fingers" in line


@pytest.mark.parametrize("state", [MatState.TANGLES, MatState.MATS, MatState.TIGHT_MATS, MatState.FELTED])
def test_a_dog_that_cannot_bear_the_brush_gets_no_knot_ladder(state):
    for zone in BodyZone:
        routine = routine_of(dogs.situation(patience=Patience.CANNOT_BEAR, mats={zone: state}))
        assert routine.ladder == () and zone in routine.leave


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_only_tools_for_now_are_used_and_each_in_the_order_of_the_kit(situation, kit):
    phase = now_of(situation, kit)
    used = [step.tool for step in phase.routine.steps if step.tool is not None and step.technique != "again"]
    allowed = {item.tool: item for item in phase.kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)}
    assert set(used) <= set(allowed)
    orders = [allowed[tool].order or 99 for tool in used]
    assert orders == sorted(orders)


@settings(max_examples=30, deadline=None)
@given(dogs.situations, dogs.kits)
def test_the_same_dog_gets_the_same_routine_and_the_same_in_each_language(situation, kit):
    english, again, german = (routine_of(situation, kit, language) for language in ("en", "en", "de"))
    assert english == again
    assert [step.technique for step in english.steps] == [step.technique for step in german.steps]
    assert [step.zones for step in english.steps] == [step.zones for step in german.steps]
    assert english.sessions_per_week == german.sessions_per_week


@settings(max_examples=40, deadline=None)
@given(dogs.situations)
def test_more_coats_still_possible_never_means_less_brushing(situation):
    everything = care.MatRisk(situation)
    found = triage(situation)
    some = care.week_of(situation, found, everything, None)
    any_coat = dataclasses.replace(situation, categories=frozenset(CoatCategory))
    most = care.week_of(any_coat, found, care.MatRisk(any_coat), None)
    assert (some is None) == (most is None)
    assert some is None or most.rounds >= some.rounds


def test_the_routine_of_a_curly_coat_brushes_line_by_line_and_then_combs_to_the_skin():
    steps = routine_of(dogs.situation(), dogs.CURLY_KIT).steps
    assert [step.technique for step in steps] == ["look", "line_brush", "line_firm", "comb_to_skin", "end"]
    assert "from the skin" in steps[1].do and "from the skin to the tip" in steps[3].done_when


def test_an_arctic_coat_is_line_brushed_once_a_week_in_the_trades_order():
    arctic = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}), bands=frozenset({LengthBand.OVER_75MM}))
    arctic = dataclasses.replace(arctic, measured_mm=75.0)
    routine = routine_of(arctic, dogs.ARCTIC_KIT)
    assert routine.sessions_per_week[0] == 1
    assert [step.tool for step in routine.steps if step.tool] == ["firm_pin_brush", "long_pin_slicker", "wide_comb"]


def test_a_wire_coat_ends_with_the_slicker_over_all_again():
    wire = dogs.situation(categories=frozenset({CoatCategory.WIRE}))
    steps = routine_of(wire, dogs.WIRE_KIT).steps
    assert [step.tool for step in steps if step.tool] == [
        "soft_slicker", "medium_comb", "fine_comb", "carding_knife", "soft_slicker",
    ]  # fmt: skip


def test_a_smooth_short_coat_is_brushed_with_the_lay_and_not_line_by_line():
    smooth = dogs.situation(categories=frozenset({CoatCategory.FUR}), bands=frozenset({LengthBand.UNDER_19MM}))
    routine = routine_of(smooth, dogs.FUR_KIT)
    assert not {step.technique for step in routine.steps} & {"line_brush", "line_firm", "comb_to_skin"}
    assert routine.sessions_per_week == (1, 1)


def test_bath_day_begins_with_brushing_on_the_same_day_and_ends_with_the_comb():
    steps = routine_of(dogs.situation(), dogs.CURLY_KIT).bath_steps
    assert "same day" in steps[0] and "brush and comb" in steps[0]
    assert "comb" in steps[-1]


def test_a_matted_dog_is_not_sent_to_the_bath():
    matted = dogs.situation(mats={BodyZone.ARMPITS: MatState.MATS})
    assert "No bath now" in routine_of(matted, dogs.CURLY_KIT).bath


def test_the_ladder_is_shown_for_loose_knots_and_gives_up_in_time():
    knotted = routine_of(dogs.situation(mats={BodyZone.TAIL: MatState.TANGLES}), dogs.CURLY_KIT)
    assert any("Give up after 5 minutes" in line for line in knotted.ladder)
    assert any("firm slicker" in line for line in knotted.ladder)
    assert routine_of(dogs.situation(), dogs.CURLY_KIT).ladder == ()


def test_tight_mats_get_no_ladder():
    tight = dogs.situation(mats={BodyZone.TAIL: MatState.TIGHT_MATS})
    assert routine_of(tight, dogs.CURLY_KIT).ladder == ()


def test_a_felted_body_waits_for_the_groomer():
    felted = dogs.situation(mats={BodyZone.TRUNK: MatState.FELTED})
    assert "Groomer first" in routine_of(felted, dogs.CURLY_KIT).hold


def test_sores_wait_for_the_vet():
    assert "vet" in routine_of(dogs.situation(skin_trouble=frozenset({"sores"})), dogs.CURLY_KIT).hold


def test_an_uncertain_coat_tries_the_gentlest_brush_first_and_names_what_the_groomer_decides():
    doubtful = dogs.situation(categories=frozenset({CoatCategory.CURLY, CoatCategory.MIXED}))
    kit = (dogs.item("firm_slicker"), dogs.item("soft_slicker", order=2), dogs.item("undercoat_rake", "later", None))
    routine = routine_of(doubtful, kit)
    assert "soft slicker" in routine.trial[0] and "firm slicker" in routine.trial[1]
    assert any("mixed or curly" in line for line in routine.groomer_decides)
    assert any("undercoat rake" in line for line in routine.groomer_decides)


def test_a_settled_coat_has_nothing_to_try():
    assert routine_of(dogs.situation(), dogs.CURLY_KIT).trial == ()


def test_a_stroke_is_explained_once_and_then_pointed_to():
    kit = (dogs.item("long_pin_slicker"), dogs.item("soft_slicker", order=2), dogs.item("wide_comb", order=3))
    steps = routine_of(dogs.situation(), kit).steps
    assert steps[2].technique == "line_brush" and "step 2" in steps[2].do


def test_the_places_where_knots_begin_are_combed_oftener_than_the_rest():
    phase = now_of(dogs.situation(textures=frozenset({Texture.COTTONY}), wears_harness=True), dogs.CURLY_KIT)
    rows = phase.routine.zones
    assert BodyZone.ARMPITS in rows[0].zones
    assert set(rows[-1].zones) == phase.triage.having and rows[0].times_per_week > rows[-1].times_per_week


def test_every_tool_of_the_catalogue_has_a_stroke_of_its_own():
    assert {tool: family(tool) for tool in toolkit.catalogue() if family(tool) == "other"} == {}
    assert family("stripping_stone") == "stone" and family("firm_pin_brush") == "pin_brush"


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_the_recommenders_own_kit_makes_a_routine_with_a_tool_or_a_reason_why_not(situation):
    phase = now_of(situation)
    if phase.week is not None and phase.triage.having == phase.triage.cleared(comb=True):
        assert any(step.tool for step in phase.routine.steps)


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_every_trial_is_a_brush_of_the_kit_on_a_flank_that_may_be_brushed(situation, kit):
    phase = now_of(situation, kit)
    trial = phase.routine.trial
    if len(situation.categories) == 1 or phase.week is None or BodyZone.TRUNK not in phase.triage.cleared():
        assert trial == ()
    named = [item for item in phase.kit if any(item.name in line for line in trial)]
    assert all(BodyZone.TRUNK in item.zones for item in named)
    assert not any(word in item.name for item in named for word in ("comb", "stone", "rake", "knife"))
    assert not trial or "ask the groomer" in trial[-1]


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_the_plan_never_says_two_things_at_once(situation, kit):
    advice = planning.advise(situation, kit=kit)
    routine, found = advice.now.routine, advice.now.triage
    codes = {caution.code for caution in advice.cautions}
    assert ("No bath" in routine.bath) == (not found.bath.open or advice.now.week is None)
    assert bool(routine.bath_steps) == ("No bath" not in routine.bath)
    assert bool(routine.ladder) <= any(step.technique == "knots" for step in routine.steps)
    assert bool(routine.hold) == (not found.session.open)
    assert {code for step in routine.steps for code in step.cautions} <= codes
    if routine.hold:
        assert advice.visit and advice.after is not None


# --- bath ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("known", "word"),
    [
        ({"skin_trouble": frozenset({"smell"})}, "vet"),
        ({"mats": {BodyZone.LEGS: MatState.MATS}}, "knots out"),
        ({"mats": {BodyZone.LEGS: MatState.FELTED}}, "First the groomer"),
        ({"patience": Patience.CANNOT_BEAR}, "can't bear"),
    ],
)
def test_no_bath_says_why_and_who_comes_first(known, word):
    routine = routine_of(dogs.situation(**known))
    assert routine.bath.startswith("No bath") and word in routine.bath
    assert routine.bath_steps == ()


# --- training --------------------------------------------------------------------------------------------------------


def test_a_dog_that_cannot_bear_the_brush_is_trained_in_seconds_that_grow_before_any_brushing_week():
    advice = planning.advise(dogs.situation(patience=Patience.CANNOT_BEAR, weight_kg=8.0))
    steps = advice.now.training
    assert advice.now.week is None and advice.after.week is not None
    assert [step.seconds for step in steps] == sorted(step.seconds for step in steps)
    assert steps[0].seconds <= 5 and steps[-1].seconds <= 120
    assert 14 <= sum(step.days for step in steps) <= 42
    assert all(step.do and step.go_on_when for step in steps)
    texts = {c.code: c.text for c in advice.cautions}
    assert "No brushing by force" in texts["panic"]
    assert "lips" in texts["training_signs"] and "vet" in texts["training_help"]


def test_training_waits_for_the_vet_and_for_skin_that_may_be_touched():
    assert planning.advise(
        dogs.situation(patience=Patience.CANNOT_BEAR, skin_trouble=frozenset({"sores"}))
    ).now.training == ()  # fmt: skip
    assert now_of(dogs.situation()).training == ()


def test_training_begins_at_a_place_that_may_be_touched():
    dog = dogs.situation(patience=Patience.CANNOT_BEAR, mats={BodyZone.TRUNK: MatState.TANGLES})
    for language in LANGUAGES:
        words = catalogue(language, "care")
        steps = now_of(dog, language=language).training
        assert words.zone("trunk") not in " ".join(step.do for step in steps[:5])
        assert words.zone("chest") in steps[0].do


def test_every_training_step_has_a_source_and_says_that_nobody_measured_it():
    for row in data("training")["step"]:
        assert "no source" in row["source"] and "assumption" in row["source"]


def test_the_rules_of_the_triage_that_are_asked_for_by_name_exist():
    assert {CANNOT_BEAR, DOUBLE_COAT, PUPPY} <= {rule.id for rule in rules()}
