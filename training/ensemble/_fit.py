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
from training.ensemble._answers import draw_dogs, draw_owners, known_bands, simulate
from training.ensemble._calibrate import NEVER, conformal_threshold, settle_threshold, temperature
from training.ensemble._data import UNKNOWN, Dataset, split_groups
from training.ensemble._members import cross_fitted, fit_members, fit_photo_gain

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


@dataclass(frozen=True)
class _Part:
    """Photos of one role, and what cross-fitted members read from each, (N, 7, 4).

    ``by_strangers`` is read by networks that never saw the breed either.
    """

    data: Dataset
    by_photo: Array
    by_strangers: Array

    def take(self, chosen: Any) -> _Part:
        """The chosen photos."""
        return _Part(self.data.take(chosen), self.by_photo[chosen], self.by_strangers[chosen])

    @property
    def strange(self) -> _Part:
        """The same photos as dogs of breeds that training never saw."""
        data = replace(self.data, unfamiliarity=self.data.unseen_unfamiliarity)
        return _Part(data, self.by_strangers, self.by_strangers)


def fit(data: Dataset, config: dict[str, Any], unfamiliar_above: float) -> Fitted:
    """Fit members on the pool; then weights and temperatures, then thresholds, on cross-fitted tables of other dogs.

    ``unfamiliar_above`` is the image model's own limit: the scale of the score changes with every network.
    """
    pool = data.take(data.split != "test")
    roles = split_groups(pool, config["pool"], config["seed"])
    whole = _Part(pool, *cross_fitted(pool, config))
    parts = {name: whole.take(mask) for name, mask in roles.items()}
    members = fit_members(pool, config, unfamiliar_above)
    gain, dogs = fit_photo_gain(pool, members, np.round(np.arange(0.0, 1.01, 0.1), 1))
    members = replace(members, photo_gain=gain)
    members, weighed = _weigh_answers(parts["temper"], members, config)
    members = _temper(parts["temper"], members, config)
    thresholds, settled = _thresholds(parts, members, config)
    notes = {
        "photos": {"members": len(pool), **{name: len(part.data) for name, part in parts.items()}},
        "mixed_photos": {name: int((part.data.category == _MIXED).sum()) for name, part in parts.items()},
        "dogs_with_several_photos": dogs,
        "answer_weight_log_loss": weighed,
        "settled": settled,
    }
    return Fitted(members, thresholds, notes)


def estimate_tables(
    regime: str, features: Array, answers: Array | None, members: Members, *, calibrated: bool = True
) -> Array:
    """Joint tables (N, 7, 4) of a regime, one photo a dog; the same steps as ``coatclass.ensemble.combine``."""
    by_photo = None if regime == "answers" else photo_joint(features, np.ones(len(features)), members)
    return _fused(regime, len(features), by_photo, answers, members, calibrated=calibrated)


def _fused(
    regime: str, n: int, by_photo: Array | None, answers: Array | None, members: Members, *, calibrated: bool
) -> Array:
    if regime == "answers" or by_photo is None:
        base = np.broadcast_to(members.prior, (n, *members.prior.shape))
    else:
        base = by_photo
    if answers is not None and regime != "photo":
        base = fuse(base, answers, members.answer_weight[regime])
    if not calibrated:
        return base
    return calibrate(base, members.category_temperature[regime], members.band_temperature[regime])


@dataclass(frozen=True)
class _Cases:
    """Dogs whose coat is known, with simulated answers; ``known`` marks those whose band counts."""

    category: Any
    band: Any
    known: Any
    by_photo: Array | None
    answers: Array
    unfamiliarity: Array

    def __len__(self) -> int:
        return len(self.category)


def _with_photos(part: _Part, config: dict[str, Any], stream: int, repeats: int = 1) -> _Cases:
    """Photographed dogs, ``repeats`` times over, each time with another simulated owner."""
    rng = np.random.default_rng([config["seed"], stream])
    many = part.take(np.tile(np.arange(len(part.data)), repeats))
    data = many.data
    answers = _owners(data.category, known_bands(data, rng), rng, config)
    known = data.usable & (data.band != UNKNOWN)
    return _Cases(data.category, data.band, known, many.by_photo, answers, data.unfamiliarity)


