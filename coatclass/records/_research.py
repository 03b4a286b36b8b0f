"""What findings teach: examples to learn from, and an anonymised table for researchers."""

from __future__ import annotations

import csv
import hmac
import secrets
from collections import Counter
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

from coatclass.contract import Assessment
from coatclass.durable import write_whole
from coatclass.errors import RecordError
from coatclass.plain_text import as_cell
from coatclass.records._store import Reader, Records
from coatclass.records._values import AnswerSheet, Dog, Finding, StoredAssessment
from coatclass.records.tables import folded
from coatclass.taxonomy import CATEGORIES, BodyZone

_DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True)
class LearningCase:
    """One hands-on finding with what was known before it.

    Attributes:
        finding: the truth.
        answers: the newest questionnaire given before the finding, JSON; None if there is none.
        assessment: the estimate that stood, None if there was none or it can't be read any more.
        evidence: what that estimate was made from, JSON; empty if not kept.
    """

    dog_id: str
    breed: str
    finding: Finding
    answers: dict[str, Any] | None
    assessment: Assessment | None
    evidence: dict[str, Any]


def learning_cases(records: Records) -> tuple[LearningCase, ...]:
    """Every finding with answers and evidence as they stood then, oldest first."""
    with records.read() as reader:
        dogs = {dog.id: dog for dog in reader.find(Dog)}
        return tuple(_case(reader, finding, dogs[finding.dog_id]) for finding in reader.find(Finding))


def _case(reader: Reader, finding: Finding, dog: Dog) -> LearningCase:
    stored = _estimate_then(reader, finding)
    if stored is not None and stored.answers_id is not None:
        sheet: AnswerSheet | None = reader.get(AnswerSheet, stored.answers_id)
    else:
        before = [one for one in reader.find(AnswerSheet, dog_id=dog.id) if one.given_at <= finding.found_at]
        sheet = before[-1] if before else None
    return LearningCase(
        dog_id=dog.id,
        breed=dog.breed,
        finding=finding,
        answers=None if sheet is None else sheet.content,
        assessment=None if stored is None else _readable(stored),
        evidence={} if stored is None else stored.evidence,
    )


def _estimate_then(reader: Reader, finding: Finding) -> StoredAssessment | None:
    if finding.assessment_id is not None:
        return reader.get(StoredAssessment, finding.assessment_id)
    made = reader.find(StoredAssessment, dog_id=finding.dog_id)
    before = [one for one in made if one.made_at <= finding.found_at]
    return before[-1] if before else None


def _readable(stored: StoredAssessment) -> Assessment | None:
    try:
        return stored.assessment
    except RecordError:
        return None


# Answers that can't hold anybody's words: choices and numbers about the coat, by the questionnaire's names.
_SHARED_ANSWERS = (
    "feel",
    "curl",
    "undercoat_seen",
    "lie",
    "shedding",
    "keeps_growing",
    "beard_and_brows",
    "trunk_length_mm",
    "last_trim_weeks",
    "last_trim_how",
    "comb_reaches_skin",
    "top_coat_lets_go",
    "wet_lock_curls",
)


def export_findings(records: Records, path: Path, *, least_dogs_of_a_breed: int = 3) -> int:
    """Write findings without anything that names a person or a dog, as CSV for researchers; return the rows.

    A dog's number holds within one file only. A breed is named if at least ``least_dogs_of_a_breed`` dogs share it;
    age is in half years (whole years from two on), time in years; remarks, photos and free text are left out.

    Raises:
        RecordError: ``nothing`` if there is no finding, ``unwritable``.
    """
    cases = learning_cases(records)
    if not cases:
        raise RecordError("the findings", "are still none.", "Enter hands-on findings first.", code="nothing")
    with records.read() as reader:
        dogs = {dog.id: dog for dog in reader.find(Dog)}
    key = secrets.token_bytes(32)  # thrown away, so that no number can be traced to a dog
    sharing = Counter(folded(dogs[dog_id].breed) for dog_id in {case.dog_id for case in cases})
    rows = [_row(case, dogs[case.dog_id], key, sharing, least_dogs_of_a_breed) for case in cases]
    rows.sort(key=lambda row: str(row["dog"]))  # the order of entry would reveal the days
    text = StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    try:
        write_whole(path, text.getvalue().encode())
    except OSError as error:
        raise RecordError(
            str(path), f"can't be written ({error.strerror}).", "Choose another folder.", code="unwritable"
        ) from error
    return len(rows)


def _row(case: LearningCase, dog: Dog, key: bytes, sharing: Counter[str], least: int) -> dict[str, object]:
    finding, breed = case.finding, folded(dog.breed)
    row: dict[str, object] = {
        "dog": hmac.new(key, dog.id.encode(), "sha256").hexdigest()[:16],
        "breed": as_cell(breed) if sharing[breed] >= least else "",
        "age_years": _age_years(dog, finding),
        "year": finding.found_at.year,
        "category": finding.category.value,
        "undercoat": finding.undercoat or "",
        "texture": finding.texture or "",
        "patience": finding.patience or "",
    }
    for zone in BodyZone:
        row[f"length_mm_{zone}"] = finding.lengths_mm.get(zone, "")
        row[f"mats_{zone}"] = finding.mats.get(zone, "")
    estimate = None if case.assessment is None else case.assessment.category
    for category in CATEGORIES:
        row[f"p_{category}"] = "" if estimate is None else estimate.probabilities.get(category, 0.0)
    row["verdict"] = "" if case.assessment is None else case.assessment.verdict.value
    row["model_version"] = "" if case.assessment is None else case.assessment.model_version
    for name in _SHARED_ANSWERS:
        row[f"answer_{name}"] = _plain((case.answers or {}).get(name))
    return row


def _age_years(dog: Dog, finding: Finding) -> float | str:
    if dog.born_on is None:
        return ""
    years = (finding.found_at.date() - dog.born_on).days / _DAYS_PER_MONTH / 12
    return round(years * 2) / 2 if years < 2 else float(round(years))


def _plain(answer: object) -> object:
    """A number, or one word of the questionnaire; anything longer may be somebody's own words and is not exported."""
    if isinstance(answer, str):
        return answer if answer.isascii() and answer.replace("_", "").isalnum() and len(answer) <= 20 else ""
    return answer if isinstance(answer, (bool, int, float)) else ""
