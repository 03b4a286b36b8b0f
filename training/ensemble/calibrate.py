"""Temperatures with scikit-learn, prediction sets and the limit for *settled* with MAPIE."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
from mapie.classification import SplitConformalClassifier
from mapie.risk_control import BinaryClassificationController
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator

from coatclass.ensemble.fusion import log_softmax
from coatclass.ensemble.members import Array

__all__ = ["NEVER", "AsGiven", "conformal_threshold", "settle_threshold", "temperature"]

NEVER = 2.0  # a probability can't reach it: nothing is called settled
# Dogs in the first test: with fewer, even two errors would end the search (a risk of 2 % at 90 % confidence).
_FIRST_TEST = 320
_SMALLEST_T, _LARGEST_T = 0.25, 4.0


class AsGiven(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """A classifier whose input already is its log probabilities (N, K); what scikit-learn and MAPIE wrap."""

    def __init__(self, classes: int) -> None:
        self.classes = classes
        self.classes_ = np.arange(classes)

    def fit(self, X: Array, y: Any = None) -> AsGiven:
        """Nothing to learn."""
        return self

    def decision_function(self, X: Array) -> Array:
        """The log probabilities themselves."""
        return np.asarray(X, dtype=np.float64)

    def predict_proba(self, X: Array) -> Array:
        """Their exponentials, normalised."""
        return np.exp(log_softmax(self.decision_function(X)))

    def predict(self, X: Array) -> Any:
        """The most probable class."""
        return self.decision_function(X).argmax(axis=1)


def temperature(logs: Array, truth: Any) -> float:
    """The temperature (Guo et al. 2017) that makes log probabilities (N, K) fit the truth best by log loss."""
    classes = logs.shape[1]
    # Each class must occur for the calibrator to accept the labels: absent ones come along with no weight.
    features = np.concatenate([logs, np.zeros((classes, classes))])
    labels = np.concatenate([truth, np.arange(classes)])
    weights = np.concatenate([np.ones(len(logs)), np.full(classes, 1e-9)])
    calibrated = CalibratedClassifierCV(FrozenEstimator(AsGiven(classes)), method="temperature")
    with warnings.catch_warnings():  # "weights will only be used for the calibration itself": that is what is wanted
        warnings.filterwarnings("ignore", message="Since FrozenEstimator")
        warnings.filterwarnings("ignore", message="The least populated class")  # nothing is refitted on the folds
        calibrated.fit(features, labels, sample_weight=weights)
    beta = float(calibrated.calibrated_classifiers_[0].calibrators[0].beta_)
    return float(np.clip(1.0 / beta, _SMALLEST_T, _LARGEST_T))


def conformal_threshold(probabilities: Array, truth: Any, reliability: float) -> float:
    """The probability from which a class stays in the prediction set (split conformal, least ambiguous classifier).

    Sets of all classes at or above it hold the truth of a new, exchangeable case with at least ``reliability``.
    """
    classes = probabilities.shape[1]
    conformal = SplitConformalClassifier(
        AsGiven(classes).fit(probabilities), confidence_level=reliability, conformity_score="lac", prefit=True
    )
    with warnings.catch_warnings():  # a rare category may be absent from the calibration dogs
        warnings.filterwarnings("ignore", message="WARNING: your conformalization dataset has less labels")
        conformal.conformalize(np.log(probabilities.clip(1e-12)), truth)
    scores = np.sort(conformal.conformity_scores.ravel())
    rank = math.ceil((len(scores) + 1) * reliability)  # Angelopoulos and Bates 2021, eq. 1
    return float(1.0 - scores[rank - 1]) if rank <= len(scores) else 0.0


def settle_threshold(sureness: Array, right: Any, risk: float, confidence: float) -> float:
    """The least sureness at which at most ``risk`` of the dogs called settled are wrong, with ``confidence``.

    Learn then test (Angelopoulos, Bates, Candès, Jordan and Lei 2021): thresholds are tested in a fixed order, from the
    one that settles the fewest dogs worth testing downwards, until the first that can't be shown to keep the risk.

    Returns:
        The threshold; one that nothing reaches if the data can't carry the promise.
    """
    fewest = float(min(_FIRST_TEST / len(sureness), 1.0))
    shares = np.linspace(fewest, 1.0, 48)
    thresholds = np.unique(np.quantile(sureness, 1 - shares))[::-1]
    thresholds = thresholds[thresholds > 0]  # 0 stands for "not to be settled whatever the threshold"
    if not len(thresholds):
        return NEVER
    controller = BinaryClassificationController(
        predict_function=lambda X: np.stack([1 - X[:, 0], X[:, 0]], axis=1),
        risk="precision",
        target_level=1 - risk,
        confidence_level=confidence,
        best_predict_param_choice="recall",
        list_predict_params=thresholds,
        fwer_method="fixed_sequence",
    )
    with (
        warnings.catch_warnings()
    ):  # what MAPIE warns of (no threshold, risk not monotonic) is handled by stopping early
        warnings.simplefilter("ignore")
        controller.calibrate(sureness[:, None], np.asarray(right, dtype=int))
    best = controller.best_predict_param
    return NEVER if best is None else float(best if isinstance(best, float) else best[0])
