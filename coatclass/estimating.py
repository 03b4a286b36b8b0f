"""One dog: from photos and answers to an estimate and a verdict.

Command line, web app, learning, evaluation and training all come through here. Each step has one function: looking at
a photo (:func:`look`), weighing everything that is known (:func:`estimate`), and deciding (:func:`decide`).
"""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from coatclass import ancestry, decision, ensemble, vision
from coatclass import answers as questionnaire
from coatclass.ancestry import Inherited
from coatclass.answers import Answer, Answers
from coatclass.answers.likelihoods import Table
from coatclass.contract import AnswerEvidence, CoatEstimate, Decision, PhotoEvidence, PhotoReport, PhotoStatus
from coatclass.decision import Askable, Thresholds
from coatclass.ensemble import HandsOn, Members
from coatclass.errors import PhotoError
from coatclass.reasons import reason

if TYPE_CHECKING:
    from coatclass.photo import LoadedPhoto

__all__ = [
    "NO_ANSWERS",
    "Estimate",
    "PhotoSource",
    "Reading",
    "SeenPhoto",
    "Taught",
    "askable",
    "beside_each_other",
    "decide",
    "estimate",
    "estimate_photo",
    "look",
    "read_photo",
]

PhotoSource = str | os.PathLike[str] | bytes
NO_ANSWERS = Answers()


# --- looking --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """What one photo gave: its report, its evidence unless it was refused, and its difference hash if it was opened."""

    report: PhotoReport
    evidence: PhotoEvidence | None
    hash: str | None = None

    @classmethod
    def of(cls, report: PhotoReport, evidence: PhotoEvidence | None, hash: str | None = None) -> Reading:
        """A refused photo is no evidence, whatever the image model read from it."""
        return cls(report, None if report.status is PhotoStatus.REFUSED else evidence, hash)


@dataclass(frozen=True)
class SeenPhoto:
    """What the image model saw on one photo.

    Attributes:
        photo: the opened picture.
        report: what became of it.
        evidence: what was read, of a refused photo too.
        mask: how far each part is dog, (rows, columns) in [0, 1], coarse.
    """

    photo: LoadedPhoto
    report: PhotoReport
    evidence: PhotoEvidence
    mask: NDArray[np.float32]

    @property
    def hash(self) -> str:
        """The hash that recognises copies of the picture, see :func:`coatclass.photo.difference_hash`."""
        from coatclass.photo import difference_hash

        return difference_hash(self.photo.image)


def look(source: PhotoSource, *, name: str | None = None) -> SeenPhoto:
    """Open one photo and let the image model look at it.

    Raises:
        PhotoError: if it can't be opened.
        ModelFilesError: if the released model files are missing or damaged.
    """
    from coatclass import photo  # with Pillow, which a dog without photos does not wait for

    loaded = photo.load(source, name=name)
    seen = vision.look(loaded, file=loaded.file)
    return SeenPhoto(loaded, photo.report(loaded, seen.evidence), seen.evidence, seen.mask)


def read_photo(source: PhotoSource, *, name: str | None = None) -> Reading:
    """Look at one photo; a bad one becomes a refusal, not an error.

    Raises:
        ModelFilesError: if the released model files are missing or damaged.
    """
    try:
        seen = look(source, name=name)
    except PhotoError as error:
        from coatclass.photo import refusal

        return Reading(refusal(error), None)
    return Reading.of(seen.report, seen.evidence, seen.hash)


def beside_each_other(readings: Sequence[Reading]) -> list[Reading]:
    """Compare the photos of one dog: a copy counts once, and a photo of what must be another coat is named."""
    told: list[Reading] = []
    for one in readings:
        before = [other for other in told if other.evidence is not None]
        told.append(one if one.evidence is None else _beside(one, before))
    return told


def _beside(one: Reading, before: Sequence[Reading]) -> Reading:
    """One photo compared with those before it; the first of them that it copies or contradicts decides."""
    from coatclass import photo

    limits = photo.default_limits()
    for other in before:
        if one.hash and other.hash and photo.hash_distance(one.hash, other.hash) <= limits.same_bits:
            found = reason("same_picture", other=other.report.file)
            return Reading.of(photo.also(one.report, found), one.evidence, one.hash)
    for other in before:
        if "other_coat" in {why.code for why in other.report.reasons}:
            continue  # a contradicting photo is no reference for later ones
        if one.evidence and other.evidence and ensemble.one_coat(one.evidence, other.evidence) < limits.other_coat:
            found = reason("other_coat", other=other.report.file)
            return Reading.of(photo.also(one.report, found), one.evidence, one.hash)
    return one


