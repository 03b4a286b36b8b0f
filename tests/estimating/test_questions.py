"""The next question: never one twice, never without end, with or without anything to go on."""

from __future__ import annotations

import numpy as np
import pytest

from coatclass import answers as questionnaire
from coatclass import decision
from coatclass.answers import Answers
from coatclass.assessing import assess_readings
from coatclass.contract import Assessment, PhotoEvidence, PhotoReport, PhotoStatus
from coatclass.estimating import Reading
from coatclass.taxonomy import BANDS, CATEGORIES


def reading(texture: tuple[float, ...]) -> Reading:
    logs = tuple(np.log(texture))
    seen = PhotoEvidence("p", logs, logs, tuple(np.log([0.1, 0.2, 0.5, 0.2])), 1.0, 0.5, 0.1, "test")
    return Reading.of(PhotoReport(file="p", status=PhotoStatus.USED), seen)


VAGUE = reading((0.3, 0.2, 0.05, 0.15, 0.15, 0.1, 0.05))


@pytest.mark.parametrize("category", ["hair", "mixed", "wire", "arctic"])
@pytest.mark.parametrize("readings", [[VAGUE], []], ids=["with a photo", "without"])
@pytest.mark.parametrize("breed", [None, "no idea", "poodle cross"])
def test_whoever_answers_whatever_is_asked_is_asked_nothing_twice_and_is_done_some_day(category, readings, breed):
    rng = np.random.default_rng(3)
    given, asked = Answers(breed=breed), []
    while (question := assess_readings(readings, given, skipped=asked).next_question) is not None:
        assert question.id not in asked and getattr(given, question.id) is None
        asked.append(question.id)
        if questionnaire.outcomes(question.id):  # else it is passed over
            told = questionnaire.simulate(category, BANDS[2], rng, ask=[question.id])
            given = given.model_copy(update=told.model_dump(exclude_none=True))
    assert len(asked) <= len(questionnaire.questions())


def test_a_question_that_is_asked_may_change_the_kit():
    question = assess_readings([VAGUE]).next_question
    assert question is not None and question.expected_change >= decision.limits()["least_change"]
    smooth = reading(tuple(0.994 if coat == "fur" else 0.001 for coat in CATEGORIES))
    sure = assess_readings([smooth], Answers(trunk_length_mm=8, trunk_length_by="ruler"))
    assert sure.next_question is None, "every answer would leave the kit as it is"


def first(given: Answers, skipped: tuple[str, ...] = ()) -> str | None:
    found: Assessment = assess_readings([], given, skipped=skipped)
    return None if found.next_question is None else found.next_question.id


def test_who_knows_no_breed_is_asked_about_the_coat_next():
    assert first(Answers()) == "breed"
    for given, skipped in ((Answers(breed="no idea"), ()), (Answers(), ("breed",))):
        asked = first(given, skipped)
        assert asked != "breed" and questionnaire.outcomes(str(asked))
