"""The steps of a fit in their order; each role of the pool is used once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coatclass.decision import RegimeThresholds, Thresholds, agreement, category_set, promise
from coatclass.decision._thresholds import limits as decision_limits
from coatclass.ensemble._fusion import calibrate, fuse, log_softmax, marginals, photo_joint
from coatclass.ensemble._members import Array, Members
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble._answers import draw_owners, simulate
from training.ensemble._calibrate import NEVER, conformal_threshold, settle_threshold, temperature
from training.ensemble._data import UNKNOWN, Dataset, split_groups
from training.ensemble._members import fit_members, fit_photo_gain

__all__ = ["REGIMES", "Fitted", "estimate_tables", "fit"]

REGIMES = ("photo", "answers", "both")
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_GRID = np.round(np.arange(0.2, 1.55, 0.05), 2)


@dataclass(frozen=True)
class Fitted:
    """The released members and thresholds, and what was noted on the way."""

    members: Members
    thresholds: Thresholds
    notes: dict[str, Any]


def fit(data: Dataset, config: dict[str, Any], unfamiliar_above: float) -> Fitted:
    """Fit members, then temperatures, then thresholds, each on groups of its own.

    ``unfamiliar_above`` is the image model's own limit: the scale of the score changes with every network.
    """
    roles = split_groups(data, config["pool"], config["seed"])
    parts = {name: data.take(mask) for name, mask in roles.items()}
    members = fit_members(parts["fit"], config, unfamiliar_above)
    gain, dogs = fit_photo_gain(data.take(data.split != "test"), members, np.round(np.arange(0.0, 1.01, 0.1), 1))
    members = replace(members, photo_gain=gain)
    members, weighed = _weigh_answers(parts["fit"], members, config)
    members = _temper(parts["temper"], members, config)
    thresholds, settled = _thresholds(parts, members, config)
    notes = {
        "photos": {name: len(part) for name, part in parts.items()},
        "mixed_photos": {name: int((part.category == _MIXED).sum()) for name, part in parts.items()},
        "dogs_with_several_photos": dogs,
        "answer_weight_log_loss": weighed,
        "settled": settled,
    }
    return Fitted(members, thresholds, notes)


def estimate_tables(
    regime: str, features: Array, answers: Array | None, members: Members, *, calibrated: bool = True
) -> Array:
    """Joint tables (N, 7, 4) of a regime, one photo a dog; the same steps as ``coatclass.ensemble.combine``."""
    n = len(features)
    if regime == "answers":
        base = np.broadcast_to(members.prior, (n, *members.prior.shape))
    else:
        base = photo_joint(features, np.ones(n), members)
    if answers is not None and regime != "photo":
        base = fuse(base, answers, members.answer_weight[regime])
    if not calibrated:
        return base
    return calibrate(base, members.category_temperature[regime], members.band_temperature[regime])


def _owners(data: Dataset, config: dict[str, Any], stream: int, repeats: int = 1) -> tuple[Dataset, Array]:
    """The data ``repeats`` times over, with simulated answers."""
    rng = np.random.default_rng([config["seed"], stream])
    many = data.take(np.tile(np.arange(len(data)), repeats))
    settings = config["answers"]
    rates, asked = draw_owners(len(many), rng, settings["error_rates"], settings["answered"])
    return many, simulate(many, rng, rates, asked)


def _joint_loss(joint: Array, data: Dataset) -> float:
    """Mean log loss of the category, and of the band where it is known."""
    category, band = marginals(joint)
    rows = np.arange(len(data))
    known = data.usable & (data.band != UNKNOWN)
    of_category = -np.log(category[rows, data.category].clip(1e-12)).mean()
    of_band = -np.log(band[rows[known], data.band[known]].clip(1e-12)).mean()
    return float(of_category + of_band)


def _weigh_answers(part: Dataset, members: Members, config: dict[str, Any]) -> tuple[Members, dict[str, Any]]:
    """The exponent of the answers' likelihood with the least log loss, by regime: owners err, tables don't know it."""
    many, answers = _owners(part, config, stream=1, repeats=config["answers"]["repeats"])
    features = many.features(members.floor)
    weights, losses = dict(members.answer_weight), {}
    for regime in ("answers", "both"):
        by_weight = {}
        for weight in _GRID.tolist():
            tried = replace(members, answer_weight={**members.answer_weight, regime: weight})
            by_weight[weight] = _joint_loss(estimate_tables(regime, features, answers, tried, calibrated=False), many)
        weights[regime] = min(by_weight, key=lambda weight: by_weight[weight])
        losses[regime] = round(by_weight[weights[regime]], 4)
    return replace(members, answer_weight=weights), losses


def _temper(part: Dataset, members: Members, config: dict[str, Any]) -> Members:
    """Temperatures by regime, on dogs that no member was fitted on."""
    many, answers = _owners(part, config, stream=2)
    features = many.features(members.floor)
    of_category, of_band = {}, {}
    known = many.usable & (many.band != UNKNOWN)
    for regime in REGIMES:
        joint = estimate_tables(regime, features, answers, members, calibrated=False)
        category = np.log(marginals(joint)[0])
        given_truth = log_softmax(joint[np.arange(len(many)), many.category])
        of_category[regime] = temperature(category, many.category)
        of_band[regime] = temperature(given_truth[known], many.band[known])
    return replace(members, category_temperature=of_category, band_temperature=of_band)


def _thresholds(
    parts: dict[str, Dataset], members: Members, config: dict[str, Any]
) -> tuple[Thresholds, dict[str, Any]]:
    """Limits for mixed coats and contradictions on one part, sets and the limit for *settled* on another."""
    many, answers = _owners(parts["temper"], config, stream=3)
    features = many.features(members.floor)
    tables = {regime: estimate_tables(regime, features, answers, members) for regime in REGIMES}
    mixed_at = {regime: _mixed_threshold(marginals(joint)[0], many) for regime, joint in tables.items()}
    agreements = _agreements(marginals(tables["photo"])[0], marginals(tables["answers"])[0])
    disagree_below = float(np.quantile(agreements, promise()["disagree_false_alarm"]))
    dogs = parts["conform"].take(_one_a_group(parts["conform"]))
    many, answers = _owners(dogs, config, stream=4)
    regimes, settled = {}, {}
    for regime in REGIMES:
        joint = estimate_tables(regime, many.features(members.floor), answers, members)
        at = _sets(joint, many, mixed_at[regime], simulated=regime != "photo")
        flagged = many.unfamiliarity > members.unfamiliar_above if regime != "answers" else np.zeros(len(many), bool)
        if regime == "both":
            photo = marginals(estimate_tables("photo", many.features(members.floor), None, members))[0]
            said = marginals(estimate_tables("answers", many.features(members.floor), answers, members))[0]
            flagged |= (_agreements(photo, said) < disagree_below) & (photo.argmax(axis=1) != said.argmax(axis=1))
        regimes[regime], settled[regime] = _settle(marginals(joint)[0], many, at, flagged)
    return Thresholds(version="", regimes=regimes, disagree_below=disagree_below), settled


def _one_a_group(data: Dataset) -> Any:
    """The first photo of each dog: the promises are about dogs, and near-duplicates would count twice."""
    return np.sort(np.unique(data.group, return_index=True)[1])


def _agreements(first: Array, second: Array) -> Array:
    return np.array([agreement(p, q) for p, q in zip(first.tolist(), second.tolist(), strict=True)])


def _mixed_threshold(category: Array, data: Dataset) -> float:
    others = category[data.category != _MIXED, _MIXED]
    return float(np.quantile(others, 1 - promise()["mixed_false_alarm"]))


def _sets(joint: Array, data: Dataset, mixed_at: float, *, simulated: bool) -> RegimeThresholds:
    category, band = marginals(joint)
    known = data.usable & (data.band != UNKNOWN)
    reliability = promise()["set_reliability"]
    return RegimeThresholds(
        category_at=conformal_threshold(category, data.category, reliability),
        band_at=conformal_threshold(band[known], data.band[known], reliability),
        settle_at=0.0,
        mixed_at=mixed_at,
        calibrated_on=len(data),
        simulated=simulated,
    )


def _settle(
    category: Array, data: Dataset, at: RegimeThresholds, flagged: Any
) -> tuple[RegimeThresholds, dict[str, Any]]:
    """How sure one must be to call a coat settled; dogs that other rules send to a groomer never are."""
    sets = [category_set(row, at) for row in category.tolist()]
    alone = np.array([len(chosen) == 1 for chosen in sets]) & ~flagged
    sureness = np.where(alone, category.max(axis=1), 0.0)
    right = category.argmax(axis=1) == data.category
    limit = settle_threshold(sureness, right, promise()["settled_risk"], promise()["settled_confidence"])
    chosen = sureness >= limit
    measured = {
        "dogs": len(data),
        "settled_share": float(chosen.mean()),
        "wrong_among_settled": float((~right[chosen]).mean()) if chosen.any() else None,
        "limit_found": limit != NEVER,
        "most_categories": decision_limits()["most_categories"],
    }
    return at.model_copy(update={"settle_at": limit}), measured
