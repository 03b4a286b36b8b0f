"""Growth: published anchors, an honest interval, measurements that are questioned rather than swallowed."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import care_dogs as dogs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import care
from coatclass.care.coat import data
from coatclass.errors import InputError
from coatclass.taxonomy import CoatCategory, LengthBand
from coatclass.words import LANGUAGES

TODAY = date(2026, 3, 2)
FUR = frozenset({CoatCategory.FUR})


def reference():
    path = Path(__file__).parent.parent / "reference" / "care_growth.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        return {row["what"]: (float(row["low"]), float(row["high"])) for row in csv.DictReader(stream)}


def days_ago(days):
    return TODAY - timedelta(days=days)


@pytest.mark.parametrize("season", ["spring", "summer", "autumn", "winter"])
def test_a_clipped_labrador_is_back_to_its_full_length_in_the_weeks_that_diaz_found(season):
    # Diaz et al. 2004: 13.6 to 15.4 weeks by season, 14.5 on average. A Labrador's trunk hair: about 35 mm.
    weeks = reference()[f"clipped_labrador_regrowth_{season}"][0]
    growth = care.forecast(
        dogs.situation(categories=FUR, bands=frozenset({LengthBand.UNDER_19MM})),
        TODAY,
        trims=[care.Trim(TODAY, 0.0)],
        full_length_mm=35.0,
    )
    assert growth.mode == "bounded"
    back = care.passing(34.99, care.Present(TODAY, 0.0, 0.0, growth.rate, 35.0))
    assert (back.earliest - TODAY).days / 7 <= weeks + 0.1
    assert (back.latest - TODAY).days / 7 >= weeks - 0.5
    assert (back.likely - TODAY).days / 7 == pytest.approx(14.5, abs=0.15)


def test_the_labradors_weeks_and_the_beagles_rate_tell_the_same_story():
    # 14.5 weeks at 0.34-0.40 mm/day are 34.5 to 40.6 mm, the length of a retriever's flat coat.
    low, high = reference()["beagle_hair_growth"]
    assert 30 < low * 14.5 * 7 < high * 14.5 * 7 < 45


def test_regrowth_of_a_flat_coat_lies_within_the_textbooks_three_to_four_months():
    low, high = reference()["normal_regrowth_after_clipping"]
    for season in ("spring", "summer", "autumn", "winter"):
        months = data("growth")["regrowth_weeks"][season]["value"] * 7 / 30.4375
        assert low <= months <= high


def test_a_long_coat_never_grows_back_faster_than_hair_grows():
    growth = care.forecast(
        dogs.situation(categories=frozenset({CoatCategory.ARCTIC})),
        TODAY,
        trims=[care.Trim(days_ago(1), 10.0)],
        full_length_mm=110.0,
    )
    assert growth.rate.high <= reference()["beagle_hair_growth"][1]


def test_a_coat_that_sheds_never_outgrows_its_full_length():
    growth = care.forecast(
        dogs.situation(categories=FUR), TODAY, trims=[care.Trim(days_ago(7), 5.0)], full_length_mm=40.0
    )
    assert max(high for _, _, _, high in growth.curve) <= 40.0
    assert not any(crossing.mm == 75.0 for crossing in growth.crossings)


def test_without_a_clip_a_shedding_coat_stays_as_it_is():
    growth = care.forecast(dogs.situation(categories=FUR), TODAY)
    assert growth.mode == "full_length" and growth.crossings == () and growth.curve == ()


def test_without_measurements_the_prior_speaks_and_covers_both_published_breeds():
    rate = care.rate_of((), ())
    beagle, greyhound = reference()["beagle_hair_growth"], reference()["greyhound_hair_growth"]
    assert rate.based_on == "prior"
    assert rate.low < greyhound[1] and rate.high > beagle[1]


def test_measurements_of_this_dog_narrow_the_interval():
    short = [care.DatedLength(days_ago(20), 20.0), care.DatedLength(TODAY, 27.0)]
    long = [care.DatedLength(days_ago(90 - 15 * i), 10.0 + 5.25 * i) for i in range(7)]
    prior, few, many = care.rate_of((), ()), care.rate_of(short, ()), care.rate_of(long, ())
    assert prior.high - prior.low > few.high - few.low > many.high - many.low
    assert many.mean == pytest.approx(0.35, abs=0.02)


def test_the_interval_covers_the_truth_as_often_as_it_says():
    # Simulated dogs: rates from the prior, a home ruler's error. Checks the guarantee, not a dog.
    rng = np.random.default_rng(20)
    prior, error = data("growth")["prior"], data("growth")["measuring"]["error_mm"]
    days = [0, 21, 45, 70]
    hits = 0
    for _ in range(1500):
        truth = 0.0
        while truth <= 0:
            truth = rng.normal(prior["mean"], prior["sd"])
        taken = [care.DatedLength(days_ago(70 - d), 15 + truth * d + rng.normal(0, error)) for d in days]
        rate = care.rate_of(taken, ())
        hits += rate.low <= truth <= rate.high
    assert 0.935 <= hits / 1500 <= 0.965


@pytest.mark.parametrize(("days", "since"), [((0,), 0), ((0, 28), 30), ((0, 21, 45, 70), 0)])
def test_length_and_dates_lie_in_their_range_as_often_as_it_says(days, since):
    # Simulated dogs as above, read `since` days after the last measurement. The range of a date adds up two errors, so
    # it may hold a little oftener than 95 times in 100, never seldomer.
    rng = np.random.default_rng(21)
    prior, error = data("growth")["prior"], data("growth")["measuring"]["error_mm"]
    lengths, dates = [], []
    while len(lengths) < 800:
        rate, start = rng.normal(prior["mean"], prior["sd"]), rng.uniform(14, 60)
        ago = [since + days[-1] - day for day in days]
        taken = [care.DatedLength(days_ago(a), start + rate * d + rng.normal(0, error))
                 for a, d in zip(ago, days, strict=True)]  # fmt: skip
        if rate <= 0 or min(one.mm for one in taken) < 0 or care.examine(taken, ()):
            continue
        growth, now = care.forecast(dogs.situation(), TODAY, measurements=taken), start + rate * ago[0]
        lengths.append(abs(growth.now_mm - now) <= growth.now_error_mm)
        if growth.crossings:
            last = growth.crossings[-1]
            then = TODAY + timedelta(days=round(max(0.0, (last.mm - now) / rate)))
            dates.append(last.earliest <= then and (last.latest is None or then <= last.latest))
    assert np.mean(lengths) >= 0.935
    assert np.mean(dates) >= 0.94 and len(dates) > 500


def test_a_trim_between_measurements_is_no_shrinking():
    taken = [
        care.DatedLength(days_ago(100), 30.0), care.DatedLength(days_ago(70), 41.0),
        care.DatedLength(days_ago(60), 12.0), care.DatedLength(TODAY, 33.0),
    ]  # fmt: skip
    trims = [care.Trim(days_ago(65), 10.0)]
    assert care.examine(taken, trims) == ()
    assert care.rate_of(taken, trims).mean == pytest.approx(0.35, abs=0.03)


@pytest.mark.parametrize(
    ("code", "taken"),
    [
        ("shrank_without_trim", [(60, 40.0), (30, 20.0)]),
        ("too_fast", [(14, 20.0), (0, 60.0)]),
        ("same_day_differs", [(5, 20.0), (5, 40.0)]),
        ("wrong_order", [(10, 30.0), (40, 20.0)]),
    ],
)
def test_measurements_that_hardly_go_together_are_questioned_and_not_swallowed(code, taken):
    measurements = [care.DatedLength(days_ago(days), mm) for days, mm in taken]
    doubts = care.examine(measurements, ())
    assert code in {doubt.code for doubt in doubts}
    growth = care.forecast(dogs.situation(), TODAY, measurements=measurements)
    assert growth.doubts == doubts and growth.rate.based_on == "prior"
    for language in LANGUAGES:
        assert "?" in care.doubt_words(doubts[0], language) or "." in care.doubt_words(doubts[0], language)


def test_two_measurements_of_one_day_that_agree_are_their_mean():
    taken = [care.DatedLength(days_ago(0), 30.0), care.DatedLength(days_ago(0), 32.0)]
    assert care.examine(taken, ()) == ()
    unmeasured = dogs.situation()
    assert care.forecast(unmeasured, TODAY, measurements=taken).now_mm == 31.0
    assert care.rate_of(taken, ()) == care.rate_of((), ())


def test_what_a_trim_left_beats_a_measurement_of_the_same_day():
    taken, cut = [care.DatedLength(days_ago(0), 60.0)], care.Trim(days_ago(0), 20.0)
    assert care.forecast(dogs.situation(), TODAY, measurements=taken, trims=[cut]).now_mm == 20.0


def test_a_measurement_on_the_day_of_a_trim_to_an_unknown_length_says_nothing():
    # It may have been taken before the trim: the band is all that is known.
    taken, cut = [care.DatedLength(days_ago(0), 60.0)], care.Trim(days_ago(0))
    assert care.forecast(dogs.situation(), TODAY, measurements=taken, trims=[cut]).now_mm == 50.0
    earlier = care.forecast(dogs.situation(), TODAY, measurements=taken, trims=[care.Trim(days_ago(1))])
    assert earlier.now_mm == 60.0


def test_a_measurement_on_the_day_of_a_trim_tells_no_rate():
    taken = [care.DatedLength(days_ago(40), 20.0), care.DatedLength(days_ago(20), 28.0)]
    assert care.rate_of(taken, [care.Trim(days_ago(20))]).based_on == "prior"
    assert care.rate_of(taken, [care.Trim(days_ago(19))]).based_on == "measurements"


def test_a_length_that_is_held_has_no_dates_but_the_puppys():
    growth = care.forecast(dogs.situation(measured_mm=20.0, age_months=8.0), TODAY, target_mm=35.0, held=True)
    assert (growth.crossings, growth.trim, growth.curve) == ((), None, ())
    assert growth.look_again
    for language in LANGUAGES:
        assert len(care.growth_words(growth, language)) == 2


def test_a_small_difference_of_the_ruler_is_not_questioned():
    taken = [care.DatedLength(days_ago(10), 30.0), care.DatedLength(TODAY, 28.0)]
    assert care.examine(taken, ()) == ()


@pytest.mark.parametrize(
    ("code", "measurements", "trims"),
    [
        ("length", [care.DatedLength(TODAY, -4.0)], []),
        ("length", [care.DatedLength(TODAY, 4000.0)], []),
        ("length", [care.DatedLength(TODAY, float("nan"))], []),
        ("error", [care.DatedLength(TODAY, 20.0, 0.0)], []),
        ("future", [care.DatedLength(TODAY + timedelta(days=1), 20.0)], []),
        ("future", [], [care.Trim(TODAY + timedelta(days=1))]),
        ("length", [], [care.Trim(TODAY, -1.0)]),
    ],
)
def test_what_cannot_be_is_refused_with_a_reason(code, measurements, trims):
    with pytest.raises(InputError) as refusal:
        care.forecast(dogs.situation(), TODAY, measurements=measurements, trims=trims)
    assert refusal.value.code == code


@settings(max_examples=80, deadline=None)
@given(st.floats(1, 100), st.floats(1, 120))
def test_dates_come_in_order_and_a_longer_length_comes_later(now, target):
    present = care.Present(TODAY, now, 3.0, care.rate_of((), ()))
    near, far = care.passing(target, present), care.passing(target + 10, present)
    if near and far:
        assert near.earliest <= near.likely <= far.likely and near.earliest <= far.earliest
        assert near.latest is None or near.latest >= near.likely


def test_the_kit_changes_at_each_limit_still_ahead():
    growth = care.forecast(dogs.situation(measured_mm=20.0), TODAY)
    assert [crossing.mm for crossing in growth.crossings] == [25.0, 75.0]
    assert growth.crossings[0].likely == TODAY + timedelta(days=round(5 / growth.rate.mean))


def test_the_next_trim_is_due_when_the_wished_length_is_reached():
    growth = care.forecast(dogs.situation(measured_mm=20.0), TODAY, target_mm=35.0)
    assert growth.trim.likely == TODAY + timedelta(days=round(15 / growth.rate.mean))
    overdue = care.forecast(dogs.situation(measured_mm=50.0), TODAY, target_mm=35.0)
    assert overdue.trim.likely == TODAY


def test_a_puppy_is_looked_at_again_until_eighteen_months():
    growth = care.forecast(dogs.situation(age_months=5.0), TODAY)
    assert len(growth.look_again) == 5
    assert growth.look_again[0] == TODAY + timedelta(days=30)
    assert care.forecast(dogs.situation(age_months=30.0), TODAY).look_again == ()


def test_whether_a_trim_keeps_the_coat_is_said_only_where_its_length_is_known():
    dog = dogs.situation(categories=frozenset({CoatCategory.CURLY}), measured_mm=None, wished_length_mm=20.0)
    guessed = care.forecast(dog, TODAY, target_mm=20.0)
    told = care.forecast(replace(dog, measured_mm=21.0), TODAY, target_mm=20.0)
    assert not guessed.measured and told.measured and guessed.wished
    assert any(line.startswith("Nobody has measured the coat.") for line in care.growth_words(guessed))
    assert any("a trim keeps it there" in line for line in care.growth_words(told))
    cut = care.forecast(dog, TODAY, trims=[care.Trim(TODAY - timedelta(days=7), 20.0)], target_mm=20.0)
    assert cut.measured
