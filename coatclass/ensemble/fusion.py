"""Evidence to one calibrated estimate, and the arithmetic behind it over many dogs at once.

Run time and fitting share the arithmetic, so they can't drift apart. Joint tables are log probabilities of shape
(N, 7, 4): category by length band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coatclass.contract import AnswerEvidence, CoatEstimate, PhotoEvidence, Regime
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, N_SCORES, Array, Members, load
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, band_limits_mm, gross_error, measuring_error

_IMPOSSIBLE = -30.0
_HAIR, _DROP = CATEGORIES.index(CoatCategory.HAIR), CATEGORIES.index(CoatCategory.DROP)


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

    The plain mean is best for breeds seen in training; for unseen breeds it is the member, which was fitted on
    leave-breed-out evidence. The gate weight says how much the photo looks like one. No member helps the band.
    """
    scores, unfamiliarity = features[:, :N_SCORES], features[:, N_SCORES]
    gate = gate_weight(unfamiliarity, members.gate)[:, None]
    cuts = [N_CATEGORIES, 2 * N_CATEGORIES, 2 * N_CATEGORIES + N_BANDS]
    texture, kinship, band, _ = np.split(scores, cuts, axis=1)
    strange = by_length(scores @ members.category_weights.T + members.category_bias, band, members.length_split)
    return log_softmax(gate * strange + (1 - gate) * (texture + kinship) / 2), log_softmax(band)


def by_length(category: Array, band: Array, split: Array) -> Array:
    """Log P(category) (N, 7) with the mass of *hair* and *drop* split between them by the band.

    Even of an unseen breed a photo shows whether it wears soft hair that keeps growing; which of the two it is called
    depends on the length of the moment.

    Args:
        category: (N, 7), up to a constant a dog.
        band: log probabilities (N, 4).
        split: bias and slope (2,) of the logit of *drop* by the log odds of the longest band.
    """
    longest = band[:, -1] - _log_sum_exp(band[:, :-1], axis=1)
    drop = split[0] + split[1] * longest
    both = np.logaddexp(category[:, _HAIR], category[:, _DROP])
    found = category.copy()
    found[:, _HAIR], found[:, _DROP] = both - np.logaddexp(0, drop), both - np.logaddexp(0, -drop)
    return found


def gate_weight(unfamiliarity: Array, gate: Array) -> Array:
    """Gate weight (N,) in [0, 1] of the fitted member against the routes' plain mean: P(unseen breed | unfamiliarity).

    Args:
        unfamiliarity: how unlike the training photos each photo is, (N,).
        gate: bias and slope (2,) of the logit.
    """
    bias, slope = gate
    weight: Array = 1 / (1 + np.exp(-(bias + slope * unfamiliarity)))
    return weight


def prior_margins(members: Members) -> tuple[Array, Array]:
    """Log P(category) (7,) and log P(band) (4,) before anything is known."""
    return _log_sum_exp(members.prior, axis=1), _log_sum_exp(members.prior, axis=0)


def fuse(base: Array, answers: Array, weight: float = 1.0) -> Array:
    """Multiply a joint table by the answers' likelihood, raised to the power ``weight``.

    Args:
        base: log probabilities (N, 7, 4).
        answers: log likelihoods (N, 7, 4).
        weight: under 1 where the answers repeat each other.

    Returns:
        Normalised log probabilities (N, 7, 4).
    """
    return _normalise(base + weight * answers)


def beside_photo(answers: Array, visible: Array, stated: Array, weight: float) -> Array:
    """The answers' log likelihood as it counts beside a photo, (N, 7, 4).

    Photo and answers are not independent given the coat, since both rest on what the dog looks like. Answers about what
    the photo shows too therefore count only with the exponent ``weight``.

    Args:
        answers: log likelihood of all answers, (N, 7, 4).
        visible: the part of it that comes from questions whose answer a photo shows, (N, 7, 4).
        stated: the same part by the stated tables instead of those counted on observed answers, (N, 7, 4).
        weight: in [0, 1].
    """
    result: Array = answers - visible + weight * stated
    return result


