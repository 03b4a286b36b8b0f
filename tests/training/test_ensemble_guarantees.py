"""The promises of the decision, checked against their definitions by simulation and against reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest

pytest.importorskip("mapie")

from scipy import stats

from training.ensemble.members import NEVER, AsGiven, conformal_threshold, settle_threshold, temperature


def world(rng: np.random.Generator, n: int, sharpness: float = 3.0) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities (n, 7) that are true, and labels drawn from them."""
    logits = sharpness * rng.normal(size=(n, 7))
    p = np.exp(logits - logits.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    return p, (p.cumsum(axis=1) > rng.random((n, 1))).argmax(axis=1)


def test_coverage_of_prediction_sets_follows_its_beta_distribution():
    """Angelopoulos and Bates 2021, section 3.2: over calibration sets, coverage ~ Beta(n + 1 - l, l)."""
    n, alpha, trials = 200, 0.1, 400
    level = math.floor((n + 1) * alpha)
    rng = np.random.default_rng(0)
    fresh, _ = world(rng, 100_000)
    coverages = []
    for _ in range(trials):
        p, y = world(rng, n)
        limit = conformal_threshold(p, y, 1 - alpha)
        coverages.append((fresh * (fresh >= limit)).sum(axis=1).mean())  # exact, as the probabilities are true
    expected = stats.beta(n + 1 - level, level)
    assert np.mean(coverages) == pytest.approx(expected.mean(), abs=4 * expected.std() / math.sqrt(trials) + 0.003)
    assert np.std(coverages) == pytest.approx(expected.std(), rel=0.15)
    assert stats.kstest(coverages, expected.cdf).pvalue > 0.001


def test_prediction_sets_are_those_of_mapie():
    from mapie.classification import SplitConformalClassifier

    rng = np.random.default_rng(1)
    p, y = world(rng, 300)
    fresh, _ = world(rng, 500)
    reference = SplitConformalClassifier(AsGiven(7).fit(p), confidence_level=0.95, conformity_score="lac", prefit=True)
    reference.conformalize(np.log(p), y)
    ours = fresh >= conformal_threshold(p, y, 0.95)
    assert (reference.predict_set(np.log(fresh))[1][:, :, 0] == ours).mean() > 0.9995  # ties within rounding


def test_too_few_calibration_dogs_make_the_set_hold_everything():
    p, y = world(np.random.default_rng(2), 10)
    assert conformal_threshold(p, y, 0.95) == 0.0


def broken_promises(risk: float, trials: int = 60) -> int:
    """In how many calibrations for ``risk`` more than 2 % of the settled turn out wrong, with true probabilities."""
    rng = np.random.default_rng(3)
    fresh, truth = world(rng, 50_000, sharpness=6)
    sure, right = fresh.max(axis=1), fresh.argmax(axis=1) == truth
    broken = found = 0
    for _ in range(trials):
        p, y = world(rng, 2500, sharpness=6)
        limit = settle_threshold(p.max(axis=1), p.argmax(axis=1) == y, risk=risk, confidence=0.9)
        found += limit != NEVER
        broken += bool((sure >= limit).any()) and (~right[sure >= limit]).mean() > 0.02
    assert found > 0.9 * trials, "the simulated world is sure enough for a threshold"
    return broken


def test_settled_dogs_keep_the_promised_risk_and_thresholds_for_three_percent_would_not():
    """Learn then test: over calibration sets, the true risk exceeds 2 % at most 10 % of the time."""
    most = stats.binom(60, 0.1).ppf(0.999)
    assert broken_promises(0.02) <= most < broken_promises(0.03)


def test_nothing_is_settled_where_the_risk_can_not_be_kept():
    rng = np.random.default_rng(4)
    sure = rng.uniform(0.5, 1, size=500)
    assert settle_threshold(sure, rng.random(500) < 0.8, risk=0.02, confidence=0.9) == NEVER


@pytest.mark.parametrize("true_temperature", [0.5, 1.0, 2.0])
def test_the_temperature_that_spoilt_true_probabilities_is_found_again(true_temperature):
    p, y = world(np.random.default_rng(5), 6000)
    assert temperature(np.log(p) * true_temperature, y) == pytest.approx(true_temperature, rel=0.06)


def test_a_missing_class_does_not_disturb_the_temperature():
    p, y = world(np.random.default_rng(6), 4000)
    seen = y != 2
    assert 0.8 < temperature(np.log(p[seen]), y[seen]) < 1.3
