"""Cautions and stop rules: shown where they matter, never fewer when there is more to be careful about."""

from __future__ import annotations

import dataclasses

import care_dogs as dogs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import care
from coatclass.care.coat import data
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat
from coatclass.words import LANGUAGES, catalogue


def codes(situation, kit=dogs.CURLY_KIT):
    return {caution.code for caution in care.cautions(situation, kit)}


@settings(max_examples=60, deadline=None)
@given(dogs.situations, dogs.kits)
def test_there_are_always_cautions_and_stop_rules_come_first(situation, kit):
    found = care.cautions(situation, kit)
    levels = [("stop", "care", "note").index(caution.level) for caution in found]
    assert levels == sorted(levels)
    codes = {caution.code for caution in found}
    assert {"licensed", "shampoo"} <= codes and ("bare" in codes) != ("bath_order" in codes)
    assert all(caution.text and caution.source for caution in found)


@settings(max_examples=80, deadline=None)
@given(dogs.situations, dogs.kits, st.data())
def test_more_trouble_never_takes_a_caution_away(situation, kit, draw):
    worse = dataclasses.replace(
        situation,
        categories=situation.categories | draw.draw(dogs.sets(CoatCategory)),
        bands=situation.bands | draw.draw(dogs.sets(LengthBand)),
        skin_trouble=situation.skin_trouble | {"sores"},
        mats={**situation.mats, BodyZone.TAIL: MatState.FELTED},
        patience=Patience.CANNOT_BEAR,
        swims=True,
        wears_harness=True,
        sensitive_skin=True,
    )
    assert codes(situation, kit) <= codes(worse, kit)


@pytest.mark.parametrize("trouble", ["sores", "redness", "smell", "pain", "parasites", "lump", "ear_trouble"])
def test_skin_and_ear_trouble_stop_the_work_and_name_the_vet(trouble):
    found = care.cautions(dogs.situation(skin_trouble=frozenset({trouble})), dogs.CURLY_KIT)
    mine = next(c for c in found if c.code == {"ear_trouble": "ears"}.get(trouble, trouble))
    assert mine.level == "stop" and "vet" in mine.text


def test_a_caution_names_the_place_that_was_reported():
    found = care.cautions(dogs.situation(skin={BodyZone.BELLY: "sores"}), dogs.CURLY_KIT)
    sores = next(c for c in found if c.code == "sores")
    assert sores.zones == (BodyZone.BELLY,)


def test_a_caution_names_no_zone_that_the_dog_does_not_have():
    dog = dogs.situation(collar_on_full_neck=True)
    having = frozenset(BodyZone) - {BodyZone.HARNESS_PATH}
    undress = next(c for c in care.cautions(dog, (), having=having) if c.code == "undress")
    assert BodyZone.HARNESS_PATH not in undress.zones and BodyZone.NECK in undress.zones


def test_mats_tight_to_the_skin_stop_the_work_in_their_zones_only():
    matted = dogs.situation(mats={BodyZone.ARMPITS: MatState.TIGHT_MATS, BodyZone.TAIL: MatState.TANGLES})
    found = {c.code: c for c in care.cautions(matted, dogs.CURLY_KIT)}
    assert found["tight_mats"].zones == (BodyZone.ARMPITS,)
    assert found["no_scissors"].zones == (BodyZone.ARMPITS, BodyZone.TAIL)
    assert "strangling_mats" in found and "no_bath_on_mats" in found


def test_a_dog_without_knots_is_spared_the_warnings_about_them():
    assert not codes(dogs.situation(mats={BodyZone.TAIL: MatState.NONE})) & {"no_scissors", "tight_mats", "felted"}


def test_a_double_coat_is_not_shaved_for_the_heat_and_the_advice_says_what_it_rests_on():
    arctic = dogs.situation(categories=frozenset({CoatCategory.ARCTIC}))
    text = {c.code: c.text for c in care.cautions(arctic, dogs.ARCTIC_KIT)}["no_shaving"]
    assert "12–24 months" in text and "expert opinion" in text


def test_a_coat_that_may_be_single_is_not_called_a_double_coat_but_the_warning_stays():
    unsure = dogs.situation(categories=frozenset({CoatCategory.CURLY, CoatCategory.FUR}))
    text = {c.code: c.text for c in care.cautions(unsure, dogs.CURLY_KIT)}["no_shaving"]
    assert "before a groomer has felt" in text and "12–24 months" in text


@pytest.mark.parametrize(("months", "old"), [(None, False), (24.0, False), (95.0, False), (96.0, True), (180.0, True)])
def test_an_old_dog_is_worked_on_lying_down_in_short_parts(months, old):
    assert ("senior" in codes(dogs.situation(age_months=months))) is old


def test_a_coat_without_undercoat_is_spared_the_warning_about_shaving():
    smooth = dogs.situation(categories=frozenset({CoatCategory.FUR}), undercoats=frozenset({Undercoat.NONE}))
    assert "no_shaving" not in codes(smooth)


def test_bladed_tools_bring_the_look_at_both_sides_of_the_blade():
    kit = (dogs.item("bladed_coat_rake"),)
    text = {c.code: c.text for c in care.cautions(dogs.situation(), kit)}["blades"]
    assert "both sides" in text and "with the lay" in text
    assert "blades" not in codes(dogs.situation())


def test_slickers_bring_the_pressure_test_on_ones_own_forearm():
    text = {c.code: c.text for c in care.cautions(dogs.situation(), dogs.CURLY_KIT)}["brush_burn"]
    assert "your own forearm" in text
    assert "brush_burn" not in codes(dogs.situation(), (dogs.item("soft_bristle_brush"),))


def test_a_tool_to_avoid_brings_no_caution_of_its_own():
    assert "blades" not in codes(dogs.situation(), (dogs.item("bladed_coat_rake", "avoid", None),))


def test_long_silky_hair_gets_no_ball_tips_and_cottony_hair_no_fine_comb():
    silky = dogs.situation(textures=frozenset({Texture.SILKY}), bands=frozenset({LengthBand.OVER_75MM}))
    assert "ball_tips" in codes(silky)
    assert "fine_comb" in codes(dogs.situation(textures=frozenset({Texture.COTTONY})))


def test_a_puppy_is_told_that_coat_and_kit_change():
    assert "puppy_coat" in codes(dogs.situation(age_months=5.0))
    assert "puppy_coat" not in codes(dogs.situation(age_months=30.0))


def test_every_rule_has_a_source_a_level_a_place_and_a_text_in_every_language():
    for rule in data("cautions")["caution"]:
        assert rule["source"] and rule["level"] in {"stop", "care", "note"}
        assert rule["place"] in {"start", "session", "mats", "bath", "trim", "tools"}
        for language in LANGUAGES:
            assert catalogue(language, "care").has(f"caution.{rule['code']}")


@pytest.mark.parametrize(("expecting", "warned"), [(True, True), (False, False), (None, False)])
def test_a_dog_that_is_pregnant_or_nursing_is_talked_over_with_a_vet_before_a_bath_and_the_way_to_the_salon(
    expecting, warned
):
    found = {one.code: one for one in care.cautions(dogs.situation(expecting=expecting), dogs.CURLY_KIT)}
    assert ("expecting" in found) is warned
    if warned:
        assert all(word in found["expecting"].text for word in ("vet", "bath", "groomer"))
