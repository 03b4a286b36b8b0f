"""Dates: only what the triage leaves open, and the visit."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime, time

import care_dogs as dogs
import pytest
from hypothesis import given, settings

from coatclass import care, planning
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience

TODAY = date(2026, 3, 2)  # a Monday


def events_of(**known):
    plan = planning.plan(dogs.situation(**known), today=TODAY)
    return {event.kind: event for event in plan.events}


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_a_date_is_given_only_to_what_is_open(situation):
    plan = planning.plan(situation, today=TODAY)
    kinds, found = {event.kind for event in plan.events}, plan.now.triage
    assert ("visit" in kinds) == bool(plan.visit)
    assert ("bath" in kinds) == (found.bath.open and plan.now.week is not None)
    assert ("session" in kinds) == (plan.now.week is not None)
    if not found.growth.open:
        assert not kinds & {"kit_change", "trim"}
    if not found.session.open:
        assert kinds <= {"visit", "look_again", "training"}
    assert all(event.start >= TODAY for event in plan.events)


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_the_calendar_has_the_days_of_the_week_plan(situation):
    plan = planning.plan(situation, today=TODAY)
    week = plan.now.week
    days = {event.kind: event.weekdays for event in plan.events}
    for kind in ("session", "touch_up"):
        wanted = tuple(day for day, due in enumerate(week.days) if due == kind) if week else ()
        assert days.get(kind, ()) == wanted
    if "bath" in days:
        assert set(days["bath"]) <= set(days["session"])  # brushing comes first, on the same day


@pytest.mark.parametrize(
    ("known", "gone"),
    [
        ({"skin_trouble": frozenset({"smell"})}, "bath"),
        ({"skin_trouble": frozenset({"redness"}), "skin": {BodyZone.BELLY: "redness"}}, "bath"),
        ({"mats": {BodyZone.TAIL: MatState.MATS}}, "bath"),
        ({"mats": {BodyZone.TAIL: MatState.MATS}}, "trim"),
        ({"skin_trouble": frozenset({"sores"})}, "session"),
        ({"patience": Patience.CANNOT_BEAR}, "session"),
        ({"mats": {BodyZone.TRUNK: MatState.FELTED}}, "kit_change"),
    ],
)
def test_what_has_to_wait_has_no_date(known, gone):
    always = {"measured_mm": 22.0, "weight_kg": 8.0, "minutes_per_week": 90.0, "wished_length_mm": 40.0}
    assert gone in events_of(**always)
    assert gone not in events_of(**always, **known)


def test_a_vets_or_groomers_visit_is_the_next_days_business():
    visit = events_of(skin_trouble=frozenset({"sores"}))["visit"]
    assert visit.start == date(2026, 3, 3) and visit.at is None


def test_a_puppy_on_hold_is_still_looked_at_again():
    assert set(events_of(age_months=5.0, skin_trouble=frozenset({"sores"}))) == {"visit", "look_again"}


def test_an_arctic_dogs_plan_needs_no_trim():
    arctic = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}), weight_kg=24.0, minutes_per_week=60.0)
    assert planning.plan(arctic, kit=dogs.ARCTIC_KIT, today=TODAY).growth.trim is None


def test_baths_come_as_often_as_the_owner_bathes_or_as_the_coat_needs():
    assert care.bath_weeks(dogs.situation(baths_per_month=2.0)) == 2
    assert care.bath_weeks(dogs.situation(baths_per_month=1e-300)) == 52
    fur = dogs.situation(categories=frozenset({CoatCategory.FUR}))
    both = dataclasses.replace(fur, categories=frozenset({CoatCategory.FUR, CoatCategory.CURLY}))
    assert care.bath_weeks(fur) == care.bath_weeks(both) == 8


def test_nobody_is_told_minutes_that_nobody_knows():
    assert events_of()["session"].minutes is None


@settings(max_examples=20, deadline=None)
@given(dogs.situations)
def test_a_booked_visit_stands_among_the_dates_with_its_hour_whatever_else_is_open(situation):
    booked = care.Booked(datetime(2026, 4, 7, 10, 30), 75)
    with_it, without = (planning.plan(situation, today=TODAY, booked=one).events for one in (booked, None))
    [event] = [one for one in with_it if one.kind == "booked"]
    assert (event.start, event.at, event.minutes) == (date(2026, 4, 7), time(10, 30), 75.0)
    # The trim that the booked visit brings is not to be booked once more.
    left = [one for one in without if one not in with_it]
    assert [one for one in with_it if one != event] == [one for one in without if one not in left]
    assert [one.kind for one in left] in ([], ["trim"])
    assert [one.start for one in with_it] == sorted(one.start for one in with_it)
