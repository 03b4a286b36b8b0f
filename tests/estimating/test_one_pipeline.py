"""The live program, learning, evaluation and the figures on crosses say the same of the same dog."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pytest

from coatclass import ensemble
from coatclass.answers import Answers
from coatclass.assessing import assess_readings
from coatclass.contract import PhotoEvidence, PhotoReport, PhotoStatus
from coatclass.ensemble import HandsOn
from coatclass.estimating import Reading, decide, estimate
from coatclass.learning import RELEASED, Example, LearnedModel
from coatclass.learning.fitting import probabilities
from coatclass.reports.evaluation import LabelledPhoto, LabelledPhotos, with_decisions
from coatclass.taxonomy import CATEGORIES, CoatCategory

PHOTO = PhotoEvidence(
    file="dog.jpg",
    texture=tuple(np.log([0.3, 0.4, 0.1, 0.05, 0.1, 0.03, 0.02])),
    kinship=tuple(np.log([0.35, 0.3, 0.15, 0.05, 0.1, 0.03, 0.02])),
    band=tuple(np.log([0.05, 0.15, 0.7, 0.1])),
    dog_probability=0.99,
    dog_share=0.4,
    unfamiliarity=0.2,
    model_version="test",
)
REPORT = PhotoReport(file="dog.jpg", status=PhotoStatus.USED, dog_probability=0.99)
SAID = {"curl": "wavy", "lie": "stands_off", "feel": "soft", "keeps_growing": True}
NAMES = [
    {},
    {"breed": "Samoyed", "breed_known_by": "papers"},
    {"breed": "labradoodle"},
    {"breed": "Mischling"},
    {"parents": ("poodle", "labrador")},
    {"parents": ("poodle",), "breed_known_by": "guess"},
    {"dna_breeds": {"poodle": 50.0, "labrador": 50.0}},
    {"breed": "poodle cross", "dna_result": {"RSPO2": "F/F", "KRT71": "2 copies"}},
]
TAUGHT = LearnedModel(
    "learned-test",
    tables={"curl": {"wavy": ((0.5,) * 4,) * 7, "straight": ((0.3,) * 4,) * 7, "curly": ((0.2,) * 4,) * 7}},
    temperatures={"both": 1.3, "photo": 0.9, "answers": 1.2},
    findings=60,
    dogs=50,
)
COMBINATIONS = [
    pytest.param(has_photo, {**said, **names}, id=f"{has_photo}-{len(said)}-{'-'.join(map(str, names.values()))}")
    for has_photo, said, names in product((True, False), ({}, SAID, SAID | {"trunk_length_mm": 60.0}), NAMES)
    if has_photo or said or names
]


@pytest.mark.parametrize("learned", [RELEASED, TAUGHT], ids=["released", "taught"])
@pytest.mark.parametrize(("has_photo", "told"), COMBINATIONS)
def test_every_room_says_the_same_of_the_same_dog(has_photo, told, learned):
    answers = Answers(**told)
    photos = (PHOTO,) if has_photo else ()
    live = assess_readings([Reading(REPORT, PHOTO)] if has_photo else [], answers, learned=learned)
    if live.category is None:
        assert estimate(photos, answers, learned=learned).coat.regime == "none"
        return
    shown = [live.category.probabilities[category] for category in CATEGORIES]

    known = estimate(photos, answers, learned=learned)
    verdict = decide(known, [REPORT] if has_photo else [])
    assert known.coat.category == pytest.approx(shown, abs=1e-12)
    assert (verdict.verdict, verdict.categories, verdict.bands) == (
        live.verdict, live.category.set, live.length_band.set,
    )  # fmt: skip

    taught_on = Example("dog", CoatCategory.HAIR, None, answers if told else None, photos)
    assert probabilities(taught_on, learned, ensemble.load()) == pytest.approx(shown, abs=1e-12)

    if learned is RELEASED:
        case = LabelledPhoto("dog.jpg", Path("dog.jpg"), "dog", 0, 2, answers=answers)
        if has_photo:
            case = LabelledPhoto(
                "dog.jpg", Path("dog.jpg"), "dog", 0, 2, answers=answers, report=REPORT, evidence=PHOTO
            )
        evaluated = with_decisions(LabelledPhotos((case,)), use_answers=True).rows[0]
        assert evaluated.estimate.category == pytest.approx(shown, abs=1e-12)
        assert (evaluated.decision.verdict, evaluated.decision.categories) == (live.verdict, live.category.set)


@pytest.mark.parametrize("learned", [None, TAUGHT], ids=["released", "taught"])
@pytest.mark.parametrize(("has_photo", "told"), COMBINATIONS[::3])
@pytest.mark.parametrize("finding", [HandsOn(category=CoatCategory.MIXED), HandsOn(length_mm=40.0)], ids=["coat", "mm"])
def test_a_finding_counts_alike_whatever_was_known_before(has_photo, told, finding, learned):
    answers = Answers(**told)
    live = assess_readings([Reading(REPORT, PHOTO)] if has_photo else [], answers, finding=finding, learned=learned)
    known = estimate([PHOTO] if has_photo else [], answers, finding=finding, learned=learned)
    if live.category is None:
        assert known.coat.regime == "none"
        return
    assert known.coat.category == pytest.approx([live.category.probabilities[c] for c in CATEGORIES], abs=1e-12)
    assert decide(known, [REPORT] if has_photo else []).verdict is live.verdict


def test_ancestors_weigh_in_learning_as_they_do_live():
    """A DNA result and a cross move what learning scores: the same dog without them is told otherwise."""
    said = Answers(curl="wavy", lie="stands_off")
    cross = said.model_copy(update={"parents": ("poodle", "labrador")})
    plain, crossed = (
        probabilities(Example("dog", CoatCategory.MIXED, None, one), RELEASED, ensemble.load()) for one in (said, cross)
    )
    mixed = CATEGORIES.index(CoatCategory.MIXED)
    assert crossed[mixed] > plain[mixed] + 0.3