def answers_fit(by_photo: Array, answers: Array) -> Array:
    """Log likelihood ratio (N,) of the answers: under the coats that the photo shows, against the best of all coats.

    0 if photo and answers agree, far below 0 if they contradict each other. Each coat is taken at the length that suits
    the answers best, since a coat that has been cut since is no contradiction.

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
    """Temperature scaling (Guo et al. 2017) of P(category), and of P(band | category) within each category.

    Args:
        joint: log probabilities (N, 7, 4).
        category_temperature, band_temperature: above 0; 1 changes nothing, more makes less sure.
    """
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

    A mixture: the log of the measurement has a normal error of standard deviation ``sd_log``; with probability
    ``gross_error`` it is an outlier, and all bands are equally likely.
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


@dataclass(frozen=True)
class HandsOn:
    """What a groomer felt and measured with the dog on the table; whatever is given overrides all estimates."""

    category: CoatCategory | None = None
    band: LengthBand | None = None
    length_mm: float | None = None


def combine(
    photos: Sequence[PhotoEvidence] = (),
    answers: AnswerEvidence | None = None,
    *,
    finding: HandsOn | None = None,
    members: Members | None = None,
) -> CoatEstimate:
    """Weigh photos, answers and a finding into calibrated probabilities.

    1. Photos of one dog are pooled (mean log probabilities). How unlike the training photos they are decides whose
       opinion counts: the routes' plain mean, or the member fitted on leave-breed-out evidence.
    2. Answers multiply the joint table of category and band by their likelihood; beside a photo, what it shows as well
       counts less.
    3. Temperatures, one per regime, make the probabilities mean what they say.
    4. Breed, parents and genes multiply it too; what they are worth is stated where they are looked up, not fitted:
       the photos' labels were given by people who knew the breed, so photos can't teach it. What a photo says is first
       freed of the shares among the photos (prior correction, Saerens et al. 2002): they hold next to no mixed coats,
       and a cross is not as rare among crosses.
    5. A length measured by a person replaces every estimate of the band; a groomer's finding replaces all.

    Args:
        photos: evidence of the photos that can be used, all of the same dog; may be empty.
        answers: what the answers say; None or without any answered question counts as no answers.
        finding: a groomer's hands-on finding.
        members: another fit than the released one.
    """
    members = members or load()
    answered = answers if answers is not None and (answers.answered or answers.measured_mm is not None) else None
    regime = _regime(bool(photos), answered is not None)
    by_photo = _by_photos(photos, members) if photos else None
    joint = _joint(by_photo, answered, regime, members)
    if answered is not None and answered.measured_mm is not None:
        joint = pin_band(joint, _measured(answered.measured_mm, answered.measured_by)[None])
    if finding is not None:
        joint, regime = _found(joint, finding, regime)
    category, band = marginals(joint)
    return CoatEstimate(
        category=tuple(category[0].tolist()),
        band=tuple(band[0].tolist()),
        regime=regime,
        by_photo=None if by_photo is None else _category(_joint(by_photo, None, "photo", members)),
        by_answers=None if answered is None else _category(_by_answers(answered, members)),
        unfamiliar=bool(photos) and all(photo.unfamiliarity > members.unfamiliar_above for photo in photos),
        joint=tuple(tuple(row) for row in np.exp(joint[0]).tolist()),
        answers_fit_photo=None if by_photo is None or answered is None else _fit(by_photo, answered, members),
        unnamed=None if answered is None else _unnamed(by_photo, answered, members),
    )


def one_coat(one: PhotoEvidence, other: PhotoEvidence, members: Members | None = None) -> float:
    """Log odds (nats) that two photos show the same coat rather than two coats drawn independently.

    By Bayes, with coats as frequent as among the photos that the members learned from: log of the sum over coats of
    P(coat | one) P(coat | other) / P(coat). Well below 0, the photos hardly show the same dog at the same time.
    """
    members = members or load()
    by_photo = [_category(_joint(_by_photos([seen], members), None, "photo", members)) for seen in (one, other)]
    return float(np.log((np.prod(by_photo, axis=0) / np.exp(members.photo_prior)).sum()))


def _regime(has_photos: bool, has_answers: bool) -> Regime:
    if has_photos:
        return "both" if has_answers else "photo"
    return "answers" if has_answers else "none"


def _by_photos(photos: Sequence[PhotoEvidence], members: Members) -> Array:
    features = photo_features(
        [
            np.array([photo.texture for photo in photos]),
            np.array([photo.kinship for photo in photos]),
            np.array([photo.band for photo in photos]),
            np.array([_outline(photo) for photo in photos]),
        ],
        np.array([photo.unfamiliarity for photo in photos]),
        members.floor,
    )
    return photo_joint(pool_photos(features)[None], members)


def _told(answers: AnswerEvidence, regime: Regime, members: Members) -> tuple[Array, float]:
    """The answers' log likelihood (1, 7, 4), and its exponent."""
    told = answer_table(answers.log_likelihood)[None]
    if regime != "both" or answers.visible is None or answers.stated_visible is None:
        return told, members.answer_weight["answers"] if regime == "answers" else 1.0
    visible, stated = (answer_table(table)[None] for table in (answers.visible, answers.stated_visible))
    return beside_photo(told, visible, stated, members.answer_weight["both"]), 1.0


