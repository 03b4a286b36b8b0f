"""The technique check at a visit: when it may be done, and what it changes. What is common practice has no source."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import product

import pytest
from care_dogs import situation
from pydantic import ValidationError

from coatclass import care
from coatclass.contract import CoatSituation, Fault, PlanChange, Role, TechniqueCheck, VisitNote
from coatclass.planning import Plan, advise, plan
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience
from coatclass.toolkit import catalogue, tool_name
from coatclass.triage import triage

Z = BodyZone
TODAY = date(2026, 3, 2)
COMMON: dict[str, object] = {"weight_kg": 12.0, "measured_mm": 40.0, "minutes_per_week": 120.0}


def note(day: date = date(2026, 2, 1), **check: object) -> VisitNote:
    return VisitNote(on=day, check=TechniqueCheck(**check))  # type: ignore[arg-type]


def after(*notes: VisitNote, language: str = "en", **known: object) -> Plan:
    return plan(situation(**(COMMON | known), notes=notes), today=TODAY, language=language)


def kinds(changes: tuple[PlanChange, ...]) -> list[str]:
    return [one.kind for one in changes]


def one_of(changes: tuple[PlanChange, ...], kind: str) -> PlanChange:
    return next(one for one in changes if one.kind == kind)


# --- what a check is --------------------------------------------------------------------------------------------------


def test_no_zone_both_passes_and_stops_the_comb_and_a_check_names_a_zone() -> None:
    with pytest.raises(ValidationError, match="not both"):
        TechniqueCheck(passed=(Z.LEGS,), stopped=(Z.LEGS,))
    with pytest.raises(ValidationError, match="at least one"):
        TechniqueCheck()


@pytest.mark.parametrize(
    "known",
    [
        {"skin_trouble": frozenset({"pain"})},
        {"skin": {Z.LEGS: "pain"}, "skin_trouble": frozenset({"pain"})},
        {"skin": {Z.BELLY: "sores"}, "skin_trouble": frozenset({"sores"})},
        {"skin_trouble": frozenset({"parasites"})},
        {"patience": Patience.CANNOT_BEAR},
        {"mats": {Z.TRUNK: MatState.FELTED}},
    ],
)
def test_a_dog_in_pain_sore_felted_or_that_cannot_bear_it_gets_no_check(known: dict[str, object]) -> None:
    assert care.zones_to_check(triage(situation(**known))) == ()


def test_the_check_leaves_out_places_that_wait_for_others() -> None:
    found = triage(situation(mats={Z.ARMPITS: MatState.TIGHT_MATS}, skin={Z.GROIN: "redness"},
                             skin_trouble=frozenset({"redness"})))  # fmt: skip
    assert not {Z.ARMPITS, Z.GROIN} & set(care.zones_to_check(found))
    assert Z.LEGS in care.zones_to_check(found)


# --- what it changes --------------------------------------------------------------------------------------------------


def test_without_a_check_nothing_changes() -> None:
    assert after().changes == ()
    assert plan(situation(**COMMON, notes=(VisitNote(on=TODAY, minutes=60),)), today=TODAY).changes == ()


def test_a_passed_check_says_go_on_and_changes_nothing_else() -> None:
    passed = after(note(passed=(Z.LEGS, Z.ARMPITS)))
    assert kinds(passed.changes) == ["keep"]
    assert (passed.now.kit, passed.now.week, passed.now.length) == (
        after().now.kit, after().now.week, after().now.length
    )  # fmt: skip


def test_surface_brushing_teaches_the_parting_and_makes_the_comb_a_must() -> None:
    found = after(note(stopped=(Z.LEGS,), faults=(Fault.SURFACE_ONLY,)))
    assert "Part the hair" in one_of(found.changes, "technique").text
    for before, since in zip(after().now.kit, found.now.kit, strict=True):
        comb = catalogue()[since.tool].family == "comb"
        assert since.role is (Role.ESSENTIAL if comb and before.role is Role.HELPFUL else before.role)


def test_a_brush_that_does_not_reach_is_left_out_and_the_right_tools_are_named() -> None:
    found = after(note(stopped=(Z.LEGS,), faults=(Fault.WRONG_TOOL,), tool="boar_bristle_brush"))
    assert [item.role for item in found.now.kit if item.tool == "boar_bristle_brush"] == [Role.AVOID]
    text = one_of(found.changes, "kit").text
    assert tool_name("wide_comb").lower() in text.lower()


def test_the_right_brush_used_badly_stays_in_the_kit() -> None:
    right = next(item.tool for item in after().now.kit if item.role is Role.ESSENTIAL)
    found = after(note(stopped=(Z.LEGS,), faults=(Fault.WRONG_TOOL,), tool=right))
    assert [item.role for item in found.now.kit if item.tool == right] == [Role.ESSENTIAL]


def test_where_the_comb_stopped_it_goes_oftener_and_oftenest_where_it_was_done_too_seldom() -> None:
    week = [after(*notes).now.week for notes in ((), (note(stopped=(Z.TAIL,)),),
                                                  (note(stopped=(Z.TAIL,), faults=(Fault.TOO_SELDOM,)),))]  # fmt: skip
    assert all(one is not None for one in week)
    none, stopped, seldom = (one for one in week if one is not None)
    assert Z.TAIL in stopped.touch_up_zones
    assert none.touch_ups <= stopped.touch_ups <= seldom.touch_ups
    assert none.touch_ups < seldom.touch_ups
    legs = after(note(stopped=(Z.LEGS,))).now.week
    assert legs is not None and Z.LEGS in legs.touch_up_zones, "also where knots do not usually begin"
    found = after(note(stopped=(Z.TAIL,), faults=(Fault.TOO_SELDOM,)))
    assert Z.TAIL in one_of(found.changes, "frequency").zones


def test_the_comb_going_through_again_takes_the_extra_days_back() -> None:
    failed = note(stopped=(Z.TAIL,), faults=(Fault.TOO_SELDOM,))
    passed = note(date(2026, 2, 20), passed=(Z.TAIL,))
    assert after(failed, passed).now.week == after().now.week


def test_a_second_failure_keeps_a_cut_coat_short_and_has_others_brushed_out() -> None:
    twice = (note(stopped=(Z.LEGS,)), note(date(2026, 2, 20), stopped=(Z.LEGS,)))
    cut = after(*twice)
    assert cut.now.length is not None and cut.now.length.kind in ("not_longer", "shorter")
    assert "kept short" in one_of(cut.changes, "length").text
    double = after(*twice, categories=frozenset({CoatCategory.ARCTIC}))
    assert double.now.length is None or double.now.length.kind != "shorter"
    assert "not cut short" in one_of(double.changes, "length").text
    assert not any(one.kind == "length" for one in after(twice[0]).changes)


def test_an_assessment_tells_the_same_changes_as_the_plan() -> None:
    dog = situation(**COMMON, notes=(note(stopped=(Z.LEGS,), faults=(Fault.WET,)),))
    assert advise(dog).changes == plan(dog, today=TODAY).changes


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_fault_has_a_sentence(language: str) -> None:
    for fault in Fault:
        changes = after(note(stopped=(Z.LEGS,), faults=(fault,)), language=language).changes
        assert changes and all(one.text and one.source for one in changes), fault


# --- safety -----------------------------------------------------------------------------------------------------------

TROUBLES = (None, "sores", "redness", "pain", "parasites")


def grid() -> list[CoatSituation]:
    rows = product(
        (CoatCategory.CURLY, CoatCategory.ARCTIC, CoatCategory.WIRE), (Z.ARMPITS, Z.TRUNK, Z.LEGS), MatState, TROUBLES,
        (None, Patience.FIDGETS, Patience.CANNOT_BEAR), (3.0, 40.0),
    )  # fmt: skip
    return [
        situation(
            categories=frozenset({coat}), mats={zone: state}, patience=patience, age_months=age, weight_kg=9.0,
            skin={zone: trouble} if trouble else {}, skin_trouble=frozenset({trouble} if trouble else ()),
            measured_mm=45.0, minutes_per_week=90.0,
        )
        for coat, zone, state, trouble, patience, age in rows
    ]  # fmt: skip


@pytest.mark.slow
def test_no_check_asks_for_what_the_triage_forbids() -> None:
    failed = tuple(
        note(date(2026, 1, day), stopped=(Z.ARMPITS, Z.TRUNK, Z.LEGS), faults=tuple(Fault), tool="boar_bristle_brush")
        for day in (1, 20)
    )
    for dog in grid():
        before, since = advise(dog), advise(replace(dog, notes=failed))
        assert before.now.triage == since.now.triage
        cleared = since.now.triage.cleared(comb=True)
        for change in since.changes:
            assert set(change.zones) <= cleared
        if not since.now.triage.session.open:
            assert kinds(since.changes) == ["wait"]
            assert since.now.week is None
        if since.now.week is not None:
            assert set(since.now.week.touch_up_zones) <= cleared
        if since.now.length is not None and not since.now.triage.shorter.open and not since.now.triage.comes_off:
            assert since.now.length.kind != "shorter"
        checked = care.zones_to_check(since.now.triage)
        assert set(checked) <= cleared
        if "pain" in dog.skin_trouble:
            assert checked == ()
        for phase in (since.now, since.after):
            if phase is not None and not phase.triage.shopping.open:
                assert all(item.role in (Role.LATER, Role.AVOID) for item in phase.kit)


def test_an_old_check_says_nothing_of_todays_brushing_but_its_visit_stays() -> None:
    # Common practice, no source.
    old, new = note(date(2025, 3, 1), stopped=(Z.LEGS,)), note(date(2026, 2, 1), stopped=(Z.TAIL,))
    kept = care.notes_that_hold((old, new), TODAY)
    assert [one.on for one in kept] == [old.on, new.on]
    assert kept[0].check is None and kept[1] == new
    dog = situation(**COMMON, notes=(new, old))
    assert plan(dog, today=TODAY).now.situation.notes == advise(dog, today=TODAY).now.situation.notes == kept
    assert not plan(replace(dog, notes=(old,)), today=TODAY).changes and advise(replace(dog, notes=(old,))).changes


@pytest.mark.parametrize(
    ("born", "found", "today", "worn"),
    [
        (date(2025, 11, 1), date(2026, 1, 1), date(2026, 3, 2), True),  # still a puppy
        (date(2025, 8, 1), date(2026, 1, 1), date(2026, 3, 2), False),  # its puppy coat is gone
        (date(2025, 1, 1), date(2025, 12, 1), date(2026, 3, 2), True),  # changing, felt this winter
        (date(2024, 9, 1), date(2025, 6, 1), date(2026, 3, 2), False),  # changing, felt nine months ago
        (date(2020, 1, 1), date(2022, 1, 1), date(2026, 3, 2), True),  # grown
        (None, date(2020, 1, 1), date(2026, 3, 2), True),  # nobody knows its age
    ],
)
def test_what_hands_found_on_a_puppy_coat_ends_with_it(born: date, found: date, today: date, worn: bool) -> None:
    # Common practice, no source: the grown coat comes in between about 6 and 18 months.
    assert care.coat_still_worn(found, today, born) is worn
