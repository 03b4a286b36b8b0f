"""One dog: whatever evidence there is to one calibrated estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coatclass.contract import AnswerEvidence, CoatEstimate, PhotoEvidence, Regime
from coatclass.ensemble import fusion
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, Array, Members, load
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

__all__ = ["Finding", "combine"]

_DATA = Path(__file__).with_name("data") / "ensemble.toml"


@dataclass(frozen=True)
class Finding:
    """What a groomer felt and measured with the dog on the table; whatever is given overrides all estimates."""

    category: CoatCategory | None = None
    band: LengthBand | None = None
    length_mm: float | None = None


def combine(
    photos: Sequence[PhotoEvidence] = (),
    answers: AnswerEvidence | None = None,
    *,
    finding: Finding | None = None,
    members: Members | None = None,
) -> CoatEstimate:
    """Weigh photos, answers and a finding into calibrated probabilities.

    1. Photos of one dog are pooled (mean log probabilities). How unlike the training photos they are decides whose
       opinion counts: the routes' plain mean, or members that were fitted on networks that never saw the breed.
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
        joint = fusion.pin_band(joint, _measured(answered.measured_mm)[None])
    if finding is not None:
        joint, regime = _found(joint, finding, regime)
    category, band = fusion.marginals(joint)
    return CoatEstimate(
        category=tuple(category[0].tolist()),
        band=tuple(band[0].tolist()),
        regime=regime,
        by_photo=None if by_photo is None else _category(_joint(by_photo, None, "photo", members)),
        by_answers=None if answered is None else _category(_by_answers(answered, members)),
        unfamiliar=bool(photos) and all(photo.unfamiliarity > members.unfamiliar_above for photo in photos),
        joint=tuple(tuple(row) for row in np.exp(joint[0]).tolist()),
        answers_fit_photo=None if by_photo is None or answered is None else _fit(by_photo, answered, members),
    )


def _regime(has_photos: bool, has_answers: bool) -> Regime:
    if has_photos:
        return "both" if has_answers else "photo"
    return "answers" if has_answers else "none"


def _by_photos(photos: Sequence[PhotoEvidence], members: Members) -> Array:
    features = fusion.photo_features(
        [
            np.array([photo.texture for photo in photos]),
            np.array([photo.kinship for photo in photos]),
            np.array([photo.band for photo in photos]),
            np.array([_outline(photo) for photo in photos]),
        ],
        np.array([photo.unfamiliarity for photo in photos]),
        members.floor,
    )
    return fusion.photo_joint(fusion.pool_photos(features)[None], members)


def _told(answers: AnswerEvidence, regime: Regime, members: Members) -> tuple[Array, float]:
    """The answers' log likelihood (1, 7, 4), and its exponent."""
    told = fusion.answer_table(answers.log_likelihood)[None]
    if regime != "both" or answers.visible is None or answers.stated_visible is None:
        return told, members.answer_weight["answers"] if regime == "answers" else 1.0
    visible, stated = (fusion.answer_table(table)[None] for table in (answers.visible, answers.stated_visible))
    return fusion.beside_photo(told, visible, stated, members.answer_weight["both"]), 1.0


def _outline(photo: PhotoEvidence) -> Sequence[float]:
    """What the outline says; the mean of the other two routes where no network looked at it."""
    if photo.outline is not None:
        return photo.outline
    return [(one + other) / 2 for one, other in zip(photo.texture, photo.kinship, strict=True)]


def _by_answers(answers: AnswerEvidence, members: Members) -> Array:
    return _joint(None, answers, "answers", members)


def _joint(by_photo: Array | None, answers: AnswerEvidence | None, regime: Regime, members: Members) -> Array:
    """Everything but measured lengths and findings, calibrated."""
    base = members.prior[None] if by_photo is None else by_photo
    if answers is None and by_photo is None:
        return base
    if answers is not None and _asked(answers):
        base = fusion.fuse(base, *_told(answers, regime, members))
        base = fusion.calibrate(base, members.category_temperature[regime], members.band_temperature[regime])
    elif by_photo is not None:
        base = fusion.calibrate(base, members.category_temperature["photo"], members.band_temperature["photo"])
    if answers is not None and answers.ancestry is not None:
        if by_photo is not None:
            base = base + (fusion.prior_margins(members)[0] - members.photo_prior)[None, :, None]
        base = fusion.fuse(base, fusion.answer_table(answers.ancestry)[None])
    return base


def _fit(by_photo: Array, answers: AnswerEvidence, members: Members) -> float:
    """How far photo and answers can both be right, see :func:`fusion.answers_fit`."""
    said = fusion.answer_table(answers.log_likelihood)[None]
    if answers.ancestry is not None:
        named = fusion.marginals((members.prior + fusion.answer_table(answers.ancestry))[None])[0]
        said = said + np.log(named)[:, :, None]
    photo = fusion.marginals(_joint(by_photo, None, "photo", members))[0]
    return float(fusion.answers_fit(photo, said)[0])


def _asked(answers: AnswerEvidence) -> bool:
    """Whether anything beside names was answered."""
    return any(value != answers.log_likelihood[0][0] for row in answers.log_likelihood for value in row)


def _category(joint: Array) -> tuple[float, ...]:
    return tuple(fusion.marginals(joint)[0][0].tolist())


def _measured(length_mm: float) -> Array:
    measuring = read_toml(_DATA)["measuring"]
    return fusion.measured_band(length_mm, measuring["sd_log"], measuring["gross_error"])


def _found(joint: Array, finding: Finding, regime: Regime) -> tuple[Array, Regime]:
    """What hands have found stands, whatever photo and answers said."""
    if finding.length_mm is not None:
        joint = fusion.pin_band(joint, _measured(finding.length_mm)[None])
    elif finding.band is not None:
        joint = fusion.pin_band(joint, np.eye(N_BANDS)[BANDS.index(finding.band)][None])
    if finding.category is None:
        return joint, regime
    with np.errstate(divide="ignore"):
        row = np.log(np.eye(N_CATEGORIES)[CATEGORIES.index(finding.category)])
    band = fusion.marginals(joint)[1]
    given_band = joint[:, CATEGORIES.index(finding.category)]
    measured = finding.length_mm is not None or finding.band is not None
    with np.errstate(divide="ignore"):
        length = np.log(band) if measured else fusion.log_softmax(given_band)
    return row[None, :, None] + length[:, None, :], "hands_on"