def _outline(photo: PhotoEvidence) -> Sequence[float]:
    """What the outline says; the mean of the other two routes where no network looked at it."""
    if photo.outline is not None:
        return photo.outline
    return [(one + other) / 2 for one, other in zip(photo.texture, photo.kinship, strict=True)]


def _by_answers(answers: AnswerEvidence, members: Members) -> Array:
    return _joint(None, answers, "answers", members)


def _joint(by_photo: Array | None, answers: AnswerEvidence | None, regime: Regime, members: Members) -> Array:
    """Calibrated joint table from everything but measured lengths and findings."""
    base = members.prior[None] if by_photo is None else by_photo
    if answers is None and by_photo is None:
        return base
    if answers is not None and _asked(answers):
        base = fuse(base, *_told(answers, regime, members))
        base = calibrate(base, members.category_temperature[regime], members.band_temperature[regime])
    elif by_photo is not None:
        base = calibrate(base, members.category_temperature["photo"], members.band_temperature["photo"])
    if answers is not None and answers.ancestry is not None:
        if by_photo is not None:
            base = base + (prior_margins(members)[0] - members.photo_prior)[None, :, None]
        base = fuse(base, answer_table(answers.ancestry)[None])
    return base


def _unnamed(by_photo: Array | None, answers: AnswerEvidence, members: Members) -> tuple[float, ...] | None:
    """P(category), (7,), without names and genes; None if nobody named any, or nothing else is known."""
    if answers.ancestry is None or (by_photo is None and not _asked(answers)):
        return None
    regime = _regime(by_photo is not None, True)
    return _category(_joint(by_photo, replace(answers, ancestry=None), regime, members))


def _fit(by_photo: Array, answers: AnswerEvidence, members: Members) -> float:
    """How well photo and answers agree, see :func:`answers_fit`."""
    said = answer_table(answers.log_likelihood)[None]
    if answers.ancestry is not None:
        named = marginals((members.prior + answer_table(answers.ancestry))[None])[0]
        said = said + np.log(named)[:, :, None]
    photo = marginals(_joint(by_photo, None, "photo", members))[0]
    return float(answers_fit(photo, said)[0])


def _asked(answers: AnswerEvidence) -> bool:
    """Whether any question other than breed and parents was answered."""
    return any(value != answers.log_likelihood[0][0] for row in answers.log_likelihood for value in row)


def _category(joint: Array) -> tuple[float, ...]:
    return tuple(marginals(joint)[0][0].tolist())


def _measured(length_mm: float, by: str = "ruler") -> Array:
    return measured_band(length_mm, measuring_error(by), gross_error())


def _found(joint: Array, finding: HandsOn, regime: Regime) -> tuple[Array, Regime]:
    """What hands found stands, whatever photo and answers say."""
    if finding.length_mm is not None:
        joint = pin_band(joint, _measured(finding.length_mm)[None])
    elif finding.band is not None:
        joint = pin_band(joint, np.eye(N_BANDS)[BANDS.index(finding.band)][None])
    if finding.category is None:
        return joint, regime
    with np.errstate(divide="ignore"):
        row = np.log(np.eye(N_CATEGORIES)[CATEGORIES.index(finding.category)])
    band = marginals(joint)[1]
    given_band = joint[:, CATEGORIES.index(finding.category)]
    measured = finding.length_mm is not None or finding.band is not None
    with np.errstate(divide="ignore"):
        length = np.log(band) if measured else log_softmax(given_band)
    return row[None, :, None] + length[:, None, :], "hands_on"
