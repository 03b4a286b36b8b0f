"""Findings teach: with what was known at the time, and to researchers without names."""

from __future__ import annotations

import csv
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from coatclass.errors import RecordError
from coatclass.records import (
    AnswerSheet,
    Client,
    Dog,
    Finding,
    Records,
    StoredAssessment,
    export_findings,
    learning_cases,
)
from coatclass.taxonomy import BodyZone, CoatCategory, MatState

DAY = timedelta(days=1)
START = datetime(2026, 3, 2, 12, tzinfo=UTC)


def test_a_case_holds_what_was_known_before_hands_were_laid_on(records: Records, assessment) -> None:
    dog = records.add(Dog(name="Bramble", breed="briard"), who="Ada")
    with records.write("Ada") as writer:
        for day, feel in ((0, "silky"), (2, "cottony"), (9, "harsh")):
            writer.add(AnswerSheet(dog_id=dog.id, content={"feel": feel}, given_at=START + day * DAY))
        for day, best in ((1, 0.3), (3, 0.5), (8, 0.9)):
            told = assessment(best).model_dump(mode="json")
            writer.add(StoredAssessment(dog_id=dog.id, result=told, evidence={"day": day}, made_at=START + day * DAY))
        finding = Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada", found_at=START + 5 * DAY)
        writer.add(finding)
    (case,) = learning_cases(records)
    assert (case.finding, case.breed, case.answers) == (finding, "briard", {"feel": "cottony"})
    assert case.assessment == assessment(0.5) and case.evidence == {"day": 3}


def test_a_finding_that_names_its_estimate_gets_that_and_its_answers(records: Records, assessment) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with records.write("Ada") as writer:
        sheet = writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}, given_at=START))
        first = writer.add_assessment(dog.id, assessment(0.3), answers=sheet)
        writer.add_assessment(dog.id, assessment(0.9))
        writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "harsh"}))
        writer.add(Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada", assessment_id=first.id))
    (case,) = learning_cases(records)
    assert case.assessment == assessment(0.3) and case.answers == {"feel": "silky"}


def test_a_finding_without_anything_before_it_still_counts(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    records.add(Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada"), who="Ada")
    (case,) = learning_cases(records)
    assert (case.answers, case.assessment, case.evidence) == (None, None, {})


@pytest.fixture
def filled(records: Records, assessment) -> Records:
    client = records.add(Client(name="Zoe Quixote", phone="98-76-5"), who="Ada Lovely")
    with records.write("Ada Lovely") as writer:
        for number, breed in enumerate(["Briard", "briard", "BRIARD", "Rarehound"]):
            dog = writer.add(
                Dog(name=f"Bramble{number}", breed=breed, client_id=client.id, born_on=date(2025, 8, 1 + number))
            )
            content = {"feel": "silky", "parents": ["Quixote"], "trunk_length_mm": 40, "curl": "Zoe Quixote said so"}
            writer.add(AnswerSheet(dog_id=dog.id, content=content, given_at=START))
            told = assessment(0.4).model_dump(mode="json")
            writer.add(StoredAssessment(dog_id=dog.id, result=told, made_at=START))
            writer.add(
                Finding(
                    dog_id=dog.id,
                    category=CoatCategory.MIXED,
                    by="Ada Lovely",
                    lengths_mm={BodyZone.TRUNK: 41},
                    mats={BodyZone.EARS: MatState.MATS},
                    remarks="Quixote's darling",
                    found_at=START + 365 * DAY,
                )
            )
    return records


def test_researchers_get_findings_without_names(filled: Records, tmp_path: Path) -> None:
    assert export_findings(filled, tmp_path / "findings.csv") == 4
    text = (tmp_path / "findings.csv").read_text("utf-8")
    numbers, rest = zip(*(line.split(",", maxsplit=1) for line in text.splitlines()), strict=True)
    assert numbers[0] == "dog" and all(re.fullmatch("[0-9a-f]{16}", number) for number in numbers[1:])
    for private in ("Quixote", "Zoe", "98-76-5", "Bramble", "Lovely", "darling", "2025", "03-02", "arehound"):
        assert private not in "\n".join(rest)  # a digest holds any few digits by chance now and then
    assert not any(dog.id in text for dog in filled.find(Dog))
    rows = list(csv.DictReader(text.splitlines()))
    assert sorted(row["breed"] for row in rows) == ["", "briard", "briard", "briard"]
    row = next(row for row in rows if row["breed"])
    assert (row["category"], row["length_mm_trunk"], row["mats_ears"]) == ("mixed", "41.0", "mats")
    assert (row["answer_feel"], row["answer_curl"], row["answer_trunk_length_mm"]) == ("silky", "", "40")
    assert (row["year"], row["age_years"], row["verdict"]) == ("2027", "1.5", "hands_on")
    assert len({row["dog"] for row in rows}) == 4


def test_a_dogs_number_holds_within_one_file_only(filled: Records, tmp_path: Path) -> None:
    numbers = []
    for name in ("a.csv", "b.csv"):
        export_findings(filled, tmp_path / name)
        numbers.append({row["dog"] for row in csv.DictReader((tmp_path / name).open(encoding="utf-8"))})
    assert not numbers[0] & numbers[1]


def test_no_findings_is_said(records: Records, tmp_path: Path) -> None:
    with pytest.raises(RecordError) as caught:
        export_findings(records, tmp_path / "findings.csv")
    assert caught.value.code == "nothing" and not (tmp_path / "findings.csv").exists()
