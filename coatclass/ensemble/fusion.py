"""The arithmetic of the ensemble over many dogs at once; run time and fitting share it, so they can't drift apart.

Joint tables are log probabilities of shape (N, 7, 4): category by length band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, N_SCORES, Array, Members
from coatclass.taxonomy import BANDS, band_limits_mm

__all__ = [
    "answer_table",
    "answers_fit",
    "beside_photo",
    "calibrate",
    "fuse",
    "log_softmax",
    "marginals",
    "measured_band",
    "members_say",
    "photo_features",
    "photo_joint",
    "pin_band",
    "pool_photos",
    "prior_margins",
]

_IMPOSSIBLE = -30.0


def log_softmax(logits: Array, axis: int = -1) -> Array:
    """Normalise logits to log probabilities along ``axis``."""
    shifted = logits - logits.max(axis=axis, keepdims=True)
    result: Array = shifted - np.log(np.exp(shifted).sum(axis=axis, keepdims=True))
    return result


def _log_sum_exp(logs: Array, axis: int) -> Array:
    top = logs.max(axis=axis, keepdims=True)
    result: Array = np.squeeze(top + np.log(np.exp(logs - top).sum(axis=axis, keepdims=True)), axis=axis)
    return result


def photo_features(routes: Sequence[Array], unfamiliarity: Array, floor: float) -> Array:
    """What the members see of N photos, (N, 26).

    Args:
        routes: log probabilities by texture (N, 7), kinship (N, 7), band (N, 4) and outline (N, 7).
        unfamiliarity: (N,).
        floor: log probabilities are cut off here.
    """
    scores = np.concatenate(list(routes), axis=1).clip(floor)
    features: Array = np.concatenate([scores, unfamiliarity[:, None]], axis=1)
    return features


def answer_table(log_likelihood: Sequence[Sequence[float]]) -> Array:
    """Log likelihoods (7, 4) with the largest at 0, cut off where an answer is all but impossible."""
    table = np.asarray(log_likelihood, dtype=np.float64)
    result: Array = (table - table.max()).clip(_IMPOSSIBLE)
    return result


def pool_photos(features: Array) -> Array:
    """The logarithmic opinion pool of several photos of one dog: their mean, (26,). Genest and Zidek 1986."""
    pooled: Array = features.mean(axis=0)
    return pooled


def photo_joint(features: Array, members: Members) -> Array:
    """Joint table by the photos alone.

    P(category) is an opinion pool of the plain mean of two routes and of the fitted member. P(band), the network's, is
    turned into P(band | category) by how well the two go together: a drop coat is long by definition, and hair that
    long would be called drop.
    """
    category, band = _opinions(features, members)
    given_category = log_softmax(band[:, None, :] + members.compatibility[None], axis=2)
    joint: Array = category[:, :, None] + given_category
    return joint


def _opinions(features: Array, members: Members) -> tuple[Array, Array]:
    """Log P(category) (N, 7) and log P(band) (N, 4) of a logarithmic opinion pool (Genest and Zidek 1986).

    The plain mean serves breeds that training saw best; the member, fitted on networks that never saw the breed, serves
    the others. The gate tells how far a photo looks like the one or the other. No member helps the band.
    """
    scores, unfamiliarity = features[:, :N_SCORES], features[:, N_SCORES]
    say = members_say(unfamiliarity, members.gate)[:, None]
    cuts = [N_CATEGORIES, 2 * N_CATEGORIES, 2 * N_CATEGORIES + N_BANDS]
    texture, kinship, band, _ = np.split(scores, cuts, axis=1)
    category = say * (scores @ members.category_weights.T + members.category_bias) + (1 - say) * (texture + kinship) / 2
    return log_softmax(category), log_softmax(band)


def members_say(unfamiliarity: Array, gate: Array) -> Array:
    """The fitted members' say (N,) beside the plain mean of the routes, 0 to 1: P(breed unseen | unfamiliarity)."""
    bias, slope = gate
    say: Array = 1 / (1 + np.exp(-(bias + slope * unfamiliarity)))
    return say


def prior_margins(members: Members) -> tuple[Array, Array]:
    """Log P(category) (7,) and log P(band) (4,) before anything is known."""
    return _log_sum_exp(members.prior, axis=1), _log_sum_exp(members.prior, axis=0)


def fuse(base: Array, answers: Array, weight: float = 1.0) -> Array:
    """Multiply a joint table by the answers' likelihood, raised to the power ``weight``."""
    return _normalise(base + weight * answers)


def beside_photo(answers: Array, visible: Array, stated: Array, weight: float) -> Array:
    """The answers' log likelihood as it counts beside a photo, (N, 7, 4).

    Photo and answers are not independent given the coat, for one look drives both: of what a photo shows as well
    (``visible``; by stated rows: ``stated``) the answers tell only the share ``weight`` anew.
    """
    result: Array = answers - visible + weight * stated
    return result


def answers_fit(by_photo: Array, answers: Array) -> Array:
    """log of how well the coats that a photo shows explain the answers, beside the coat that explains them best, (N,).

    Each coat at the length that suits the answers best: a coat that was cut since is no contradiction.

    Args:
        by_photo: P(category) by the photo, (N, 7).
        answers: log likelihoods (N, 7, 4).
    """
    told = answers.max(axis=2)
    told = told - told.max(axis=1, keepdims=True)
    result: Array = np.log((by_photo * np.exp(told)).sum(axis=1))
    return result


def _normalise(joint: Array) -> Array:
    flat = log_softmax(joint.reshape(len(joint), -1))
    return flat.reshape(joint.shape)


def calibrate(joint: Array, category_temperature: float, band_temperature: float) -> Array:
    """Temperature scaling (Guo et al. 2017) of P(category), and of P(band | category) within each category."""
    category = _log_sum_exp(joint, axis=2)
    given_category = log_softmax((joint - category[:, :, None]) / band_temperature, axis=2)
    scaled: Array = log_softmax(category / category_temperature)[:, :, None] + given_category
    return scaled


def pin_band(joint: Array, band: Array) -> Array:
    """Give the joint table the band distribution ``band`` (N, 4), keeping P(category | band): Jeffrey's rule.

    So a measured length replaces every estimate of the band, and says about the category only what length says.
    """
    with np.errstate(divide="ignore"):
        pinned: Array = joint - _log_sum_exp(joint, axis=1)[:, None, :] + np.log(band)[:, None, :]
    return pinned


def measured_band(length_mm: float, sd_log: float, gross_error: float) -> Array:
    """P(true length lies in each band), (4,), when a person measured ``length_mm``.

    The log of the measurement has a normal error of ``sd_log``; with probability ``gross_error`` it says nothing.
    """

    def below(limit: float) -> float:
        if limit <= 0 or length_mm <= 0:
            return float(limit > 0)
        return 0.5 * (1.0 + math.erf(math.log(limit / length_mm) / (sd_log * math.sqrt(2.0))))

    limits = [band_limits_mm(band) for band in BANDS]
    shares = np.array([below(high) - below(low) for low, high in limits])
    result: Array = (1 - gross_error) * shares + gross_error / len(BANDS)
    return result


def marginals(joint: Array) -> tuple[Array, Array]:
    """P(category) (N, 7) and P(band) (N, 4), each row summing to 1."""
    table = np.exp(joint)
    assert table.shape[1:] == (N_CATEGORIES, N_BANDS)
    table /= table.sum(axis=(1, 2), keepdims=True)
    return table.sum(axis=2), table.sum(axis=1)
