"""Members, temperatures and limits from photos: scipy and scikit-learn fit, MAPIE sets what a promise asks for."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
from mapie.classification import SplitConformalClassifier
from mapie.risk_control import BinaryClassificationController
from scipy.optimize import minimize
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedGroupKFold

from coatclass.breeds import background
from coatclass.ensemble.fusion import log_softmax, photo_joint
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, N_SCORES, Array, Members
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand
from training.ensemble.data import UNKNOWN, Dataset

__all__ = [
    "NEVER",
    "AsGiven",
    "compatibility_and_prior",
    "conformal_threshold",
    "cross_fitted",
    "fit_gate",
    "fit_length",
    "fit_member",
    "fit_members",
    "fold_members",
    "settle_threshold",
    "temperature",
]

_ROUTES = (0, N_CATEGORIES, 2 * N_CATEGORIES + N_BANDS)  # where texture, kinship and outline begin
_GATE_C = 100.0  # next to no regularisation: two numbers from thousands of photos
_LENGTH_C = 1.0
_HAIR, _DROP = CATEGORIES.index(CoatCategory.HAIR), CATEGORIES.index(CoatCategory.DROP)
_ALWAYS = 20.0  # logit of a gate weight of 1

_RULED_OUT = [
    (CoatCategory.DROP, LengthBand.UNDER_19MM),
    (CoatCategory.DROP, LengthBand.FROM_19_TO_25MM),
    (CoatCategory.DROP, LengthBand.FROM_25_TO_75MM),
    (CoatCategory.HAIR, LengthBand.OVER_75MM),
]


def fit_member(features: Array, votes: Array, config: dict[str, Any]) -> tuple[Array, Array]:
    """The member for unseen breeds: weights (7, 25) and bias (7,) of a pool of texture, kinship and outline.

    Three weights, one a route, and seven biases: a full regression memorises how the networks err on the breeds that it
    sees, and does worse on others. Minimises cross entropy against the votes, with biases shrunk to 0.

    Args:
        features: (N, 26) evidence from networks that never saw the breed.
        votes: (N, 7) shares of the annotators.
    """
    routes = [features[:, place : place + N_CATEGORIES] for place in _ROUTES]
    penalty = config["members"]["bias_penalty"]

    def cost(parameters: Array) -> tuple[float, Array]:
        weights, bias = parameters[: len(routes)], parameters[len(routes) :]
        log_p = log_softmax(sum(weight * route for weight, route in zip(weights, routes, strict=True)) + bias)
        error = np.exp(log_p) - votes
        slopes = [float((error * route).sum()) for route in routes]
        loss = -(votes * log_p).sum() + penalty * np.square(bias).sum()
        return loss / len(votes), np.concatenate([slopes, error.sum(axis=0) + 2 * penalty * bias]) / len(votes)

    start = np.concatenate([np.full(len(routes), 1 / len(routes)), np.zeros(N_CATEGORIES)])
    found = minimize(cost, start, jac=True, method="L-BFGS-B").x
    weights = np.zeros((N_CATEGORIES, N_SCORES))
    for weight, place in zip(found, _ROUTES, strict=False):
        weights[:, place : place + N_CATEGORIES] = weight * np.eye(N_CATEGORIES)
    return weights, found[len(routes) :]


def fit_length(features: Array, votes: Array) -> Array:
    """Bias and slope (2,) of the logit of *drop*, among votes for hair and drop, by the log odds of the longest band.

    Args:
        features, votes: as for :func:`fit_member`.
    """
    said = votes[:, [_HAIR, _DROP]]
    if not said.sum(axis=0).all():
        return np.array([0.0, 1.0])  # nothing to learn from: the band as it is
    band = features[:, 2 * N_CATEGORIES : 2 * N_CATEGORIES + N_BANDS]
    longest = band[:, -1] - np.logaddexp.reduce(band[:, :-1], axis=1)
    photo, drop = np.nonzero(said)
    found = LogisticRegression(C=_LENGTH_C).fit(longest[photo, None], drop, sample_weight=said[photo, drop])
    return np.array([found.intercept_[0], found.coef_[0, 0]])


def fit_gate(data: Dataset) -> Array:
    """Bias and slope (2,) of the logit of P(breed unseen) by unfamiliarity, as if every other dog were of such a breed.

    Each photo is taken twice: as the ordinary network saw it, and as one that never saw the breed.
    """
    unfamiliarity = np.concatenate([data.unfamiliarity, data.unseen_unfamiliarity])
    unseen = np.concatenate([~data.breed_known, np.ones(len(data), bool)])
    if unseen.all():
        return np.array([_ALWAYS, 0.0])
    gate = LogisticRegression(C=_GATE_C).fit(unfamiliarity[:, None], unseen)
    return np.array([gate.intercept_[0], gate.coef_[0, 0]])


def compatibility_and_prior(data: Dataset, config: dict[str, Any]) -> tuple[Array, Array]:
    """Compatibility (7, 4) and prior (7, 4), as logs, from smoothed counts; what a definition rules out stays out."""
    settings = config["prior"]
    counts = np.full((N_CATEGORIES, N_BANDS), settings["smoothing"])
    for annotator in range(2):
        both = (data.band_by[:, annotator] != UNKNOWN) & data.usable
        np.add.at(counts, (data.category_by[both, annotator], data.band_by[both, annotator]), 0.5)
    share = counts / counts.sum()
    given_category = np.log(share / share.sum(axis=1, keepdims=True))
    compatibility = given_category - np.log(share.sum(axis=0))[None]
    for category, band in _RULED_OUT:
        place = CATEGORIES.index(category), BANDS.index(band)
        compatibility[place] = settings["ruled_out"]
        given_category[place] = settings["ruled_out"]
    # A dog of which nothing is known: the breed table's background, so that it means the same in every room.
    return compatibility, np.log(background())[:, None] + log_softmax(given_category)


def fit_members(data: Dataset, config: dict[str, Any], unfamiliar_above: float) -> Members:
    """Fit everything but the temperatures and the weight of the answers, which start at 1."""
    floor = config["members"]["floor"]
    unseen = data.features(floor, unseen=True)
    category_weights, category_bias = fit_member(unseen, data.votes, config)
    compatibility, prior = compatibility_and_prior(data, config)
    one = {"photo": 1.0, "answers": 1.0, "both": 1.0}
    return Members(
        version="",
        floor=floor,
        category_weights=category_weights,
        category_bias=category_bias,
        length_split=fit_length(unseen, data.votes),
        gate=fit_gate(data),
        compatibility=compatibility,
        prior=prior,
        photo_prior=np.log(_shares(data)),
        answer_weight=dict(one),
        category_temperature=dict(one),
        band_temperature=dict(one),
        unfamiliar_above=unfamiliar_above,
    )


def fold_members(
    pool: Dataset, config: dict[str, Any], folds: int = 5, *, by: str = "group"
) -> Iterator[tuple[Any, Members]]:
    """Parts of the pool by group or by breed, each with members that were fitted on the other parts."""
    cut = StratifiedGroupKFold(folds, shuffle=True, random_state=config["seed"])
    for learn, held_out in cut.split(pool.texture, pool.category, getattr(pool, by)):
        yield held_out, fit_members(pool.take(learn), config, np.inf)


def cross_fitted(pool: Dataset, config: dict[str, Any]) -> tuple[Array, Array]:
    """Joint tables by the photo alone (N, 7, 4), uncalibrated; no member has seen the dog that it reads.

    Returns:
        From the networks as they are, and from networks that never saw the dog's breed, with members that never saw
        another dog of it either: networks judge the dogs of an unseen breed much alike, so a member fitted on some of
        them would know the others.
    """
    found = []
    for by, unseen in (("group", False), ("breed", True)):
        features = pool.features(config["members"]["floor"], unseen=unseen)
        joint = np.zeros((len(pool), N_CATEGORIES, N_BANDS))
        for held_out, members in fold_members(pool, config, by=by):
            joint[held_out] = photo_joint(features[held_out], members)
        found.append(joint)
    return found[0], found[1]


def _shares(data: Dataset) -> Array:
    """Share of each category among the photos (7,), each annotator counting half, one photo added to each."""
    counts = np.ones(N_CATEGORIES)
    for annotator in range(2):
        known = data.category_by[:, annotator] != UNKNOWN
        np.add.at(counts, data.category_by[known, annotator], 0.5)
    result: Array = counts / counts.sum()
    return result


NEVER = 2.0  # a probability can't reach it: nothing is called settled
# Dogs in the first test: with fewer, even two errors would end the search (a risk of 2 % at 90 % confidence).
_FIRST_TEST = 320
_SMALLEST_T, _LARGEST_T = 0.25, 4.0


class AsGiven(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """A classifier whose input already is its log probabilities (N, K), for scikit-learn and MAPIE to wrap."""

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
