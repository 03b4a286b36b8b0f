"""From answers to evidence: finite for any subset, neutral for none, correlated answers not counted twice."""

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from coatclass.answers import Answers, evidence, likelihood, outcomes, questions, simulate, situation, weights
from coatclass.answers.likelihoods import LENGTH, reliability, tabled_questions
from coatclass.taxonomy import BANDS, CATEGORIES, band_of_mm

from .conftest import answered

ORDER = [spec.id for spec in questions()]


def posterior(answers):
    found = evidence(answers)
    table = np.exp(np.array(found.log_likelihood) + (0 if found.ancestry is None else np.array(found.ancestry)))
    return dict(zip(CATEGORIES, table.sum(axis=1) / table.sum(), strict=True))


def test_answering_nothing_is_neutral():
    found = evidence(Answers())
    assert found.log_likelihood == ((0.0,) * 4,) * 7
    assert found.answered == () and found.measured_mm is None


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow], deadline=None, max_examples=40)
@given(answered())
def test_any_subset_of_answers_gives_finite_evidence(answers):
    found = evidence(answers)
    table = np.array(found.log_likelihood)
    assert table.shape == (7, 4) and np.isfinite(table).all() and table.max() == 0
    assert list(found.answered) == sorted(found.answered, key=ORDER.index)


@given(answered(only={"swims", "patience", "weight_kg", "wished_length_mm", "mats", "sparse_hair", "minutes_per_week"}))
@settings(max_examples=25, deadline=None)
def test_how_a_dog_lives_says_nothing_about_its_coat(answers):
    assert evidence(answers).log_likelihood == ((0.0,) * 4,) * 7


def owner_errs(name, answer):
    """P(answer | coat) by an owner whose share of random answers is any of the stated rates (worked by hand)."""
    rates = np.array(reliability()["owner"]["error_rates"])
    table = np.array(likelihood(name, answer))
    return np.mean([(1 - rate) * table + rate / len(outcomes(name)) for rate in rates], axis=0)


def test_one_answer_counts_as_much_as_an_owner_who_may_err_is_worth():
    for name in tabled_questions():
        for answer in outcomes(name):
            found = np.array(evidence(Answers(**{name: answer})).log_likelihood)
            expected = np.log(owner_errs(name, answer))
            assert found == pytest.approx(expected - expected.max())


def test_answers_that_fit_together_count_more_than_if_each_owner_erred_alone():
    # The rate of errors is the owner's, so a second fitting answer also vouches for the first.
    answers = Answers(lie="stands_off", beard_and_brows=False)
    one_by_one = owner_errs("lie", "stands_off") * owner_errs("beard_and_brows", False)
    apart = one_by_one.sum(axis=1)[CATEGORIES.index("arctic")] / one_by_one.sum()
    assert posterior(answers)["arctic"] > apart


def test_two_answers_about_bend_count_as_kish_says():
    # Kish 1965, Survey Sampling: k answers with correlation rho are worth k / (1 + (k - 1) rho) independent ones
    rho = reliability()["group"]["bend"]["rho"]
    both = weights(Answers(curl="curly", wet_lock_curls=True))
    assert sum(both.values()) == pytest.approx(2 / (1 + rho))
    assert weights(Answers(curl="curly")) == {"curl": 1.0}
    # so the second answer adds something, but less than it would alone
    one = posterior(Answers(curl="curly"))["curly"]
    two = posterior(Answers(curl="curly", wet_lock_curls=True))["curly"]
    naive = np.array(likelihood("curl", "curly")) * np.array(likelihood("wet_lock_curls", True))
    assert one < two < (naive.sum(axis=1) / naive.sum())[CATEGORIES.index("curly")]


def test_answers_about_different_things_count_in_full():
    assert set(weights(Answers(curl="wavy", lie="hangs", beard_and_brows=True, feel="silky")).values()) == {1.0}


