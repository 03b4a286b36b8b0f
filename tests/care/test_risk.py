"""Mat risk: more load never lowers it, one test for every factor."""

from __future__ import annotations

import dataclasses
import itertools

import care_dogs as dogs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import care
from coatclass.care.coat import data
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Texture, Undercoat

# Every factor from the least to the most load.
FACTORS = {
    "length": [{"measured_mm": float(mm)} for mm in (0, 5, 10, 19, 25, 40, 75, 120, 200)],
    "undercoat": [{"undercoats": frozenset({u})} for u in (Undercoat.NONE, Undercoat.LIGHT, Undercoat.DENSE)],
    "texture": [{"textures": frozenset({t})} for t in (Texture.SILKY, Texture.SOFT, Texture.COTTONY)],
    "category": [
        {"categories": frozenset(c)}
        for c in ({CoatCategory.FUR}, {CoatCategory.FUR, CoatCategory.CURLY}, set(CoatCategory))
    ],
    "baths without brushing": [
        {"baths_per_month": b, "brushed_before_bath": "never"} for b in (None, 0.0, 1.0, 2.0, 4.0, 9.0)
    ],
    "brushing before the bath": [
        {"baths_per_month": 2.0, "brushed_before_bath": how} for how in ("always", "sometimes", "never")
    ],
    "swimming": [{"swims": value} for value in (None, False, True)],
    "harness": [{"wears_harness": value} for value in (None, False, True)],
    "clothing": [{"wears_clothing": value} for value in (None, False, True)],
    "collar": [{"collar_on_full_neck": value} for value in (None, False, True)],
    "coat change": [{"age_months": value} for value in (48.0, 9.0)],
    "furnishings": [{"long_furnishings": value} for value in (None, True)],
    "days since the last comb": [{"days_since_combed": float(value)} for value in (0, 1, 5, 20, 90)],
    "knots": [{"mats": {BodyZone.ARMPITS: state}} for state in MatState],
}
WHERE_IT_MATTERS = {
    "swimming": BodyZone.BELLY,
    "harness": BodyZone.HARNESS_PATH,
    "clothing": BodyZone.ARMPITS,
    "collar": BodyZone.NECK,
    "furnishings": BodyZone.BREECHES,
    "knots": BodyZone.ARMPITS,
}


def scores(situation):
    return {row.zone: row.score for row in care.MatRisk(situation).today}


@pytest.mark.parametrize("factor", FACTORS)
@settings(max_examples=25, deadline=None)
@given(situation=dogs.situations)
def test_more_load_never_lowers_the_risk_in_any_zone(factor, situation):
    steps = [scores(dataclasses.replace(situation, **change)) for change in FACTORS[factor]]
    for less, more in itertools.pairwise(steps):
        assert all(more[zone] >= less[zone] - 1e-9 for zone in BodyZone)


@pytest.mark.parametrize("factor", FACTORS)
def test_every_factor_counts_where_it_should(factor):
    zone = WHERE_IT_MATTERS.get(factor, BodyZone.BEHIND_EARS)
    plain = dogs.situation(measured_mm=30.0)
    least = scores(dataclasses.replace(plain, **FACTORS[factor][0]))[zone]
    most = scores(dataclasses.replace(plain, **FACTORS[factor][-1]))[zone]
    assert most > least


@settings(max_examples=50, deadline=None)
@given(dogs.situations)
def test_the_score_is_between_0_and_100_and_its_factors_are_shown(situation):
    rows = care.MatRisk(situation).today
    assert [row.zone for row in rows] == list(BodyZone)
    for row in rows:
        assert 0 <= row.score <= 100
        names = [name for name, _ in row.factors]
        assert names[:5] == ["capacity", "texture", "undercoat", "length", "friction"]


@given(st.sampled_from(care.RISK_ZONES))
def test_a_smooth_short_coat_does_not_mat(zone):
    smooth = dogs.situation(categories=frozenset({CoatCategory.FUR}), measured_mm=8.0)
    assert {row.zone: row.level for row in care.MatRisk(smooth).today}[zone] == "low"


def test_cottony_long_hair_under_a_harness_is_at_high_risk():
    dog = dogs.situation(measured_mm=60.0, textures=frozenset({Texture.COTTONY}), wears_harness=True)
    assert {row.zone: row.level for row in care.MatRisk(dog).today}[BodyZone.ARMPITS] == "high"


def test_a_mat_that_was_found_is_never_called_low_risk():
    dog = dogs.situation(measured_mm=3.0, mats={BodyZone.TAIL: MatState.TANGLES})
    assert {row.zone: row.level for row in care.MatRisk(dog).today}[BodyZone.TAIL] == "moderate"


def test_the_zones_that_the_trade_names_are_all_scored():
    assert len(care.RISK_ZONES) == 12
    assert set(care.RISK_ZONES) <= set(BodyZone)


def test_every_weight_has_a_source():
    weights = data("mat_risk")
    for name, table in weights.items():
        if name in ("version",):
            continue
        if name in ("own_length", "added", "only_with"):
            assert all(row["source"] for row in table.values()), name
        else:
            assert table["source"], name
    assert set(weights["friction"]) == {*BodyZone, "source"}
    assert set(weights["capacity"]) == {*CoatCategory, "source"}


def test_between_two_limits_of_the_trade_the_risk_does_not_change_and_any_length_agrees_with_today():
    for dog in (dogs.situation(textures=frozenset({Texture.COTTONY}), swims=True), dogs.situation()):
        risk = care.MatRisk(dataclasses.replace(dog, measured_mm=25.0))
        for mm in (0.0, 18.9, 19.0, 24.9, 25.0, 25.1, 60.0, 74.9, 75.0, 300.0):
            today = care.MatRisk(dataclasses.replace(dog, measured_mm=mm)).today
            assert risk.levels(mm) == {row.zone: row.level for row in today}
        assert risk.levels(25.0) == risk.levels(25.1) == risk.levels(74.9)