def _without_photos(members: Members, config: dict[str, Any], stream: int) -> _Cases:
    """Simulated dogs, drawn from the prior: answers alone have nothing to learn from photos."""
    rng = np.random.default_rng([config["seed"], stream, 1])
    n = config["answers"]["dogs"]
    category, band = draw_dogs(n, rng, members.prior)
    answers = _owners(category, band, rng, config)
    return _Cases(category, band, np.ones(n, bool), None, answers, np.zeros(n))


def _owners(category: Any, band: Any, rng: np.random.Generator, config: dict[str, Any]) -> Array:
    settings = config["answers"]
    rates, asked = draw_owners(len(category), rng, settings["error_rates"], settings["answered"])
    return simulate(category, band, rng, rates, asked)


def _by_regime(
    part: _Part, members: Members, config: dict[str, Any], stream: int, repeats: int = 1
) -> dict[str, _Cases]:
    with_photos = _with_photos(part, config, stream, repeats)
    return {"photo": with_photos, "answers": _without_photos(members, config, stream), "both": with_photos}


def _tables(regime: str, cases: _Cases, members: Members, *, calibrated: bool = True) -> Array:
    return _fused(regime, len(cases), cases.by_photo, cases.answers, members, calibrated=calibrated)


def _joint_loss(joint: Array, cases: _Cases) -> float:
    """Mean log loss of the category, and of the band where it is known."""
    category, band = marginals(joint)
    rows = np.arange(len(cases))
    of_category = -np.log(category[rows, cases.category].clip(1e-12)).mean()
    of_band = -np.log(band[rows[cases.known], cases.band[cases.known]].clip(1e-12)).mean()
    return float(of_category + of_band)


def _weigh_answers(part: _Part, members: Members, config: dict[str, Any]) -> tuple[Members, dict[str, Any]]:
    """The exponent of the answers' likelihood with the least log loss, by regime."""
    cases = _by_regime(part, members, config, stream=1, repeats=config["answers"]["repeats"])
    weights, losses = dict(members.answer_weight), {}
    for regime in ("answers", "both"):
        by_weight = {}
        for weight in _GRID.tolist():
            tried = replace(members, answer_weight={**members.answer_weight, regime: weight})
            by_weight[weight] = _joint_loss(_tables(regime, cases[regime], tried, calibrated=False), cases[regime])
        weights[regime] = min(by_weight, key=lambda weight: by_weight[weight])
        losses[regime] = round(by_weight[weights[regime]], 4)
    return replace(members, answer_weight=weights), losses


def _temper(part: _Part, members: Members, config: dict[str, Any]) -> Members:
    """Temperatures by regime, on dogs that no member of theirs was fitted on."""
    of_category, of_band = {}, {}
    for regime, cases in _by_regime(part, members, config, stream=2).items():
        joint = _tables(regime, cases, members, calibrated=False)
        category = np.log(marginals(joint)[0])
        given_truth = log_softmax(joint[np.arange(len(cases)), cases.category])
        of_category[regime] = temperature(category, cases.category)
        of_band[regime] = temperature(given_truth[cases.known], cases.band[cases.known])
    return replace(members, category_temperature=of_category, band_temperature=of_band)


def _thresholds(parts: dict[str, _Part], members: Members, config: dict[str, Any]) -> tuple[Thresholds, dict[str, Any]]:
    """Limits for mixed coats and contradictions on one part, sets and the limit for *settled* on another."""
    tempering = _by_regime(parts["temper"], members, config, stream=3)
    mixed_at = {
        regime: _mixed_threshold(marginals(_tables(regime, cases, members))[0], cases)
        for regime, cases in tempering.items()
    }
    disagree_below = float(
        np.quantile(_agreements(*_apart(tempering["both"], members)), promise()["disagree_false_alarm"])
    )
    dogs = parts["conform"].take(_one_a_group(parts["conform"].data))
    strangers = _with_photos(dogs.strange, config, stream=4)
    regimes, settled = {}, {}
    for regime, cases in _by_regime(dogs, members, config, stream=4).items():
        joint = _tables(regime, cases, members)
        at = _sets(joint, cases, mixed_at[regime], simulated=regime != "photo")
        met = [cases] if regime == "answers" else [cases, strangers]
        regimes[regime], settled[regime] = _settle(
            [
                _Met(one, marginals(_tables(regime, one, members))[0], _flagged(regime, one, members, disagree_below))
                for one in met
            ],
            at,
        )
    return Thresholds(version="", regimes=regimes, disagree_below=disagree_below), settled