def test_a_question_belongs_to_one_correlated_group_at_most():
    members = [name for group in reliability()["group"].values() for name in group["order"]]
    assert len(members) == len(set(members))
    for group in reliability()["group"].values():
        assert 0 < group["rho"] < 1
        for name, order in group["order"].items():
            assert set(order) == {str(answer).lower() for answer in outcomes(name)}


def test_what_is_felt_on_a_puppy_counts_less():
    grown, puppy = Answers(feel="harsh", age_months=60), Answers(feel="harsh", age_months=4)
    assert posterior(Answers(feel="harsh"))["wire"] == posterior(grown)["wire"] > posterior(puppy)["wire"] > 1 / 7


@pytest.mark.parametrize(
    ("by", "measured"), [("ruler", 30.0), ("card", 30.0), (None, 30.0), ("finger", None), ("eye", None)]
)
def test_only_a_ruler_or_a_card_measures(by, measured):
    found = evidence(Answers(trunk_length_mm=30.0, trunk_length_by=by))
    assert found.measured_mm == measured
    assert found.answered[0] == "trunk_length_mm"


# --- names of breeds, looked up elsewhere ----------------------------------------------------------------------------


def test_the_caller_may_bring_the_ancestry():
    table = [[0.0] * 4 for _ in CATEGORIES]
    table[0][2] = 3.0
    brought = evidence(Answers(breed="Samoyed"), ancestry=table)
    assert brought.ancestry is not None and np.array(brought.ancestry).tolist() == table  # the name isn't counted too
    assert brought.log_likelihood == ((0.0,) * 4,) * 7
    assert brought.answered == ("breed",)
    assert evidence(Answers(breed="Samoyed")).answered == ()


def test_each_answer_is_also_told_by_itself():
    told = evidence(Answers(curl="curly", keeps_growing=True, trunk_length_mm=30.0))
    assert [one.question for one in told.by_question] == list(told.answered)
    assert [one.answer for one in told.by_question] == ["curly", True, 30.0]
    alone = next(one for one in told.by_question if one.question == "curl")
    assert np.array(alone.log_likelihood) == pytest.approx(np.array(evidence(Answers(curl="curly")).log_likelihood))


@pytest.mark.parametrize(
    "wrong",
    [{"ancestry": [[0.0] * 4] * 6}, {"ancestry": [[0.0] * 3] * 7}, {"ancestry": [[math.inf] * 4] * 7}],
)
def test_tables_of_the_wrong_shape_are_refused(wrong):
    with pytest.raises(ValueError, match="must be"):
        evidence(Answers(), **wrong)


# --- simulated answers ----------------------------------------------------------------------------------------------


def test_simulated_answers_follow_the_tables():
    # simulated; 4 standard errors of 3,000 draws
    rng = np.random.default_rng(7)
    drawn = [simulate("wire", "25_75mm", rng) for _ in range(3000)]
    row, column = CATEGORIES.index("wire"), BANDS.index("25_75mm")
    for name in tabled_questions():
        counts = Counter(getattr(answers, name) for answers in drawn)
        for answer in outcomes(name):
            stated = likelihood(name, answer)[row][column]
            assert counts[answer] / 3000 == pytest.approx(stated, abs=4 * math.sqrt(stated * (1 - stated) / 3000))


def test_simulated_answers_of_a_group_go_together():
    # simulated; a curly dog that looks straight also tends to dry straight
    rng = np.random.default_rng(3)
    drawn = [simulate("mixed", "25_75mm", rng, ask=["curl", "wet_lock_curls"]) for _ in range(3000)]
    bend = np.array([["straight", "wavy", "curly"].index(a.curl) for a in drawn])
    wet = np.array([a.wet_lock_curls for a in drawn])
    assert np.corrcoef(bend, wet)[0, 1] > 0.4
    apart = [simulate("mixed", "25_75mm", rng, ask=["curl", "lie"]) for _ in range(3000)]
    lies = np.array([["stands_off", "lies_flat", "hangs"].index(a.lie) for a in apart])
    bend = np.array([["straight", "wavy", "curly"].index(a.curl) for a in apart])
    assert abs(np.corrcoef(bend, lies)[0, 1]) < 0.08


