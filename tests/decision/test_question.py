"""The next question is the one whose answer is expected to change the kit the most."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coatclass.contract import CoatEstimate
from coatclass.decision import Askable, RegimeThresholds, Thresholds, next_question
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

AT = RegimeThresholds(
    category_at=0.1, band_at=0.1, settle_at=0.9, mixed_at=0.9, length_at=0.02, calibrated_on=800, simulated=False
)
THRESHOLDS = Thresholds(version="test", regimes=dict.fromkeys(("photo", "answers", "both"), AT))
MEASURE = Askable(
    "trunk_length_mm",
    "How long is the hair on the trunk?",
    "",
    {band: (tuple(float(other is band) for other in BANDS),) * len(CATEGORIES) for band in BANDS},
    measures=True,
)


def by_band(categories, bands):
    """A kit that hangs on the length alone."""
    return frozenset((f"tool for {band}", "essential") for band in bands)


def by_category(categories, bands):
    """A kit that hangs on the category alone."""
    return frozenset((f"tool for {category}", "essential") for category in categories)


def question(name: str, tells: CoatCategory, sure: float) -> Askable:
    """A yes-or-no question that is answered yes for one category, and no for the others, with probability ``sure``."""
    yes = tuple((sure if category is tells else 1 - sure,) * 4 for category in CATEGORIES)
    no = tuple(tuple(1 - p for p in row) for row in yes)
    return Askable(name, f"{name}?", "", {"yes": yes, "no": no})


def estimate(category: dict[CoatCategory, float], band=(0.97, 0.01, 0.01, 0.01)) -> CoatEstimate:
    return CoatEstimate(tuple(category.get(c, 0.0) for c in CATEGORIES), band, "photo")


HALF = {CoatCategory.WIRE: 0.5, CoatCategory.FUR: 0.5}


def test_the_telling_question_is_preferred_to_the_vague_one():
    unanswered = [question("vague", CoatCategory.WIRE, 0.55), question("telling", CoatCategory.WIRE, 0.99)]
    asked = next_question(estimate(HALF), unanswered, by_category, thresholds=THRESHOLDS)
    assert asked is not None and asked.id == "telling"
    assert asked.expected_change == pytest.approx(0.5), "either answer leaves one of two tools"


def test_a_length_at_a_limit_that_changes_the_kit_is_to_be_measured():
    unanswered = [question("telling", CoatCategory.WIRE, 0.99), MEASURE]
    astride = estimate({CoatCategory.FUR: 1.0}, band=(0.0, 0.0, 0.5, 0.5))
    asked = next_question(astride, unanswered, by_band, thresholds=THRESHOLDS)
    assert asked is not None and asked.id == "trunk_length_mm"


def test_a_length_that_would_change_nothing_is_not_asked_for():
    astride = estimate({CoatCategory.FUR: 1.0}, band=(0.0, 0.0, 0.5, 0.5))
    assert next_question(astride, [MEASURE], by_category, thresholds=THRESHOLDS) is None


def test_nothing_is_asked_when_everything_is_known_or_nothing_is_left_to_ask():
    known = estimate({CoatCategory.FUR: 1.0})
    assert next_question(known, [question("any", CoatCategory.WIRE, 0.99)], by_category, thresholds=THRESHOLDS) is None
    assert next_question(estimate(HALF), [], by_category, thresholds=THRESHOLDS) is None


def test_nothing_is_asked_that_leaves_the_kit_as_it_is_because_a_coat_stays_possible_anyway():
    """The kit of a named cross is right for a mixed coat, whatever else it may be."""

    def kit(categories, bands):
        return by_category({CoatCategory.MIXED} if CoatCategory.MIXED in categories else categories, bands)

    telling, mixed = [question("telling", CoatCategory.WIRE, 0.99)], frozenset({CoatCategory.MIXED})
    assert next_question(estimate(HALF), telling, kit, thresholds=THRESHOLDS) is not None
    assert next_question(estimate(HALF), telling, kit, keeps=mixed, thresholds=THRESHOLDS) is None


def test_after_a_groomers_finding_nothing_is_asked():
    found = CoatEstimate(tuple(float(c is CoatCategory.WIRE) for c in CATEGORIES), (0, 0, 0.5, 0.5), "hands_on")
    assert next_question(found, [MEASURE], by_band, thresholds=THRESHOLDS) is None


def test_among_equals_the_first_of_the_questionnaire_is_asked():
    unanswered = [question("first", CoatCategory.WIRE, 0.99), question("second", CoatCategory.WIRE, 0.99)]
    asked = next_question(estimate(HALF), unanswered, by_category, thresholds=THRESHOLDS)
    assert asked is not None and asked.id == "first"


def test_what_the_photo_shows_as_well_is_asked_later():
    """Of two questions that tell alike, the one that repeats the photo changes less."""
    fresh = question("fresh", CoatCategory.WIRE, 0.95)
    repeating = replace(question("repeating", CoatCategory.WIRE, 0.95), weight=0.3)
    asked = next_question(estimate(HALF), [repeating, fresh], by_category, thresholds=THRESHOLDS)
    assert asked is not None and asked.id == "fresh"


def test_where_only_length_is_open_between_hair_and_drop_the_ruler_is_asked_for_first():
    soft = estimate({CoatCategory.HAIR: 0.55, CoatCategory.DROP: 0.45}, band=(0.0, 0.0, 0.55, 0.45))
    telling = question("telling", CoatCategory.DROP, 0.99)
    for kit in (by_band, by_category):
        asked = next_question(soft, [telling, MEASURE], kit, thresholds=THRESHOLDS)
        assert asked is not None and asked.id == "trunk_length_mm"
