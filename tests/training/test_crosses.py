"""The figures on crosses count what they say they count."""

from __future__ import annotations

import json
import math

import pytest

from coatclass.contract import CoatEstimate, Decision, Verdict
from coatclass.resources import released
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory
from training.crosses import LookVerdicts, measure


def said(group: str, truth: CoatCategory, told: CoatCategory, verdict: Verdict, share: float = 0.8) -> LookVerdicts:
    rest = (1 - share) / 6
    category = tuple(share if one is told else rest for one in CATEGORIES)
    estimate = CoatEstimate(category=category, band=(0.25,) * 4, regime="photo")
    return LookVerdicts(group, CATEGORIES.index(truth), estimate, Decision((told,), BANDS, verdict))


def test_a_mixed_coat_settled_as_something_else_is_the_dangerous_error():
    mixed, hair = CoatCategory.MIXED, CoatCategory.HAIR
    figures = measure(
        [
            said("a", mixed, hair, Verdict.SETTLED),
            said("b", mixed, hair, Verdict.HANDS_ON),  # not called: hands decide
            said("c", mixed, mixed, Verdict.HANDS_ON),
            said("d", hair, hair, Verdict.SETTLED),
        ]
    )
    assert figures["mixed_photos"] == 3
    assert figures["mixed_missed_with_confidence"] == 1
    assert figures["accuracy"][0] == 0.5
    assert figures["sent_to_hands"][0] == 0.5
    expected = -(2 * math.log(0.8) + 2 * math.log(0.2 / 6)) / 4
    assert figures["log_loss"][0] == pytest.approx(expected, abs=1e-3)


def test_the_interval_is_over_dogs():
    hair = CoatCategory.HAIR
    one_dog = [said("a", hair, hair, Verdict.SETTLED)] * 9 + [said("a", hair, CoatCategory.FUR, Verdict.SETTLED)]
    assert measure(one_dog)["accuracy"] == [0.9, 0.9, 0.9]  # one dog: nothing to resample


def test_no_mixed_coat_of_the_release_is_ruled_out_without_hands():
    """All photographed crosses with a mixed coat, by the photo, by the ancestors and by both: 15 of 15."""
    for way, figures in json.loads(released("models/crosses.json").read_text(encoding="utf-8"))["ways"].items():
        assert (figures["mixed_photos"], figures["mixed_missed_with_confidence"]) == (15, 0), way
