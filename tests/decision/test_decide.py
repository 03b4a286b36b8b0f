"""When the program dares to say what coat it is, and when it sends the dog to a groomer."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import AnswerEvidence, CoatEstimate, PhotoReport, PhotoStatus, Reason, Verdict
from coatclass.decision import RegimeThresholds, Thresholds, band_set, category_set, decide
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

AT = RegimeThresholds(
    category_at=0.1, band_at=0.1, settle_at=0.9, mixed_at=0.02, length_at=0.02, calibrated_on=800, simulated=False
)
THRESHOLDS = Thresholds(version="test", regimes=dict.fromkeys(("photo", "answers", "both"), AT))
USED = PhotoReport(file="a.jpg", status=PhotoStatus.USED)
DOUBTFUL = PhotoReport(file="b.jpg", status=PhotoStatus.DOUBTFUL, reasons=(Reason(code="blurred", text="Blurred."),))
NO_DOG = PhotoReport(file="c.jpg", status=PhotoStatus.REFUSED, reasons=(Reason(code="no_dog", text="No dog."),))
BROKEN = PhotoReport(file="d.jpg", status=PhotoStatus.REFUSED, reasons=(Reason(code="truncated", text="Broken."),))


def weights(n: int) -> st.SearchStrategy[tuple[float, ...]]:
    """Distributions over n words."""
    raw = st.lists(st.floats(min_value=1e-6, max_value=1), min_size=n, max_size=n)
    return raw.map(lambda values: tuple(value / sum(values) for value in values))


def coat(category: CoatCategory, sure: float = 0.97, mixed: float = 0.0, regime: str = "photo") -> CoatEstimate:
    """An estimate with most of its weight on one category."""
    rest = (1 - sure - mixed) / 5
    probabilities = dict.fromkeys(CATEGORIES, rest) | {CoatCategory.MIXED: mixed} | {category: sure}
    return CoatEstimate(tuple(probabilities[c] for c in CATEGORIES), (0.97, 0.01, 0.01, 0.01), regime)  # type: ignore[arg-type]


def codes(decision) -> set[str]:
    return {reason.code for reason in decision.reasons}


def test_one_sure_category_is_settled():
    decision = decide(coat(CoatCategory.FUR), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.SETTLED
    assert decision.categories == (CoatCategory.FUR,)
    assert decision.bands == (LengthBand.UNDER_19MM,)


@pytest.mark.parametrize("regime", ["photo", "both"])
def test_what_is_hardly_a_dog_is_never_settled_answers_or_not(regime):
    hardly = PhotoReport(
        file="e.jpg", status=PhotoStatus.DOUBTFUL, reasons=(Reason(code="dog_unlikely", text="Hardly a dog."),)
    )
    decision = decide(coat(CoatCategory.FUR, regime=regime), [hardly], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.HANDS_ON and "hardly_a_dog" in codes(decision)
    beside = decide(coat(CoatCategory.FUR, regime=regime), [hardly, USED], thresholds=THRESHOLDS)
    assert beside.verdict is Verdict.SETTLED


def test_one_category_that_is_not_sure_enough_is_narrowed_to_two():
    estimate = replace(coat(CoatCategory.FUR), category=(0.01, 0.8, 0.0, 0.17, 0.01, 0.0, 0.01))
    decision = decide(estimate, [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.NARROWED
    assert decision.categories == (CoatCategory.FUR, CoatCategory.WIRE)


@pytest.mark.parametrize("category", [c for c in CoatCategory if c is not CoatCategory.MIXED])
def test_a_possible_mixed_coat_goes_to_a_groomer_however_sure_the_rest(category):
    decision = decide(coat(category, 0.95, mixed=0.03), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.HANDS_ON
    assert "mixed_possible" in codes(decision)
    assert decision.categories[0] is category


def clashing(photo: CoatCategory, answers: CoatCategory, fit: float = -5.0) -> CoatEstimate:
    by_photo, by_answers = coat(photo).category, coat(answers).category
    told = coat(CoatCategory.FUR, regime="both")
    return replace(told, by_photo=by_photo, by_answers=by_answers, answers_fit_photo=fit)


def test_photo_and_answers_that_contradict_each_other_go_to_a_groomer_and_both_stay_possible():
    decision = decide(clashing(CoatCategory.WIRE, CoatCategory.CURLY), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.HANDS_ON
    assert "sources_disagree" in codes(decision)
    assert decision.clash is not None
    assert (decision.clash.photo, decision.clash.answers) == (CoatCategory.WIRE, CoatCategory.CURLY)
    assert {CoatCategory.FUR, CoatCategory.WIRE, CoatCategory.CURLY, CoatCategory.MIXED} <= set(decision.categories)


@pytest.mark.parametrize(
    ("photo", "answers", "fit"),
    [
        (CoatCategory.FUR, CoatCategory.FUR, -9.0),  # the same coat
        (CoatCategory.FUR, CoatCategory.CURLY, -1.0),  # one of them is vague
        (CoatCategory.HAIR, CoatCategory.DROP, -9.0),  # the same coat, cut or grown
    ],
)
def test_sources_that_agree_or_leave_room_for_each_other_do_not_clash(photo, answers, fit):
    decision = decide(clashing(photo, answers, fit), [USED], thresholds=THRESHOLDS)
    assert decision.clash is None and decision.verdict is Verdict.SETTLED


def test_a_dog_unlike_anything_seen_goes_to_a_groomer():
    decision = decide(replace(coat(CoatCategory.FUR), unfamiliar=True), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.HANDS_ON
    assert codes(decision) == {"unfamiliar"}


def test_doubtful_photos_alone_can_not_carry_a_verdict_but_one_good_photo_or_answers_can():
    assert decide(coat(CoatCategory.FUR), [DOUBTFUL], thresholds=THRESHOLDS).verdict is Verdict.HANDS_ON
    assert decide(coat(CoatCategory.FUR), [DOUBTFUL, USED], thresholds=THRESHOLDS).verdict is Verdict.SETTLED
    assert decide(coat(CoatCategory.FUR, regime="both"), [DOUBTFUL], thresholds=THRESHOLDS).verdict is Verdict.SETTLED


def test_a_picture_without_a_dog_is_not_a_dog_and_a_broken_one_is_unusable():
    assert decide(None, [NO_DOG], thresholds=THRESHOLDS).verdict is Verdict.NOT_A_DOG
    assert decide(None, [BROKEN], thresholds=THRESHOLDS).verdict is Verdict.UNUSABLE_PHOTO
    assert decide(None, [], thresholds=THRESHOLDS).verdict is Verdict.HANDS_ON


def test_answers_still_carry_a_dog_whose_photo_was_refused():
    decision = decide(coat(CoatCategory.FUR, regime="answers"), [BROKEN], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.SETTLED
    assert "photo_refused" in codes(decision)


def test_answers_beside_a_photo_without_a_dog_settle_nothing_and_it_is_said_on_what_they_rest():
    """Who takes a cat for a dog also answers for it; a photo that does show the dog carries it again."""
    for reports in ([NO_DOG], [NO_DOG, BROKEN]):
        decision = decide(coat(CoatCategory.FUR, regime="answers"), reports, thresholds=THRESHOLDS)
        assert decision.verdict is Verdict.HANDS_ON and "no_dog_seen" in codes(decision)
        told = next(reason.text for reason in decision.reasons if reason.code == "no_dog_seen")
        assert "No dog was found" in told and "answers alone" in told
    seen = decide(coat(CoatCategory.FUR, regime="both"), [NO_DOG, USED], thresholds=THRESHOLDS)
    assert seen.verdict is Verdict.SETTLED and "no_dog_seen" not in codes(seen)


def test_a_groomers_finding_settles_even_a_mixed_coat():
    decision = decide(coat(CoatCategory.MIXED, 1.0, 1.0, regime="hands_on"), [DOUBTFUL], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.SETTLED
    assert decision.categories == (CoatCategory.MIXED,)


def test_a_measurement_is_named_among_the_reasons_in_both_units():
    measured = AnswerEvidence(((0.0,) * 4,) * 7, ("trunk_length_mm",), measured_mm=19)
    decision = decide(coat(CoatCategory.FUR, regime="both"), [USED], answers=measured, thresholds=THRESHOLDS)
    assert any("19 mm (3/4 in)" in reason.text for reason in decision.reasons)


@settings(max_examples=200)
@given(weights(7), weights(4), st.sampled_from(["photo", "answers", "both"]), st.booleans())
def test_every_decision_keeps_the_rules(category, band, regime, unfamiliar):
    decision = decide(CoatEstimate(category, band, regime, unfamiliar=unfamiliar), [USED], thresholds=THRESHOLDS)
    best = CATEGORIES[category.index(max(category))]
    assert decision.categories[0] is best
    assert decision.reasons and all(reason.text for reason in decision.reasons)
    if decision.verdict is Verdict.SETTLED:
        assert decision.categories == (best,) and max(category) >= AT.settle_at and not unfamiliar
    if CoatCategory.MIXED in decision.categories:
        assert decision.verdict is Verdict.HANDS_ON
    places = sorted(BANDS.index(b) for b in decision.bands)
    assert places == list(range(places[0], places[-1] + 1)), "bands form one stretch of lengths"


@given(weights(7), st.floats(min_value=0, max_value=0.5), st.floats(min_value=0, max_value=0.5))
def test_a_stricter_promise_never_shrinks_a_set(category, first, second):
    low, high = sorted((first, second))
    wide = category_set(category, AT.model_copy(update={"category_at": low, "settle_at": 0}))
    narrow = category_set(category, AT.model_copy(update={"category_at": high, "settle_at": 0}))
    assert set(narrow) <= set(wide)


@given(weights(4))
def test_a_band_set_holds_the_most_probable_band(band):
    assert band_set(band, AT)[0] is BANDS[band.index(max(band))]


# --- hair or drop ---------------------------------------------------------------------------------------------------


def soft(hair: float, drop: float, band: tuple[float, ...], regime: str = "photo") -> CoatEstimate:
    rest = dict.fromkeys(CATEGORIES, (1 - hair - drop) / 5) | {CoatCategory.MIXED: 0.0}
    shares = rest | {CoatCategory.HAIR: hair, CoatCategory.DROP: drop}
    return CoatEstimate(tuple(shares[c] for c in CATEGORIES), band, regime)  # type: ignore[arg-type]


@pytest.mark.parametrize(("hair", "drop"), [(0.5, 0.49), (0.9, 0.09), (0.04, 0.95)])
def test_the_family_of_hair_and_drop_is_settled_and_length_left_to_a_ruler(hair, drop):
    decision = decide(soft(hair, drop, (0.0, 0.0, 0.5, 0.5)), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.NARROWED
    assert set(decision.categories) == {CoatCategory.HAIR, CoatCategory.DROP}
    assert "family_settled" in codes(decision)
    assert any("ruler" in reason.text for reason in decision.reasons)


@pytest.mark.parametrize(
    ("hair", "drop", "band", "settled"),
    [
        (0.98, 0.005, (0.0, 0.1, 0.89, 0.01), CoatCategory.HAIR),  # far below 75 mm
        (0.005, 0.98, (0.0, 0.0, 0.01, 0.99), CoatCategory.DROP),  # far above
    ],
)
def test_hair_or_drop_is_settled_where_the_length_is(hair, drop, band, settled):
    decision = decide(soft(hair, drop, band), [USED], thresholds=THRESHOLDS)
    assert decision.verdict is Verdict.SETTLED and decision.categories == (settled,)


@pytest.mark.parametrize(("hair", "drop"), [(0.985, 0.005), (0.005, 0.985)])
def test_neither_is_settled_where_the_length_is_open_however_sure_it_seems(hair, drop):
    decision = decide(soft(hair, drop, (0.0, 0.0, 0.5, 0.5)), [USED], thresholds=THRESHOLDS)
    assert set(decision.categories) == {CoatCategory.HAIR, CoatCategory.DROP}


def test_the_likeliest_single_coat_stays_in_the_set_even_if_hair_and_drop_together_are_likelier():
    shares = dict.fromkeys(CATEGORIES, 0.0) | {CoatCategory.FUR: 0.4, CoatCategory.HAIR: 0.3, CoatCategory.DROP: 0.3}
    found = category_set([shares[c] for c in CATEGORIES], AT.model_copy(update={"category_at": 0.5, "settle_at": 0}))
    assert set(found) == {CoatCategory.FUR, CoatCategory.HAIR, CoatCategory.DROP}


def test_mixed_joins_a_set_by_its_own_limit_alone_never_as_runner_up():
    shares = dict.fromkeys(CATEGORIES, 0.0) | {CoatCategory.FUR: 0.85, CoatCategory.MIXED: 0.1, CoatCategory.WIRE: 0.05}
    row = [shares[c] for c in CATEGORIES]
    unsure = AT.model_copy(update={"category_at": 0.5, "mixed_at": 0.2})
    assert category_set(row, unsure) == (CoatCategory.FUR, CoatCategory.WIRE)
    assert CoatCategory.MIXED in category_set(row, unsure.model_copy(update={"mixed_at": 0.1}))


def test_hair_that_is_not_sure_may_be_a_mixed_coat():
    shares = dict.fromkeys(CATEGORIES, 0.0) | {CoatCategory.HAIR: 0.8, CoatCategory.WIRE: 0.19, CoatCategory.DROP: 0.01}
    decision = decide(replace(coat(CoatCategory.HAIR), category=tuple(shares.values())), [USED], thresholds=THRESHOLDS)
    assert CoatCategory.MIXED in decision.categories and decision.verdict is Verdict.HANDS_ON


def test_names_beside_a_photo_are_held_to_the_photos_limit():
    careful = {**THRESHOLDS.regimes, "photo": AT.model_copy(update={"settle_at": 0.99})}
    strict = THRESHOLDS.model_copy(update={"regimes": careful})
    names = AnswerEvidence(((0.0,) * 4,) * 7, ("breed",), ancestry=((0.0,) * 4,) * 7)
    told = AnswerEvidence(((0.0,) * 4,) * 6 + ((-1.0,) * 4,), ("curl",))
    estimate = coat(CoatCategory.FUR, regime="both")
    assert decide(estimate, [USED], answers=names, thresholds=strict).verdict is Verdict.NARROWED
    assert decide(estimate, [USED], answers=told, thresholds=strict).verdict is Verdict.SETTLED