def test_simulated_errors_even_the_answers_out():
    rng = np.random.default_rng(2)
    drawn = [simulate("arctic", "over_75mm", rng, error_rate=1.0, ask=["feel"]) for _ in range(2000)]
    shares = Counter(answers.feel for answers in drawn)
    assert all(abs(count / 2000 - 1 / 5) < 0.045 for count in shares.values()) and len(shares) == 5


def test_simulation_asks_what_it_is_told_and_repeats_itself():
    some = simulate("hair", "25_75mm", np.random.default_rng(1), ask=["feel", LENGTH])
    assert some == simulate("hair", "25_75mm", np.random.default_rng(1), ask=["feel", LENGTH])
    assert set(some.model_dump(exclude_none=True)) == {"feel", LENGTH, "trunk_length_by"}
    assert band_of_mm(some.trunk_length_mm) in BANDS
    with pytest.raises(ValueError, match="no table"):
        simulate("hair", "25_75mm", np.random.default_rng(1), ask=["swims"])
    with pytest.raises(ValueError, match="error_rate"):
        simulate("hair", "25_75mm", np.random.default_rng(1), error_rate=2)


def test_all_simulated_answers_tell_the_coats_apart_and_errors_cost():
    # simulated; evenly many of each category, all questions but the breed
    rng = np.random.default_rng(11)

    def accuracy(error_rate):
        right = 0
        for category in CATEGORIES:
            band = "over_75mm" if category == "drop" else "25_75mm"
            for _ in range(80):
                shares = posterior(simulate(category, band, rng, error_rate=error_rate))
                right += max(shares, key=shares.get) == category
        return right / (80 * len(CATEGORIES))

    clean, noisy, chance = accuracy(0.0), accuracy(0.3), accuracy(1.0)
    assert clean > 0.7 and clean > noisy > chance
    assert abs(chance - 1 / 7) < 0.06


def test_stated_confidence_is_not_higher_than_simulated_accuracy():
    # simulated; correlated answers are drawn as stated, so the discount must keep confidence from outrunning accuracy
    rng = np.random.default_rng(13)
    stated, right = [], []
    for category in CATEGORIES:
        band = "over_75mm" if category == "drop" else "25_75mm"
        for _ in range(150):
            shares = posterior(simulate(category, band, rng))
            best = max(shares, key=shares.get)
            stated.append(shares[best])
            right.append(best == category)
    assert np.mean(stated) <= np.mean(right) + 0.03


# --- to the tools ---------------------------------------------------------------------------------------------------


def test_the_situation_carries_what_was_answered_and_leaves_the_rest_unknown():
    answers = Answers(
        feel="cottony", undercoat_seen="light", mats={"tail": "mats"}, sparse_hair=True, patience="fidgets",
        trunk_length_mm=40, trunk_length_by="ruler", last_trim_how="clipped", skin_trouble=("smell",), weight_kg=8,
    )  # fmt: skip
    found = situation(answers, categories=[CATEGORIES[0]], bands=[BANDS[2]])
    assert found.categories == {"hair"} and found.bands == {"25_75mm"}
    assert found.textures == {"cottony"} and found.undercoats == {"light"}
    assert found.worst_mats == "mats" and found.sparse is True and found.patience == "fidgets"
    assert found.measured_mm == 40 and found.hand_stripped is False and found.skin_trouble == {"smell"}
    assert found.swims is None and found.sensitive_skin is None


def test_nothing_answered_leaves_the_situation_unknown():
    found = situation(Answers(), categories=CATEGORIES, bands=BANDS)
    assert found.textures == frozenset() and found.undercoats == frozenset() and found.mats == {}
    assert found.measured_mm is None and found.hand_stripped is None and found.patience is None


def test_a_length_by_finger_is_not_passed_on_as_measured():
    answers = Answers(trunk_length_mm=50, trunk_length_by="finger")
    assert situation(answers, categories=CATEGORIES, bands=BANDS).measured_mm is None
