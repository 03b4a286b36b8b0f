"""What may be done with a dog is decided before any advice, and more trouble never allows more."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from care_dogs import situation, situations
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import DRAGS, CoatSituation, Drag, Touch, Triage, Who
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience
from coatclass.triage import after_visit, closed_by, probable_coat, rules, toolless, triage, zones_of
from coatclass.words import LANGUAGES, catalogue

TROUBLES = ("sores", "redness", "smell", "pain", "parasites", "lump", "ear_trouble")
PERMISSIONS = ("session", "bath", "shorter", "growth", "training", "shopping")
TIGHT = (MatState.TIGHT_MATS, MatState.FELTED)


def at_most(worse: Triage, better: Triage) -> bool:
    """Whether nothing is allowed to the one that is not allowed to the other."""
    before = {one.zone: one for one in better.zones}
    zones = all(
        one.touch.rank <= before[one.zone].touch.rank
        and DRAGS.index(one.drag) <= DRAGS.index(before[one.zone].drag)
        and one.knots <= before[one.zone].knots
        for one in worse.zones
        if one.zone in before
    )
    return zones and all(getattr(worse, name).open <= getattr(better, name).open for name in PERMISSIONS)


@settings(deadline=None)
@given(situations, st.sampled_from(TROUBLES))
def test_more_trouble_of_the_skin_never_allows_more(dog: CoatSituation, trouble: str) -> None:
    worse = replace(dog, skin_trouble=dog.skin_trouble | {trouble})
    assert at_most(triage(worse), triage(dog))


@settings(deadline=None)
@given(situations, st.sampled_from(list(BodyZone)), st.sampled_from(list(MatState)))
def test_worse_mats_never_allow_more(dog: CoatSituation, zone: BodyZone, state: MatState) -> None:
    before = dog.mats.get(zone, MatState.NONE)
    worse = replace(dog, mats={**dog.mats, zone: max(before, state, key=lambda one: one.severity)})
    assert at_most(triage(worse), triage(dog))


@settings(deadline=None)
@given(situations)
def test_less_patience_never_allows_more(dog: CoatSituation) -> None:
    assert at_most(triage(replace(dog, patience=Patience.CANNOT_BEAR)), triage(dog))


# Common practice, no source.
def test_nothing_that_pulls_goes_near_a_lump_and_a_vet_is_asked_what_it_is() -> None:
    there = triage(situation(skin_trouble=frozenset({"lump"}), skin={BodyZone.TRUNK: "lump"}))
    assert BodyZone.TRUNK not in there.cleared("moderate") and BodyZone.TRUNK in there.cleared("gentle")
    assert BodyZone.CHEST in there.cleared("strong")
    assert "lump" in there.rules and there.session.open
    somewhere = triage(situation(skin_trouble=frozenset({"lump"})))
    assert somewhere.cleared("moderate") == frozenset() and somewhere.cleared("gentle")


# Common practice, no source.
def test_a_knot_that_may_hide_a_lump_is_left_alone_until_a_vet_has_looked() -> None:
    knots = {BodyZone.LEGS: MatState.MATS, BodyZone.CHEST: MatState.TANGLES}
    there = triage(situation(skin_trouble=frozenset({"lump"}), skin={BodyZone.LEGS: "lump"}, mats=knots))
    assert BodyZone.LEGS in there.left_alone and BodyZone.CHEST not in there.left_alone
    assert BodyZone.LEGS not in there.knots and BodyZone.CHEST in there.knots
    somewhere = triage(situation(skin_trouble=frozenset({"lump"}), mats=knots))
    assert set(knots) <= set(somewhere.left_alone) and not somewhere.knots
    for found in (there, somewhere):
        assert found.first is Who.VET and not found.bath.open


def test_a_tight_or_felted_zone_is_left_alone_whatever_else_is_known() -> None:
    for zone, state, trouble, patience in product(BodyZone, TIGHT, (None, *TROUBLES), (None, *Patience)):
        dog = situation(mats={zone: state}, skin_trouble=frozenset({trouble} if trouble else ()), patience=patience)
        found = triage(dog)
        assert zone in found.left_alone
        assert zone not in found.cleared(comb=True)
        assert not found.bath.open
        assert not found.growth.open


def test_a_sore_or_red_place_is_left_alone_where_somebody_said_where() -> None:
    for zone, trouble, state in product(BodyZone, ("sores", "redness", "smell", "pain"), MatState):
        found = triage(situation(skin_trouble=frozenset({trouble}), skin={zone: trouble}, mats={zone: state}))
        assert zone in found.left_alone
        assert found.first is Who.VET
        assert not found.bath.open


def test_red_skin_closes_the_session_until_somebody_says_where() -> None:
    assert not triage(situation(skin_trouble=frozenset({"redness"}))).session.open
    named = triage(situation(skin_trouble=frozenset({"redness"}), skin={BodyZone.BELLY: "redness"}))
    assert named.session.open
    assert BodyZone.TRUNK in named.cleared("gentle")
    assert BodyZone.TRUNK not in named.cleared("moderate")


def test_smelling_skin_closes_the_bath() -> None:
    assert not triage(situation(skin_trouble=frozenset({"smell"}))).bath.open


def test_ear_trouble_keeps_every_tool_from_the_ears() -> None:
    found = triage(situation(skin_trouble=frozenset({"ear_trouble"})))
    assert {BodyZone.EARS, BodyZone.BEHIND_EARS} <= set(found.left_alone)


def test_a_dog_that_cannot_bear_the_brush_is_trained_and_its_knots_are_the_groomers() -> None:
    found = triage(situation(patience=Patience.CANNOT_BEAR, mats={BodyZone.LEGS: MatState.TANGLES}))
    assert not found.session.open
    assert found.training.open
    assert not found.knots
    assert BodyZone.LEGS in found.left_alone


def test_a_coat_felted_over_the_body_comes_off_and_nothing_is_bought_for_it() -> None:
    dog = situation(mats={BodyZone.TRUNK: MatState.FELTED})
    found = triage(dog)
    assert found.comes_off
    assert not found.shopping.open
    later = after_visit(dog, found)
    assert later.measured_mm is not None
    assert later.measured_mm < 19  # shorter than the trade's first limit
    assert triage(later).session.open


def test_a_double_coat_is_not_cut_shorter_by_choice() -> None:
    for coat in (CoatCategory.ARCTIC, CoatCategory.FUR):
        assert not triage(situation(categories=frozenset({coat, CoatCategory.CURLY}))).shorter.open
    assert triage(situation(categories=frozenset({CoatCategory.CURLY}))).shorter.open


def test_a_puppy_gets_gentle_tools_only() -> None:
    found = triage(situation(age_months=3.0))
    assert found.cleared("gentle")
    assert not found.cleared("moderate")


def test_a_dog_has_no_zones_that_it_does_not_have() -> None:
    spitz = zones_of(situation(categories=frozenset({CoatCategory.ARCTIC})))
    assert not {BodyZone.BEARD, BodyZone.TOP_KNOT, BodyZone.HARNESS_PATH} & set(spitz)
    assert BodyZone.HARNESS_PATH in zones_of(situation(wears_harness=True))
    assert BodyZone.BEARD in zones_of(situation(categories=frozenset({CoatCategory.ARCTIC}),
                                                mats={BodyZone.BEARD: MatState.TANGLES}))  # fmt: skip


@settings(deadline=None)
@given(situations)
def test_after_the_visit_a_dog_may_be_brushed(dog: CoatSituation) -> None:
    later = triage(after_visit(dog, triage(dog)))
    assert later.session.open
    assert not later.left_alone


@settings(deadline=None)
@given(situations, st.sampled_from(DRAGS), st.booleans())
def test_a_zone_is_closed_to_a_tool_exactly_where_some_rule_closes_it(
    dog: CoatSituation, drag: Drag, comb: bool
) -> None:
    found = triage(dog)
    for zone in found.having:
        assert bool(closed_by(dog, [zone], drag, comb=comb)) == (zone not in found.cleared(drag, comb=comb))
        assert bool(closed_by(dog, [zone], "gentle", knots=True)) == (zone not in found.knots)


def test_the_rule_that_closes_a_zone_is_the_one_that_is_about_it() -> None:
    skin = {BodyZone.BELLY: "redness"}
    dog = situation(skin=skin, mats={BodyZone.LEGS: MatState.TIGHT_MATS}, age_months=3.0)
    assert closed_by(dog, [BodyZone.LEGS], "gentle") == ("tight-mats",)
    assert closed_by(dog, [BodyZone.BELLY], "gentle") == ("redness",)
    assert closed_by(dog, [BodyZone.CHEST], "moderate") == ("redness", "puppy")


def test_every_rule_has_its_own_id_and_a_source() -> None:
    ids = [rule.id for rule in rules()]
    assert len(ids) == len(set(ids))
    assert all(rule.source for rule in rules())
    assert all(rule.there is None or rule.there in Touch for rule in rules())


def test_a_zone_that_only_an_unlikely_coat_has_waits_until_something_is_found_there():
    fur, wire = CoatCategory.FUR, CoatCategory.WIRE
    known = situation(categories=frozenset({fur, wire}), shares={fur: 0.93, wire: 0.02})
    assert BodyZone.BEARD not in zones_of(known)
    assert BodyZone.BEARD in zones_of(replace(known, shares={}))  # nobody reckoned
    assert BodyZone.BEARD in zones_of(replace(known, shares={fur: 0.7, wire: 0.25}))
    assert BodyZone.BEARD in zones_of(replace(known, mats={BodyZone.BEARD: MatState.TANGLES}))
    assert BodyZone.BEARD in zones_of(replace(known, skin={BodyZone.BEARD: "sores"}))


def test_probable_is_the_one_likely_coat_that_outweighs_all_others_or_one_far_likelier_than_another_likely_one():
    fur, wire, hair = CoatCategory.FUR, CoatCategory.WIRE, CoatCategory.HAIR
    coats = {fur, wire, hair}
    assert probable_coat(coats, {fur: 0.9, wire: 0.02, hair: 0.03}) is fur
    assert probable_coat(coats, {fur: 0.7, wire: 0.25, hair: 0.03}) is None  # two likely ones
    assert probable_coat(coats, {fur: 0.8, wire: 0.2}) is fur  # four of five dogs: say so, and name the other beside it
    assert probable_coat({fur, wire}, {fur: 0.5, wire: 0.5}) is None
    assert probable_coat(coats, {fur: 0.45, wire: 0.19, hair: 0.19}) is None  # likely, but not likelier than the rest
    assert probable_coat({fur}, {fur: 0.9}) is None  # nothing else is possible: settled, not probable
    assert probable_coat(coats, {}) is None


@pytest.mark.parametrize("language", LANGUAGES)
def test_whatever_rule_takes_every_tool_from_a_coat_is_told_in_words_and_needs_no_code(language):
    """The attribute decides, not the rule's name: tools, bath, hold and length say it under the rule's id."""
    tools, care = catalogue(language, "toolkit"), catalogue(language, "care")
    takes_all = [rule.id for rule in rules() if rule.no_tools]
    assert takes_all == ["cords"]
    for rule in takes_all:
        assert tools.has(f"triage.{rule}") and all(care.has(f"{part}.{rule}") for part in ("bath", "hold", "length"))
    assert toolless(triage(situation(corded=True))) == "cords"
    assert toolless(triage(situation(mats={BodyZone.TRUNK: MatState.FELTED}))) == ""
