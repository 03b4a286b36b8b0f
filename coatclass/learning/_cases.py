"""What there is to learn from: hands-on findings with what was known before them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from coatclass import ancestry
from coatclass.answers import Answers, parse
from coatclass.contract import PhotoEvidence, Regime
from coatclass.errors import AnswersError, GenotypeError
from coatclass.taxonomy import CoatCategory, LengthBand, band_of_mm

if TYPE_CHECKING:
    from coatclass.records import LearningCase

__all__ = ["Case", "cases", "pack_photos"]


@dataclass(frozen=True)
class Case:
    """One finding.

    Attributes:
        dog: tells dogs apart, so that none is both learned from and tested on.
        category: what hands found.
        band: what they measured on the trunk; None if they didn't.
        answers: what the owner had said; None if nothing.
        photos: what the image model had read; empty without a photo.
    """

    dog: str
    category: CoatCategory
    band: LengthBand | None
    answers: Answers | None = None
    photos: tuple[PhotoEvidence, ...] = ()

    @property
    def regime(self) -> Regime:
        """Which sources there were."""
        if self.photos:
            return "photo" if self.answers is None else "both"
        return "none" if self.answers is None else "answers"


def pack_photos(photos: Sequence[PhotoEvidence]) -> dict[str, Any]:
    """Photo evidence as JSON, to keep with a stored assessment (``StoredAssessment.evidence``)."""
    return {"photos": [asdict(photo) for photo in photos]}


def cases(kept: Iterable[LearningCase], *, model_version: str) -> tuple[Case, ...]:
    """Cases from the records, oldest first; those without answers and photos teach nothing and are left out.

    Args:
        kept: findings with what was known before them.
        model_version: the image model of today; what another one read is left out.
    """
    made = (
        Case(
            dog=one.dog_id,
            category=one.finding.category,
            band=None if one.finding.trunk_mm is None else band_of_mm(one.finding.trunk_mm),
            answers=_answers(one.answers),
            photos=_photos(one.evidence, model_version),
        )
        for one in kept
    )
    return tuple(case for case in made if case.regime != "none")


def _answers(content: Mapping[str, Any] | None) -> Answers | None:
    """Answers and results of tests that can't be read any more teach nothing."""
    try:
        answers = None if content is None else parse(dict(content))
        if answers is not None:
            ancestry.of(answers)
    except (AnswersError, GenotypeError):
        return None
    return answers if answers != Answers() else None


def _photos(evidence: Mapping[str, Any], model_version: str) -> tuple[PhotoEvidence, ...]:
    names = {field.name for field in fields(PhotoEvidence)}
    packed = [one for one in evidence.get("photos", ()) if isinstance(one, dict) and set(one) == names]
    return tuple(_unpacked(one) for one in packed if one["model_version"] == model_version)


def _unpacked(packed: dict[str, Any]) -> PhotoEvidence:
    values: dict[str, Any] = {name: tuple(one) if isinstance(one, list) else one for name, one in packed.items()}
    return PhotoEvidence(**values)