# --- weighing and deciding ------------------------------------------------------------------------------------------


class Taught(Protocol):
    """What a groomer's findings have taught (``coatclass.learning.LearnedModel``)."""

    def evidence(self, answers: Answers, *, ancestry: Sequence[Sequence[float]] | None = None) -> AnswerEvidence:
        """What the answers say, by the learned rows."""

    def likelihood(self, question: str, answer: Answer) -> Table:
        """P(answer | category, band), (7, 4)."""

    def members(self, released: Members) -> Members:
        """The ensemble with the learned temperatures."""


@dataclass(frozen=True)
class Estimate:
    """What is known of one dog: probabilities, what the answers say, and what names or genes say (None if nothing)."""

    coat: CoatEstimate
    said: AnswerEvidence
    inherited: Inherited | None


def estimate(
    photos: Sequence[PhotoEvidence] = (),
    answers: Answers | None = None,
    *,
    finding: HandsOn | None = None,
    learned: Taught | None = None,
    members: Members | None = None,
) -> Estimate:
    """Weigh photos, answers, ancestors, genes and a finding.

    Args:
        photos: evidence of the photos that can be used, all of the same dog.
        answers: the owner's answers; None counts as nothing answered.
        finding: what a groomer's hands found, which overrides every estimate.
        learned: what a groomer's findings have taught; the released model if None.
        members: another ensemble than the released one; learned temperatures are applied to it.

    Raises:
        GenotypeError: if a DNA result can't be read.
        ModelFilesError: if released files are missing or damaged.
    """
    answers = answers or NO_ANSWERS
    inherited = ancestry.of(answers)
    table = inherited.table if inherited else None
    said = (learned or questionnaire).evidence(answers, ancestry=table)
    if learned:
        members = learned.members(members or ensemble.load())
    return Estimate(ensemble.combine(photos, said, finding=finding, members=members), said, inherited)


def decide(
    known: Estimate | None, reports: Sequence[PhotoReport] = (), *, thresholds: Thresholds | None = None
) -> Decision:
    """Prediction sets, verdict and reasons.

    Args:
        known: what is known of the dog; None if nothing could be used.
        reports: what became of each photo, refused ones included.
        thresholds: another fit than the released one.
    """
    if known is None:
        return decision.decide(None, reports)
    return decision.decide(known.coat, reports, answers=known.said, inherited=known.inherited, thresholds=thresholds)


def askable(
    known: Estimate, answers: Answers, *, skipped: Collection[str] = (), learned: Taught | None = None
) -> list[Askable]:
    """The evidence questions that may be asked next, with the likelihood of each answer and the weight it would get.

    Args:
        known: what is known of the dog.
        answers: given so far; they decide which questions make sense.
        skipped: ids of questions that were passed over.
        learned: what a groomer's findings have taught; the released tables if None.
    """
    table = learned.likelihood if learned else questionnaire.likelihood
    beside_photo = (learned.members(ensemble.load()) if learned else ensemble.load()).answer_weight["both"]
    repeats = questionnaire.visible() if known.coat.by_photo is not None else frozenset()
    return [
        Askable(
            id=spec.id,
            text=spec.text,
            help=spec.help,
            likelihood={str(it): questionnaire.alone(spec.id, it, table(spec.id, it)) for it in possible},
            weight=beside_photo if spec.id in repeats else 1.0,
            measures=spec.id == "trunk_length_mm",
        )
        for spec in questionnaire.due(answers)
        if spec.id not in {*known.said.answered, *skipped} and (possible := questionnaire.outcomes(spec.id))
    ]


def estimate_photo(
    source: PhotoSource, *, name: str | None = None
) -> tuple[CoatEstimate | None, Decision, PhotoReport]:
    """What one photo alone says; the estimate is None if the photo was refused."""
    reading = read_photo(source, name=name)
    known = estimate([reading.evidence] if reading.evidence else [])
    coat = known.coat if known.coat.regime != "none" else None
    return coat, decide(known, [reading.report]), reading.report
