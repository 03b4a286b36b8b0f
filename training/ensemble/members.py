"""Fitting the members: two logistic regressions on photo evidence, the gate that lets them speak, and the tables that
tie category to band."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedGroupKFold

from coatclass.breeds import background
from coatclass.ensemble.fusion import log_softmax, photo_joint
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, N_SCORES, Array, Members
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand
from training.ensemble.data import UNKNOWN, Dataset

__all__ = [
    "coefficients",
    "cross_fitted",
    "fit_gate",
    "fit_member",
    "fit_members",
    "fold_members",
    "tables",
]

_GATE_C = 100.0  # next to no regularisation: two numbers from thousands of photos
_ALWAYS = 20.0  # logit of a say of 1

_RULED_OUT = [
    (CoatCategory.DROP, LengthBand.UNDER_19MM),
    (CoatCategory.DROP, LengthBand.FROM_19_TO_25MM),
    (CoatCategory.DROP, LengthBand.FROM_25_TO_75MM),
    (CoatCategory.HAIR, LengthBand.OVER_75MM),
]


def fit_member(features: Array, unseen: Array, labels: Any, config: dict[str, Any]) -> LogisticRegression:
    """A multinomial logistic regression on both kinds of evidence, with each annotator's label at half weight.

    Args:
        features, unseen: (N, 19) ordinary evidence, and evidence from networks that never saw the breed.
        labels: (N, 2) one label an annotator; UNKNOWN is left out.
    """
    share = config["members"]["unseen_breed_share"]
    rows = np.concatenate([features, features, unseen, unseen])[:, :N_SCORES]
    targets = np.concatenate([labels[:, 0], labels[:, 1]] * 2)
    weights = np.repeat([1 - share, 1 - share, share, share], len(features)) / 2
    known = (targets != UNKNOWN) & (weights > 0)
    member = LogisticRegression(C=config["members"]["regularisation"], max_iter=2000)
    # Twice, because the two kinds of evidence of one photo are one photo: C keeps its meaning per photo.
    return member.fit(rows[known], targets[known], sample_weight=2 * weights[known])


def coefficients(member: LogisticRegression, classes: int) -> tuple[Array, Array]:
    """Weights (classes, 18) and bias (classes,); a class that was never seen gets a bias that rules it out."""
    weights = np.zeros((classes, member.coef_.shape[1]))
    bias = np.full(classes, -20.0)
    weights[member.classes_] = member.coef_
    bias[member.classes_] = member.intercept_
    return weights, bias


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


def tables(data: Dataset, config: dict[str, Any]) -> tuple[Array, Array]:
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
    seen, unseen = data.features(floor), data.features(floor, unseen=True)
    category = fit_member(seen, unseen, data.category_by, config)
    usable = data.usable
    band = fit_member(seen[usable], unseen[usable], data.band_by[usable], config)
    category_weights, category_bias = coefficients(category, N_CATEGORIES)
    band_weights, band_bias = coefficients(band, N_BANDS)
    compatibility, prior = tables(data, config)
    one = {"photo": 1.0, "answers": 1.0, "both": 1.0}
    return Members(
        version="",
        floor=floor,
        category_weights=category_weights,
        category_bias=category_bias,
        band_weights=band_weights,
        band_bias=band_bias,
        gate=fit_gate(data),
        compatibility=compatibility,
        prior=prior,
        photo_prior=np.log(_shares(data)),
        answer_weight=dict(one),
        category_temperature=dict(one),
        band_temperature=dict(one),
        unfamiliar_above=unfamiliar_above,
    )


def fold_members(pool: Dataset, config: dict[str, Any], folds: int = 5) -> Iterator[tuple[Any, Members]]:
    """Parts of the pool by group, each with members that were fitted on the other parts."""
    cut = StratifiedGroupKFold(folds, shuffle=True, random_state=config["seed"])
    for learn, held_out in cut.split(pool.texture, pool.category, pool.group):
        yield held_out, fit_members(pool.take(learn), config, np.inf)


def cross_fitted(pool: Dataset, config: dict[str, Any]) -> tuple[Array, Array]:
    """Joint tables by the photo alone (N, 7, 4), uncalibrated; no member has seen the dog that it reads.

    Returns:
        From the networks as they are, and from networks that never saw the dog's breed either.
    """
    floor = config["members"]["floor"]
    known, strange = (pool.features(floor, unseen=unseen) for unseen in (False, True))
    by_photo, by_strangers = (np.zeros((len(pool), N_CATEGORIES, N_BANDS)) for _ in range(2))
    for held_out, members in fold_members(pool, config):
        for features, found in ((known, by_photo), (strange, by_strangers)):
            found[held_out] = photo_joint(features[held_out], members)
    return by_photo, by_strangers


def _shares(data: Dataset) -> Array:
    """Share of each category among the photos (7,), each annotator counting half, one photo added to each."""
    counts = np.ones(N_CATEGORIES)
    for annotator in range(2):
        known = data.category_by[:, annotator] != UNKNOWN
        np.add.at(counts, data.category_by[known, annotator], 0.5)
    result: Array = counts / counts.sum()
    return result
