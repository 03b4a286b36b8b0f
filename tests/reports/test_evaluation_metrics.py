"""Our figures against scikit-learn's where it has them, and against published definitions where it has not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coatclass.reports.evaluation import binomial_interval, bootstrap
from coatclass.reports.evaluation import metrics as ours
from tests.later import Later

reference = Later("sklearn.metrics")


@pytest.fixture(params=range(3))
def world(request):
    """Labels, probabilities and first choices of 400 simulated cases in 7 classes."""
    rng = np.random.default_rng(request.param)
    logits = 2 * rng.normal(size=(400, 7))
    p = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)
    truth = np.array([rng.choice(7, p=row) for row in p])
    return truth, p, p.argmax(axis=1)


def test_accuracy_f1_kappa_and_confusion_are_scikit_learns(world):
    truth, _, guess = world
    labels = list(range(7))
    assert ours.accuracy(truth, guess) == pytest.approx(reference.accuracy_score(truth, guess))
    assert ours.balanced_accuracy(truth, guess) == pytest.approx(reference.balanced_accuracy_score(truth, guess))
    expected = reference.f1_score(truth, guess, labels=labels, average="macro", zero_division=0)
    assert ours.macro_f1(truth, guess, labels) == pytest.approx(expected)
    assert ours.kappa(truth, guess, 7) == pytest.approx(reference.cohen_kappa_score(truth, guess))
    expected = reference.cohen_kappa_score(truth, guess, weights="quadratic", labels=labels)
    assert ours.kappa(truth, guess, 7, quadratic=True) == pytest.approx(expected)
    assert (ours.confusion(truth, guess, 7) == reference.confusion_matrix(truth, guess, labels=labels)).all()


def test_log_loss_brier_score_and_roc_are_scikit_learns(world):
    truth, p, _ = world
    assert ours.log_loss(truth, p) == pytest.approx(reference.log_loss(truth, p, labels=range(7)))
    assert ours.brier_score(truth, p) == pytest.approx(
        reference.brier_score_loss(truth, p, labels=range(7), scale_by_half=False)
    )
    score, positive = np.round(p[:, 0], 2), truth == 0  # rounded: ties must count half
    assert ours.area_under_roc(score, positive) == pytest.approx(reference.roc_auc_score(positive, score))
    alarms, detected = ours.roc(score, positive)
    expected = reference.roc_curve(positive, score, drop_intermediate=False)
    assert alarms == pytest.approx(expected[0]) and detected == pytest.approx(expected[1])


def test_reliability_bins_are_scikit_learns(world):
    from sklearn.calibration import calibration_curve

    truth, p, guess = world
    sure, right = p.max(axis=1), guess == truth
    share, mean = calibration_curve(right, sure, n_bins=15)
    bins = ours.calibration_bins(sure, right, np.linspace(0, 1, 16))
    assert [b[0] for b in bins] == pytest.approx(mean)
    assert [b[1] for b in bins] == pytest.approx(share)


def test_ece_follows_guo_2017_on_a_case_worked_by_hand():
    # Guo et al. 2017, eq. 3: sum over bins of |B|/n * |acc(B) - conf(B)|. Two bins of two cases:
    # (0.9, 0.9): one right -> |0.5 - 0.9| = 0.4; (0.6, 0.6): both right -> |1 - 0.6| = 0.4.
    sure, right = np.array([0.9, 0.9, 0.6, 0.6]), np.array([1, 0, 1, 1])
    assert ours.expected_calibration_error(sure, right, bins=15) == pytest.approx(0.4)
    # One bin only: |3/4 - 0.75| = 0.
    assert ours.expected_calibration_error(sure, right, bins=1) == pytest.approx(0.0)
    assert ours.adaptive_calibration_error(sure, right, bins=2) == pytest.approx(0.4)


def test_true_probabilities_are_calibrated_and_overconfident_ones_are_not():
    rng = np.random.default_rng(0)
    sure = rng.uniform(0.5, 1, size=20_000)
    right = rng.random(20_000) < sure
    assert ours.expected_calibration_error(sure, right) < 0.015
    assert ours.adaptive_calibration_error(sure, right) < 0.015
    assert ours.expected_calibration_error(np.sqrt(sure), right) > 0.08


def test_aurc_on_a_case_worked_by_hand():
    # Geifman and El-Yaniv 2017: risk among the k surest, k = 1..4: 0, 1/2, 1/3, 1/2 -> mean 1/3.
    sure, right = np.array([0.9, 0.8, 0.7, 0.6]), np.array([1, 0, 1, 0])
    assert ours.area_under_risk_coverage(sure, right) == pytest.approx((0 + 1 / 2 + 1 / 3 + 1 / 2) / 4)
    assert ours.coverage_at_risk(sure, right, 0.4) == pytest.approx(0.75)
    assert ours.coverage_at_risk(sure, right, 0.02) == pytest.approx(0.25)


def test_equally_sure_cases_are_answered_in_a_random_order():
    sure = np.array([0.5, 0.5, 0.5, 0.5])
    for right in ([1, 1, 1, 0], [0, 1, 1, 1]):
        assert ours.risk_coverage(sure, np.array(right))[1] == pytest.approx([0.25] * 4)


def test_nothing_is_answered_if_the_surest_is_wrong():
    assert ours.coverage_at_risk(np.array([0.9, 0.8]), np.array([0, 1]), 0.02) == 0.0


def test_scores_against_the_annotators_are_best_at_their_own_split():
    split = np.array([[0.5, 0.5, 0.0]])
    entropy = math.log(2)
    assert ours.soft_log_loss(split, split) == pytest.approx(entropy)
    assert ours.soft_log_loss(split, np.array([[0.8, 0.2, 0.0]])) > entropy
    assert ours.soft_brier_score(split, split) == 0
    assert ours.soft_brier_score(split, np.array([[1.0, 0.0, 0.0]])) == pytest.approx(0.5)


def test_binomial_intervals_are_clopper_and_pearsons():
    # Clopper and Pearson 1934, charts: 0 of 10 -> (0, 0.308); 3 of 15 -> (0.043, 0.481).
    assert binomial_interval(0, 10) == pytest.approx((0, 0.3085), abs=1e-3)
    assert binomial_interval(3, 15) == pytest.approx((0.0433, 0.4809), abs=1e-3)
    stats = pytest.importorskip("scipy.stats")
    for hits, n in ((1, 7), (5, 5), (40, 400), (0, 3), (1500, 3000), (1, 20_000)):
        expected = stats.binomtest(hits, n).proportion_ci(method="exact")
        assert binomial_interval(hits, n) == pytest.approx(tuple(expected), abs=1e-6)


def test_intervals_resample_dogs_and_not_photos():
    rng = np.random.default_rng(0)
    by_dog = rng.random(40)
    values = np.repeat(by_dog, 10)  # ten photos a dog that all say the same
    dogs = np.repeat(np.arange(40), 10).astype(str)
    mean = {"mean": lambda rows: float(values[rows].mean())}
    grouped = bootstrap(mean, dogs)["mean"]
    naive = bootstrap(mean, np.arange(400).astype(str))["mean"]
    expected = 2 * 1.96 * by_dog.std() / math.sqrt(40)
    assert grouped.high - grouped.low == pytest.approx(expected, rel=0.2)
    assert naive.high - naive.low < 0.5 * (grouped.high - grouped.low)
    assert grouped.low < grouped.value < grouped.high


def test_the_same_seed_gives_the_same_interval():
    values = np.random.default_rng(1).random(50)
    mean = {"mean": lambda rows: float(values[rows].mean())}
    assert bootstrap(mean, [str(i) for i in range(50)]) == bootstrap(mean, [str(i) for i in range(50)])
