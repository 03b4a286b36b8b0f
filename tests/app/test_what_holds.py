"""What hands and rulers said of a dog, and how long it holds. Common practice, no source."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from app import cases
from coatclass.answers import Answers
from coatclass.records import AnswerSheet, Finding, Measurement
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Texture

DAY = date(2026, 3, 2)
DOG = "0" * 32


def found(on: datetime) -> Finding:
    return Finding(
        dog_id=DOG, category=CoatCategory.CURLY, by="Anyone", found_at=on, texture=Texture.WOOLLY,
        lengths_mm={BodyZone.TRUNK: 60.0}, mats={BodyZone.LEGS: MatState.MATS},
    )  # fmt: skip


def test_a_finding_of_a_puppy_coat_no_longer_says_which_coat_it_is_but_its_mats_stay_to_be_seen_to():
    finding, pup = found(datetime(2025, 10, 1, 9, tzinfo=UTC)), date(2025, 7, 1)
    truth = cases.Truth.as_of(DAY, finding, (), born_on=pup)
    known = truth.over(Answers())
    assert truth.hands is None
    assert known.feel is None and known.mats == {BodyZone.LEGS: MatState.MATS}
    grown = cases.Truth.as_of(DAY, finding, (), born_on=date(2020, 7, 1))
    assert grown.hands is not None and grown.over(Answers()).feel == "woolly"


def test_a_length_from_before_the_last_cut_is_not_todays():
    finding = found(datetime(2026, 1, 10, 9, tzinfo=UTC))
    answers = Answers(last_trim_how="clipped", last_trim_weeks=2)
    sheet = AnswerSheet(dog_id=DOG, content={}, given_at=datetime(2026, 2, 16, 9, tzinfo=UTC))
    cut = cases.clipped_on(sheet, answers)
    assert cut == date(2026, 2, 2)
    truth = cases.Truth.as_of(DAY, finding, (), clipped_on=cut)
    assert truth.trunk_mm is None and truth.hands is not None
    assert truth.hands.category is CoatCategory.CURLY and truth.hands.length_mm is None
    since = Measurement(dog_id=DOG, length_mm=14.0, measured_on=date(2026, 2, 20))
    assert cases.Truth.as_of(DAY, finding, (since,), clipped_on=cut).trunk_mm == 14.0
    before = Measurement(dog_id=DOG, length_mm=65.0, measured_on=date(2026, 1, 20))
    assert cases.Truth.as_of(DAY, finding, (before,), clipped_on=cut).trunk_mm is None
    assert cases.Truth.as_of(DAY, finding, ()).trunk_mm == 60.0


def test_weeks_since_the_last_stripping_go_on_counting_after_they_were_told():
    answers = Answers(last_trim_how="hand_stripped", last_trim_weeks=2, beard_and_brows=True, feel="harsh")
    told = cases.today() - timedelta(weeks=5)
    sheet = AnswerSheet(dog_id=DOG, content={}, given_at=datetime(told.year, told.month, told.day, 12, tzinfo=UTC))
    truth = cases.Truth.as_of(cases.today(), None, (), stripped_on=cases.stripped_on(sheet, answers))
    dog = cases.situation(answers, truth, cases.assess((), answers, truth))
    assert dog is not None and dog.weeks_since_stripped == pytest.approx(7, abs=0.2)
    assert cases.stripped_on(sheet, answers.model_copy(update={"last_trim_how": "clipped"})) is None
