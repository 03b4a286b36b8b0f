"""What the ensemble must do with any evidence."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from coatclass import answers as questionnaire
from coatclass.contract import AnswerEvidence, PhotoEvidence, Verdict
from coatclass.ensemble import HandsOn, combine, load
from coatclass.ensemble.fusion import log_softmax
from coatclass.estimating import decide, estimate
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, band_of_mm

logs = st.floats(min_value=-12, max_value=0)
seven = st.tuples(*[logs] * 7)
four = st.tuples(*[logs] * 4)
tables = st.tuples(*[four] * 7)


def photo(texture=(0.0,) * 7, kinship=(0.0,) * 7, band=(0.0,) * 4, unfamiliarity=0.0) -> PhotoEvidence:
    """Evidence of a photo from unnormalised logs."""
    vectors = [tuple(log_softmax(np.array(vector)).tolist()) for vector in (texture, kinship, band)]
    return PhotoEvidence("dog.jpg", *vectors, 0.99, 0.5, unfamiliarity, "test")


photos = st.builds(photo, seven, seven, four)
answers = st.builds(lambda table: AnswerEvidence(table, ("feel",)), tables)


@settings(max_examples=60, deadline=None)
@given(st.lists(photos, max_size=3), st.one_of(st.none(), answers))
def test_whatever_the_evidence_the_result_is_a_pair_of_distributions(pictures, said):
    estimate = combine(pictures, said)
    joint = np.array(estimate.joint)
    assert sum(estimate.category) == pytest.approx(1) and min(estimate.category) >= 0
    assert sum(estimate.band) == pytest.approx(1) and min(estimate.band) >= 0
    assert joint.sum(axis=1) == pytest.approx(estimate.category)
    assert joint.sum(axis=0) == pytest.approx(estimate.band)


@settings(max_examples=60, deadline=None)
@given(photos, tables, st.sampled_from(range(7)), st.floats(min_value=0.01, max_value=4))
def test_more_evidence_for_a_category_never_lowers_it(picture, table, category, extra):
    assume(len({value for row in table for value in row}) > 1)  # a table that says nothing is another regime
    stronger = tuple(tuple(v + extra for v in row) if i == category else row for i, row in enumerate(table))
    for pictures in ([], [picture]):
        before = combine(pictures, AnswerEvidence(table, ("feel",))).category[category]
        after = combine(pictures, AnswerEvidence(stronger, ("feel",))).category[category]
        assert after >= before - 1e-12


@settings(max_examples=40, deadline=None)
@given(photos, st.floats(min_value=-6, max_value=0))
def test_a_table_that_says_nothing_changes_nothing(picture, value):
    nothing = AnswerEvidence(((value,) * 4,) * 7, ("feel",))
    for pictures in ([], [picture]):
        assert combine(pictures, nothing).category == pytest.approx(combine(pictures).category)


@settings(max_examples=40, deadline=None)
@given(photos, tables)
def test_a_constant_added_to_every_likelihood_changes_nothing(picture, table):
    shifted = tuple(tuple(v - 3.7 for v in row) for row in table)
    first = combine([picture], AnswerEvidence(table, ("feel",)))
    second = combine([picture], AnswerEvidence(shifted, ("feel",)))
    assert second.category == pytest.approx(first.category)
    assert second.band == pytest.approx(first.band)


@settings(max_examples=30, deadline=None)
@given(st.lists(photos, min_size=2, max_size=4), st.randoms(use_true_random=False))
def test_the_order_of_the_photos_does_not_matter(pictures, random):
    shuffled = list(pictures)
    random.shuffle(shuffled)
    assert combine(shuffled).category == pytest.approx(combine(pictures).category)


def test_the_same_photo_twice_says_no_less_and_hardly_more_than_once():
    picture = photo(texture=(0, -1, -3, -3, -3, -3, -3), kinship=(0, -1, -3, -3, -3, -3, -3))
    once, twice = combine([picture]), combine([picture, picture])
    assert max(twice.category) >= max(once.category) - 1e-12
    assert np.argmax(twice.category) == np.argmax(once.category)


def test_the_regime_names_the_sources_that_took_part():
    said = AnswerEvidence(((0.0,) * 4,) * 7, ("feel",))
    assert combine().regime == "none"
    assert combine([photo()]).regime == "photo"
    assert combine([], said).regime == "answers"
    assert combine([photo()], said).regime == "both"
    assert combine([photo()], AnswerEvidence(((0.0,) * 4,) * 7)).regime == "photo", "nothing was answered"


def test_each_source_is_also_reported_alone():
    said = AnswerEvidence(((0.0,) * 4,) * 7, ("feel",))
    both = combine([photo()], said)
    assert both.by_photo == pytest.approx(combine([photo()]).category)
    assert both.by_answers == pytest.approx(combine([], said).category)
    assert combine([photo()]).by_answers is None and combine([], said).by_photo is None


@settings(max_examples=40, deadline=None)
@given(photos, tables, st.floats(min_value=0, max_value=300))
def test_a_measured_length_beats_every_estimate_of_the_band(picture, table, length):
    measured = combine([picture], AnswerEvidence(table, ("trunk_length_mm",), measured_mm=length))
    alone = combine([], AnswerEvidence(((0.0,) * 4,) * 7, ("trunk_length_mm",), measured_mm=length))
    assert measured.band == pytest.approx(alone.band, abs=1e-9), "photo and other answers don't move it"
    nearby = {band_of_mm(length * factor) for factor in (0.8, 0.9, 1, 1.1, 1.25)}
    assert BANDS[int(np.argmax(measured.band))] in nearby


@pytest.mark.parametrize(("length", "band"), [(5, 0), (45, 2), (120, 3)])
def test_a_length_in_the_middle_of_a_band_is_in_that_band(length, band):
    estimate = combine([], AnswerEvidence(((0.0,) * 4,) * 7, ("trunk_length_mm",), measured_mm=length))
    assert estimate.band[band] > 0.95


def test_the_band_of_six_millimetres_is_never_quite_certain():
    estimate = combine([], AnswerEvidence(((0.0,) * 4,) * 7, ("trunk_length_mm",), measured_mm=22))
    assert int(np.argmax(estimate.band)) == 1 and estimate.band[1] < 0.9


def test_a_length_at_a_limit_stays_open_between_the_two_bands():
    estimate = combine([], AnswerEvidence(((0.0,) * 4,) * 7, ("trunk_length_mm",), measured_mm=75))
    assert estimate.band[2] == pytest.approx(0.5, abs=0.02)
    assert estimate.band[3] == pytest.approx(0.5, abs=0.02)


def test_hanging_hair_is_drop_when_long_and_hair_when_short_by_definition():
    looks_like_either = photo(texture=(0, -6, -6, -6, -6, 0, -6), kinship=(0, -6, -6, -6, -6, 0, -6))
    neutral = ((0.0,) * 4,) * 7
    long = combine([looks_like_either], AnswerEvidence(neutral, ("trunk_length_mm",), measured_mm=150)).category
    short = combine([looks_like_either], AnswerEvidence(neutral, ("trunk_length_mm",), measured_mm=40)).category
    hair, drop = CATEGORIES.index(CoatCategory.HAIR), CATEGORIES.index(CoatCategory.DROP)
    assert long[drop] > 0.8 and long[hair] < 0.2
    assert short[hair] > 0.8 and short[drop] < 0.2


@settings(max_examples=30, deadline=None)
@given(photos, answers, st.sampled_from(list(CoatCategory)), st.sampled_from(list(LengthBand)))
def test_a_groomers_finding_overrides_photo_and_answers(picture, said, category, band):
    estimate = combine([picture], said, finding=HandsOn(category=category, band=band))
    assert estimate.regime == "hands_on"
    assert estimate.category[CATEGORIES.index(category)] == pytest.approx(1)
    assert estimate.band[BANDS.index(band)] == pytest.approx(1)


def test_a_finding_of_the_category_alone_keeps_what_is_known_of_the_length():
    picture = photo(band=(-9, -9, 0, -9))
    estimate = combine([picture], finding=HandsOn(category=CoatCategory.WIRE))
    assert estimate.band[2] > 0.6


def test_photos_are_unfamiliar_only_if_all_of_them_are():
    limit = load().unfamiliar_above
    strange, known = photo(unfamiliarity=limit * 1.01 + 1), photo(unfamiliarity=limit * 0.9)
    assert combine([strange, strange]).unfamiliar
    assert not combine([strange, known]).unfamiliar
    assert not combine([]).unfamiliar


def test_an_impossible_answer_is_survived():
    table = tuple((-math.inf,) * 4 if i else (0.0,) * 4 for i in range(7))
    estimate = combine([photo()], AnswerEvidence(table, ("feel",)))
    assert all(map(math.isfinite, estimate.category))


def test_without_answers_the_members_can_be_exchanged():
    other = replace(load(), category_bias=np.array([0, 0, 50, 0, 0, 0, 0.0]))
    assert CATEGORIES[int(np.argmax(combine([photo()], members=other).category))] is CoatCategory.MIXED


def test_beside_a_photo_what_it_shows_as_well_counts_by_the_fitted_exponent():
    """Worked by hand: the odds of wire against fur rise by the exponent of what is visible, in full by the rest."""
    wire, fur = CATEGORIES.index(CoatCategory.WIRE), CATEGORIES.index(CoatCategory.FUR)
    table = tuple((0.0 if row == wire else -1.0,) * 4 for row in range(7))
    said = AnswerEvidence(table, ("curl",), visible=table, stated_visible=table)
    felt = AnswerEvidence(table, ("feel",))

    def odds(answers) -> float:
        logs = np.log(combine([photo()], answers, members=plain).category)
        return float(logs[wire] - logs[fur])

    one = dict.fromkeys(("photo", "answers", "both"), 1.0)
    plain = replace(load(), answer_weight={**one, "both": 0.4}, category_temperature=one, band_temperature=one)
    assert odds(felt) - odds(None) == pytest.approx(1.0, abs=1e-6)
    assert odds(said) - odds(None) == pytest.approx(0.4, abs=1e-6)


def test_what_an_eye_sees_alone_settles_no_coat():
    """Of dogs said to be straight, to lie flat and to have no beard 4 % wear no fur (``models/ANSWERS.md``)."""
    seen = {name: (None, *questionnaire.outcomes(name)) for name in questionnaire.visible()}
    for said in product(*seen.values()):
        known = estimate([], questionnaire.Answers(**dict(zip(seen, said, strict=True))))
        assert decide(known).verdict is not Verdict.SETTLED
