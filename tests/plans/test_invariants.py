"""What must hold in every plan, over exhaustive grids where they fit and drawn dogs elsewhere: safety before advice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from itertools import product

import pytest
from care_dogs import situation, situations
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import CoatSituation, KitItem, Role, Triage
from coatclass.planning import Phase, Plan, plan
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience
from coatclass.toolkit import catalogue
from coatclass.triage import bare, triage

TODAY = date(2026, 3, 2)
TROUBLES = (None, "sores", "redness", "smell", "pain", "parasites", "lump", "ear_trouble")
MOST_MINUTES_PER_WEEK = 20 * 60


def phases(whole: Plan) -> Iterator[Phase]:
    yield from (phase for phase in (whole.now, whole.after, whole.grown) if phase is not None)


def in_use(kit: Iterable[KitItem]) -> list[KitItem]:
    return [item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]


def cleared_for(tool: str, found: Triage) -> frozenset[BodyZone]:
    known = catalogue()[tool]
    return found.cleared(known.drag, comb="comb" in known.family or known.family == "comb")


def check(whole: Plan) -> None:
    """Every invariant of a typed plan."""
    for phase in phases(whole):
        check_tools(phase)
        check_steps(phase)
        check_week(phase)
        check_length(phase)
    check_now(whole)
    check_dates(whole)


def check_tools(phase: Phase) -> None:
    for item in in_use(phase.kit):
        assert item.zones, f"{item.tool} has no place to work"
        assert set(item.zones) <= cleared_for(item.tool, phase.triage), item.tool
    if not phase.triage.shopping.open:
        assert not in_use(phase.kit)
    if (age := phase.situation.age_months) is not None and age < 6:
        assert all(catalogue()[item.tool].drag == "gentle" and not catalogue()[item.tool].blade
                   for item in in_use(phase.kit))  # fmt: skip
    check_short(phase)
    ordered = sorted(in_use(phase.kit), key=lambda item: item.order or 0)
    if any(item.role is Role.ESSENTIAL for item in ordered):
        assert ordered[0].role is Role.ESSENTIAL, "the tool named first is needed"


def check_short(phase: Phase) -> None:
    """No comb over a trunk too short for it, no wire over bare skin; every place that may be touched is served."""
    dog, mm = phase.situation, phase.situation.measured_mm
    used = {item.tool: set(item.zones) for item in in_use(phase.kit)}
    if bare(dog):
        assert set(used) <= {"soft_bristle_brush"}
    if mm is not None and mm < 9:
        for tool, zones in used.items():
            assert "comb" not in catalogue()[tool].family or BodyZone.TRUNK not in zones, f"{tool} at {mm} mm"
        if set(dog.categories) == {CoatCategory.FUR} and not dog.mats and not dog.long_furnishings:
            assert len(used) <= (2 if dog.sensitive_skin else 1), "one soft tool is enough"
    if phase.week is not None:
        served = {zone for step in phase.routine.steps if step.technique not in ("look", "end") for zone in step.zones}
        face = {BodyZone.FACE} & phase.triage.cleared()
        assert face <= served, "nobody says how the face is cared for"


def check_steps(phase: Phase) -> None:
    kept = {item.tool for item in in_use(phase.kit)}
    alone = set(phase.triage.left_alone)
    for step in phase.routine.steps:
        if step.technique.startswith("leave"):
            assert set(step.zones) <= alone
            continue
        if step.tool is not None:
            assert step.tool in kept, f"a step with {step.tool}, which is not in the kit"
            assert set(step.zones) <= cleared_for(step.tool, phase.triage), step.title
        if step.tool is not None and _may_meet_a_lump(phase.situation, step.zones):
            assert "round_lump" in step.cautions, f"{step.title} goes over a lump"
        assert step.zones or not alone or step.technique in ("look", "training", "end"), step.title
        assert not set(step.zones) & alone, step.title
    if phase.routine.ladder:
        assert phase.triage.knots & {zone for zone, state in phase.situation.mats.items() if state.severity}
        assert phase.triage.session.open


def _may_meet_a_lump(dog: CoatSituation, zones: Iterable[BodyZone]) -> bool:
    there = {zone for zone, trouble in dog.skin.items() if trouble == "lump"}
    return bool(there & set(zones)) or ("lump" in dog.skin_trouble and not there)


def check_week(phase: Phase) -> None:
    week = phase.week
    if not phase.triage.session.open:
        assert week is None
        return
    assert week is not None
    alone = set(phase.triage.left_alone)
    assert week.days.count("session") == week.sittings
    assert week.days.count("touch_up") == week.touch_ups
    assert week.sittings >= week.rounds
    assert not set(week.touch_up_zones) & alone
    assert set(week.touch_up_zones) <= phase.triage.having
    for row in phase.routine.zones:
        assert not set(row.zones) & alone
        assert set(row.zones) <= phase.triage.having
    assert phase.routine.sessions_per_week[0] == week.rounds
    if phase.time is not None and week.sitting_minutes is not None:
        assert 0 < week.sitting_minutes * week.sittings <= MOST_MINUTES_PER_WEEK * 1.001


def check_length(phase: Phase) -> None:
    advice, found = phase.length, phase.triage
    if advice is None:
        return
    if not found.shorter.open and not found.comes_off:
        assert advice.kind != "shorter"
    if not found.growth.open:
        assert advice.kind not in ("may_grow", "fits"), advice
    if found.comes_off:
        assert advice.kind == "comes_off"


def check_now(whole: Plan) -> None:
    now = whole.now.triage
    if not now.session.open or now.left_alone:
        assert whole.visit, "somebody has to see this dog, and nobody is told"
    if not now.session.open or now.comes_off:
        assert whole.after is not None
    if now.first.value == "vet":
        assert whole.visit[0].who.value == "vet"


def check_dates(whole: Plan) -> None:
    now = whole.now.triage
    kinds = {event.kind for event in whole.events}
    if not now.bath.open:
        assert "bath" not in kinds
    if not now.session.open:
        assert not kinds & {"session", "touch_up", "bath"}
    if not now.growth.open:
        assert not kinds & {"kit_change"}
    for event in whole.events:
        assert not set(event.zones) & set(now.left_alone)
        assert event.start >= whole.today


@pytest.mark.slow
def test_no_plan_touches_what_is_not_cleared_zone_by_mat_by_skin_by_behaviour() -> None:
    seen = 0
    for zone, state, trouble, patience in product(BodyZone, MatState, TROUBLES, (None, *Patience)):
        for where in ({}, {zone: trouble}) if trouble not in (None, "ear_trouble") else ({},):
            dog = situation(
                mats={zone: state},
                skin_trouble=frozenset({trouble} if trouble else ()),
                skin=where,
                patience=patience,
                weight_kg=12.0,
                measured_mm=40.0,
            )
            check(plan(dog, today=TODAY))
            seen += 1
    assert seen > 5000


@pytest.mark.slow
def test_no_coat_at_any_length_or_age_gets_what_is_not_cleared() -> None:
    lengths, ages = (1.0, 5.0, 19.0, 30.0, 75.0, 180.0), (3.0, 10.0, 40.0)
    for coat, mm, age, state in product(CoatCategory, lengths, ages, (MatState.NONE, MatState.MATS, MatState.FELTED)):
        dog = situation(
            categories=frozenset({coat}), measured_mm=mm, age_months=age, weight_kg=12.0,
            mats={BodyZone.CHEST: state, BodyZone.TRUNK: state},
        )  # fmt: skip
        check(plan(dog, today=TODAY))


@settings(max_examples=150, deadline=None)
@given(situations)
def test_no_drawn_dog_gets_what_is_not_cleared(dog: CoatSituation) -> None:
    check(plan(dog, today=TODAY))


@given(situations, st.sampled_from([24.9, 25.0, 30.0, 52.0, 74.8]))
@settings(max_examples=60, deadline=None)
def test_a_tenth_of_a_millimetre_across_no_limit_of_the_trade_changes_no_tool_step_or_advice(
    dog: CoatSituation, mm: float
) -> None:
    if mm < 25.0 <= mm + 0.1:
        return
    dog = replace(dog, wished_length_mm=None)
    one, other = (plan(replace(dog, measured_mm=length), today=TODAY) for length in (mm, mm + 0.1))
    for before, after in zip(phases(one), phases(other), strict=True):
        assert [(item.tool, item.role, item.zones) for item in before.kit] == [
            (item.tool, item.role, item.zones) for item in after.kit
        ]
        assert [step.title for step in before.routine.steps] == [step.title for step in after.routine.steps]


@pytest.mark.parametrize("mats", [{}, {BodyZone.CHEST: MatState.MATS}])
def test_at_twenty_five_millimetres_there_is_no_cliff_in_the_length_advice(mats: dict[BodyZone, MatState]) -> None:
    lengths = (24.9, 25.0, 25.1)
    advice = [
        plan(
            situation(
                categories=frozenset({CoatCategory.HAIR}),
                measured_mm=mm,
                mats=mats,
                weight_kg=6.0,
                minutes_per_week=100.0,
            ),
            today=TODAY,
        ).now.length
        for mm in lengths
    ]
    assert len({one.kind for one in advice if one is not None}) == 1


def test_the_same_dog_gets_the_same_plan() -> None:
    dog = situation(mats={BodyZone.LEGS: MatState.MATS}, weight_kg=12.0)
    assert plan(dog, today=TODAY) == plan(dog, today=TODAY)
    assert triage(dog) == triage(dog)


# Common practice, no source.
def test_a_lump_is_still_gone_round_after_the_visit() -> None:
    for where in ({}, {BodyZone.LEGS: "lump"}):
        dog = situation(
            skin_trouble=frozenset({"lump"}), skin=where, mats={BodyZone.LEGS: MatState.MATS}, weight_kg=12.0,
            measured_mm=40.0,
        )  # fmt: skip
        after = plan(dog, today=TODAY).after
        assert after is not None and "lump" in after.triage.rules
        check_tools(after)
        check_steps(after)
        assert BodyZone.LEGS not in after.triage.cleared("moderate")