def _flagged(regime: str, cases: _Cases, members: Members, disagree_below: float) -> Array:
    """Dogs that other rules send to a groomer (N,): unlike anything seen, or photo against answers."""
    flagged: Array = cases.unfamiliarity > members.unfamiliar_above
    if regime == "both":
        photo, said = _apart(cases, members)
        flagged |= (_agreements(photo, said) < disagree_below) & (photo.argmax(axis=1) != said.argmax(axis=1))
    return flagged


def _apart(cases: _Cases, members: Members) -> tuple[Array, Array]:
    """P(category) by the photo alone and by the answers alone, (N, 7) each."""
    return marginals(_tables("photo", cases, members))[0], marginals(_tables("answers", cases, members))[0]


def _one_a_group(data: Dataset) -> Any:
    """The first photo of each dog: the promises are about dogs, and near-duplicates would count twice."""
    return np.sort(np.unique(data.group, return_index=True)[1])


def _agreements(first: Array, second: Array) -> Array:
    return np.array([agreement(p, q) for p, q in zip(first.tolist(), second.tolist(), strict=True)])


def _mixed_threshold(category: Array, cases: _Cases) -> float:
    others = category[cases.category != _MIXED, _MIXED]
    return float(np.quantile(others, 1 - promise()["mixed_false_alarm"]))


def _sets(joint: Array, cases: _Cases, mixed_at: float, *, simulated: bool) -> RegimeThresholds:
    category, band = marginals(joint)
    known = cases.known
    reliability = promise()["set_reliability"]
    return RegimeThresholds(
        category_at=conformal_threshold(category, cases.category, reliability),
        band_at=conformal_threshold(band[known], cases.band[known], reliability),
        settle_at=0.0,
        mixed_at=mixed_at,
        calibrated_on=len(cases),
        simulated=simulated,
    )


@dataclass(frozen=True)
class _Met:
    """Dogs, P(category) (N, 7), and which of them other rules send to a groomer (N,)."""

    cases: _Cases
    category: Array
    flagged: Array


def _settle(met: list[_Met], at: RegimeThresholds) -> tuple[RegimeThresholds, dict[str, Any]]:
    """How sure one must be to call a coat settled, so that the promise holds on each kind of dogs: seen and strange."""
    risk, confidence = promise()["settled_risk"], promise()["settled_confidence"]
    sureness = [_sureness(one, at) for one in met]
    right = [one.category.argmax(axis=1) == one.cases.category for one in met]
    limit = max(settle_threshold(sure, ok, risk, confidence) for sure, ok in zip(sureness, right, strict=True))
    measured: dict[str, Any] = {"limit_found": limit != NEVER, "most_categories": decision_limits()["most_categories"]}
    for name, sure, ok in zip(("known_breeds", "unseen_breeds"), sureness, right, strict=False):
        chosen = sure >= limit
        measured[name] = {
            "dogs": len(sure),
            "settled_share": float(chosen.mean()),
            "wrong_among_settled": float((~ok[chosen]).mean()) if chosen.any() else None,
        }
    return at.model_copy(update={"settle_at": limit}), measured


def _sureness(met: _Met, at: RegimeThresholds) -> Array:
    """The best category's probability (N,); 0 where the set holds several or another rule stands in the way."""
    alone = np.array([len(category_set(row, at)) == 1 for row in met.category.tolist()]) & ~met.flagged
    return np.where(alone, met.category.max(axis=1), 0.0)
