"""The whole plan of one dog: phases, visit, and nothing in any of them that the triage keeps closed."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import care_dogs as dogs
import pytest
from hypothesis import given, settings

from coatclass import care, planning, toolkit
from coatclass.contract import Assessment, Role, Who
from coatclass.planning import Phase
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience, Undercoat, band_of_mm
from coatclass.triage import rules, triage
from coatclass.words import LANGUAGES, catalogue

TODAY = date(2026, 3, 2)
TROUBLES = ("sores", "redness", "smell", "pain", "parasites")


def phases_of(advice: planning.Advice) -> list[Phase]:
    return [phase for phase in (advice.now, advice.after, advice.grown) if phase is not None]


def check(phase: Phase) -> None:
    """Nothing in a phase reaches a zone or a deed that its own triage keeps closed."""
    found, routine = phase.triage, phase.routine
    tools = toolkit.catalogue()
    for item in phase.kit:
        if item.role in (Role.ESSENTIAL, Role.HELPFUL):
            tool = tools[item.tool]
            assert item.zones, item.tool
            assert set(item.zones) <= found.cleared(tool.drag, comb=tool.job in ("comb", "detail")), item.tool
            assert found.shopping.open
    combed = found.cleared(comb=True)
    if phase.week is not None:
        assert found.session.open
        assert set(phase.week.touch_up_zones) <= combed
    else:
        assert not any(step.tool for step in routine.steps)
    assert {row.zone for row in phase.load} == found.having
    assert not routine.bath_steps or found.bath.open
    assert not routine.ladder or found.knots
    assert not phase.training or found.training.open
    if phase.length is not None:
        assert phase.length.kind != "shorter" or found.shorter.open
        assert phase.length.kind not in ("may_grow", "fits") or found.growth.open
    ladder = " ".join(routine.ladder)
    assert found.shorter.open or not ("shorter" in ladder or "kürzer" in ladder)


@settings(max_examples=150, deadline=None)
@given(dogs.situations)
def test_no_phase_reaches_what_its_triage_keeps_closed(situation):
    for phase in phases_of(planning.advise(situation)):
        check(phase)


@pytest.mark.parametrize("patience", [None, Patience.CANNOT_BEAR])
@pytest.mark.parametrize("coat", [CoatCategory.CURLY, CoatCategory.ARCTIC])
def test_one_zone_with_one_trouble_is_obeyed_everywhere(coat, patience):
    """Every zone x knots x trouble of the skin: 17 x 5 x 6 dogs for each of these coats and tempers."""
    for zone, state, trouble in product(BodyZone, MatState, (None, *TROUBLES)):
        dog = dogs.situation(
            categories=frozenset({coat}), mats={zone: state}, skin={zone: trouble} if trouble else {},
            patience=patience, weight_kg=8.0,
        )  # fmt: skip
        advice = planning.advise(dog)
        check(advice.now)
        touched = [step for step in advice.now.routine.steps if not step.technique.startswith("leave")]
        if zone in advice.now.triage.left_alone:
            assert not any(zone in step.zones for step in touched)
            assert advice.after is not None and advice.visit


@settings(max_examples=80, deadline=None)
@given(dogs.situations)
def test_who_waits_for_somebody_has_a_visit_and_a_time_after_it(situation):
    advice = planning.advise(situation)
    found = advice.now.triage
    waits = found.first is not Who.OWNER or not found.session.open or bool(found.left_alone)
    # A lump is shown to a vet as well, but nothing waits for it: gentle tools go round it meanwhile.
    stops = [ask for ask in advice.visit if ask.rule != "lump"]
    assert (advice.after is not None) == waits == bool(stops)
    whom = [ask.who for ask in stops]
    assert whom == sorted(whom, key=lambda who: who is not Who.VET)
    if advice.after is not None:
        assert advice.after.week is not None and not advice.after.routine.hold
        assert not advice.after.triage.left_alone
    assert not waits or max(whom, key=[Who.OWNER, Who.GROOMER, Who.VET].index) is found.first


@settings(max_examples=40, deadline=None)
@given(dogs.situations)
def test_every_language_has_the_same_plan_and_words_for_all_of_it(situation):
    english, german = (planning.plan(situation, today=TODAY, language=language) for language in ("en", "de"))
    assert [ask.rule for ask in english.visit] == [ask.rule for ask in german.visit]
    assert english.now.week == german.now.week and english.events == german.events
    assert english == planning.plan(situation, today=TODAY)


def test_every_rule_that_sends_to_vet_or_groomer_has_a_question_for_them_and_every_rule_a_reason():
    for language in LANGUAGES:
        words = catalogue(language, "triage")
        for rule in rules():
            assert words.has(f"why.{rule.id}"), rule.id
            # Mats that an owner could work on are asked about only where nobody may brush now.
            asked = rule.id == "mats" or (rule.first is not Who.OWNER and rule.id != "tight-mats-weak-tools")
            assert words.has(f"ask.{rule.id}") == asked


# --- felt ------------------------------------------------------------------------------------------------------------


def test_a_coat_that_comes_off_has_nothing_to_buy_no_week_and_a_plan_for_the_length_after():
    dog = dogs.situation(mats={BodyZone.TRUNK: MatState.FELTED}, measured_mm=60.0, weight_kg=8.0, minutes_per_week=60.0)
    plan = planning.plan(dog, today=TODAY)
    assert not [item for item in plan.now.kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]
    assert plan.now.week is None and plan.now.time is None and plan.now.length.kind == "comes_off"
    assert plan.growth.crossings == () and plan.growth.trim is None
    assert plan.after.situation.measured_mm == 9.0
    bought = {item.tool for item in plan.after.kit if item.role is Role.ESSENTIAL}
    assert bought and bought != {item.tool for item in toolkit_for(replace(dog, mats={}))}
    assert plan.routine_phase is plan.after
    assert plan.visit[0].who is Who.GROOMER and BodyZone.TRUNK in plan.visit[0].zones


def toolkit_for(dog):
    return [item for item in planning.advise(dog).now.kit if item.role is Role.ESSENTIAL]


# --- skin ------------------------------------------------------------------------------------------------------------


def test_a_red_belly_leaves_the_belly_alone_and_the_rest_to_gentle_tools():
    dog = dogs.situation(skin={BodyZone.BELLY: "redness"}, mats={BodyZone.BELLY: MatState.TANGLES})
    advice = planning.advise(dog)
    assert advice.now.week is not None and advice.now.routine.leave == (BodyZone.BELLY,)
    assert not any(
        BodyZone.BELLY in step.zones for step in advice.now.routine.steps if step.technique != "leave_vet"
    )  # fmt: skip
    assert [ask.zones for ask in advice.visit] == [(BodyZone.BELLY,)]


def test_ear_trouble_keeps_tools_and_the_last_check_from_the_ears():
    routine = planning.advise(dogs.situation(skin_trouble=frozenset({"ear_trouble"}))).now.routine
    ears = {BodyZone.EARS, BodyZone.BEHIND_EARS}
    for step in routine.steps:
        assert step.technique == "leave_vet" or not ears & set(step.zones)


# --- puppies ---------------------------------------------------------------------------------------------------------


def test_a_puppy_has_gentle_tools_now_and_the_grown_coats_tools_later():
    plan = planning.plan(dogs.situation(age_months=3.0, weight_kg=4.0), today=TODAY)
    drags = {toolkit.catalogue()[item.tool].drag for item in plan.now.kit if item.role is Role.ESSENTIAL}
    assert drags == {"gentle"}
    assert plan.grown is not None and plan.grown.triage.rules == ()
    assert {item.tool for item in plan.grown.kit} >= {"firm_slicker"}
    assert plan.grown.time is None and plan.grown.length is None  # its weight then is not known
    assert planning.plan(dogs.situation(age_months=30.0), today=TODAY).grown is None


def test_a_puppy_is_not_told_that_its_brush_is_too_soft():
    pup, grown = (planning.advise(dogs.situation(age_months=age)).now.routine.errors for age in (3.0, 30.0))
    assert not any("puppy" in line for line in pup) and any("puppy" in line for line in grown)


# --- zones that a dog does not have ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_a_zone_that_the_dog_does_not_have_is_nowhere(situation):
    plan = planning.plan(situation, today=TODAY)
    having = triage(situation).having
    named = [zone for step in plan.now.routine.steps for zone in step.zones]
    named += [zone for row in plan.now.routine.zones for zone in row.zones]
    named += [zone for item in plan.now.kit if item.role is not Role.LATER for zone in item.zones]
    named += [zone for caution in plan.cautions for zone in caution.zones]
    named += [zone for event in plan.events for zone in event.zones]
    named += [zone for ask in plan.visit for zone in ask.zones]
    assert set(named) <= having


# --- growth ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm", [18.9, 24.9, 25.0, 25.1, 60.0])
def test_a_matted_dog_has_no_dates_of_growth_at_any_length(mm):
    dog = dogs.situation(measured_mm=mm, mats={BodyZone.LEGS: MatState.MATS}, weight_kg=8.0, minutes_per_week=600.0)
    growth = planning.plan(dog, today=TODAY).growth
    assert growth.held and growth.crossings == () and growth.trim is None


def test_the_next_trim_is_due_at_the_length_that_the_advice_names():
    dog = dogs.situation(measured_mm=22.0, weight_kg=8.0, minutes_per_week=90.0)
    plan = planning.plan(dog, today=TODAY)
    assert plan.now.length.kind == "may_grow"
    assert plan.growth.trim_mm == plan.now.length.mm
    assert all(crossing.mm <= plan.now.length.mm for crossing in plan.growth.crossings)


def test_a_tenth_of_a_millimetre_between_the_limits_is_the_same_plan():
    for mm in (12.0, 21.0, 25.0, 40.0, 90.0):
        plans = [
            planning.plan(dogs.situation(measured_mm=at, weight_kg=8.0, minutes_per_week=60.0), today=TODAY)
            for at in (mm, mm + 0.1)
        ]
        first, second = ((p.now.kit, p.now.routine, p.now.week, p.now.time, p.now.length, p.visit) for p in plans)
        assert first == second
        assert band_of_mm(mm) is band_of_mm(mm + 0.1)


# --- a groomer's own kit ---------------------------------------------------------------------------------------------


def test_a_groomers_own_kit_is_held_to_the_same_triage():
    own = (dogs.item("firm_slicker"), dogs.item("wide_comb", order=2))
    dog = dogs.situation(skin={BodyZone.BELLY: "redness"})
    kit = {item.tool: item for item in planning.advise(dog, kit=own).now.kit}
    assert kit["firm_slicker"].role is Role.LATER  # only gentle tools beside red skin
    assert kit["wide_comb"].role is Role.ESSENTIAL and BodyZone.BELLY not in kit["wide_comb"].zones
    felted = planning.advise(dogs.situation(mats={BodyZone.TRUNK: MatState.FELTED}), kit=own)
    assert {item.role for item in felted.now.kit} == {Role.LATER}
    assert {item.role for item in felted.after.kit} == {Role.ESSENTIAL}


# --- the public JSON -------------------------------------------------------------------------------------------------


def test_the_assessment_tells_the_same_plan_and_reads_back():
    from coatclass import answers
    from coatclass.assessing import assess

    told = assess((), answers.parse({"curl": "curly", "mats": {"trunk": "felted"}, "trunk_length_mm": 60}))
    assert told.schema_version == 2
    assert told.triage.comes_off and told.length.kind == "comes_off"
    assert told.after is not None and told.after.week is not None and told.week is None
    assert Assessment.model_validate(json.loads(told.model_dump_json())) == told


def test_an_assessment_of_version_1_still_reads():
    old = {
        "schema_version": 1, "model_version": "1", "rules_version": "1", "regime": "none", "category": None,
        "length_band": None, "verdict": "hands_on",
        "routine": {"sessions_per_week": [1, 2], "steps": [{"order": 1, "tool": None, "zones": [], "do": "look",
                                                            "done_when": "done"}]},
    }  # fmt: skip
    read = Assessment.model_validate(old)
    assert read.schema_version == 1 and read.triage is None and read.routine.steps[0].zones == ()


# --- one voice about lengths -----------------------------------------------------------------------------------------


@settings(max_examples=80, deadline=None)
@given(dogs.situations)
def test_calendar_and_visits_to_come_cut_the_coat_on_the_same_day_and_no_coat_that_is_not_cut(situation):
    plan = planning.plan(situation, today=TODAY)
    trims = [event.start for event in plan.events if event.kind == "trim"]
    cuts = [rung.on for rung in plan.clips if rung.kind == "clip"]
    assert not trims or care.may_be_cut(plan.now.situation, plan.now.triage)
    if trims and cuts and plan.after is None and plan.now.length.mm == plan.growth.trim_mm:
        ceiling = plan.growth.trim_mm
        lowest = 9 + 21 * plan.growth.rate.mean  # the shortest coat grows for three weeks at least
        assert ceiling < lowest or abs((cuts[0] - trims[0]).days) <= 7


@pytest.mark.parametrize(
    ("coats", "known", "says"),
    [
        ({CoatCategory.ARCTIC}, {}, "A double coat is not clipped short"),
        ({CoatCategory.FUR}, {"undercoats": frozenset({Undercoat.NONE})}, "A flat coat that sheds"),
        ({CoatCategory.FUR, CoatCategory.HAIR}, {}, "for a groomer's hands to say"),
        ({CoatCategory.WIRE}, {"hand_stripped": True}, "A hand-stripped coat is not clipped"),
        ({CoatCategory.CURLY}, {}, "Your wish of 20 mm"),
    ],
)
def test_a_wish_for_a_short_coat_is_answered_by_name(coats, known, says):
    # Common practice, no source; that clipped double coats may grow back changed: Univ. Minnesota textbook ch. 1.13.
    dog = dogs.situation(categories=frozenset(coats), measured_mm=60.0, weight_kg=12.0, minutes_per_week=300.0,
                         wished_length_mm=20.0, **known)  # fmt: skip
    plan = planning.plan(dog, today=TODAY)
    assert says in plan.now.length.text and "20 mm" in plan.now.length.text
    if CoatCategory.CURLY not in coats:
        assert plan.now.length.kind != "shorter"
        assert not [event for event in plan.events if event.kind == "trim"]
        assert not [rung for rung in plan.clips if rung.kind == "clip"]


def test_a_wish_that_is_refused_now_is_not_refused_again_for_after_the_visit():
    dog = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}), measured_mm=60.0, weight_kg=20.0,
                         wished_length_mm=20.0, mats={BodyZone.BREECHES: MatState.TIGHT_MATS})  # fmt: skip
    plan = planning.plan(dog, today=TODAY)
    assert plan.after is not None and plan.now.length.text.count("You wish for") == 1
    assert "You wish for" not in plan.after.length.text


def test_a_dog_whose_week_carries_no_coat_is_kept_short_by_the_groomer():
    dog = dogs.situation(
        measured_mm=60.0, weight_kg=25.0, minutes_per_week=20.0, mats={BodyZone.BEHIND_EARS: MatState.MATS}
    )
    plan = planning.plan(dog, today=TODAY)
    assert plan.now.length.kind == plan.after.length.kind == "shorter"
    assert all(rung.mm is None or rung.mm <= 9 for rung in plan.clips)


def test_mats_wait_for_the_vet_with_the_sore_that_keeps_brushes_off():
    dog = dogs.situation(skin={BodyZone.LEGS: "sores"}, mats={BodyZone.LEGS: MatState.MATS})
    assert [(ask.who, ask.rule) for ask in planning.advise(dog).visit] == [(Who.VET, "sores"), (Who.VET, "mats")]


def test_a_pups_rounds_begin_when_its_training_is_through_and_no_date_lies_behind_the_next_look():
    plan = planning.plan(dogs.situation(age_months=4.0, measured_mm=20.0, weight_kg=4.0), today=TODAY)
    days = sum(step.days for step in plan.now.training)
    assert days > 7
    first = min(event.start for event in plan.events if event.kind in ("session", "touch_up", "bath"))
    assert first >= TODAY + timedelta(days=days)
    assert all(one.likely <= plan.growth.look_again[0] for one in plan.growth.crossings)


def test_where_no_brush_of_the_kit_opens_knots_a_comb_that_stops_sends_to_the_fingers():
    dog = dogs.situation(categories=frozenset({CoatCategory.HAIR}), measured_mm=40.0, sparse=True)
    steps = planning.plan(dog, today=TODAY).now.routine.steps
    comb = next(step for step in steps if step.technique == "comb_to_skin")
    assert "with your fingers" in comb.do and "back to the brush" not in comb.do
