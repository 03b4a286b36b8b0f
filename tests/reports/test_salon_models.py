"""Whether the care models hold in a salon: the figures against a reference library, their promise by simulation."""

from __future__ import annotations

from datetime import date, timedelta
from random import Random

import pytest
from sklearn.metrics import roc_auc_score

from coatclass import care
from coatclass.contract import CoatSituation
from coatclass.intake import FinishedVisit, Job
from coatclass.intake.minutes import assumed
from coatclass.reports.evaluation.salon import (
    LEAST_DOGS,
    Measured,
    ZoneOutcome,
    growth_holds,
    next_measurements,
    risk_holds,
    time_holds,
)
from coatclass.taxonomy import CoatCategory, LengthBand

CURLY = CoatSituation(frozenset({CoatCategory.CURLY}), frozenset({LengthBand.FROM_25_TO_75MM}), weight_kg=8.0)
START = date(2026, 1, 5)


def zones(dogs: int, seed: int = 1) -> list[ZoneOutcome]:
    """Simulated dogs whose zones mat as often as they are called."""
    draw, rows = Random(seed), []
    for dog in range(dogs):
        for level, score, share in (("low", 20.0, 0.1), ("moderate", 45.0, 0.4), ("high", 75.0, 0.8)):
            rows += [ZoneOutcome(dog, level, score + draw.random(), draw.random() < share) for _ in range(4)]  # type: ignore[arg-type]
    return rows


def test_the_order_of_scores_is_judged_as_scikit_learn_judges_it() -> None:
    rows = zones(30)
    found = risk_holds(rows).auc
    assert found == pytest.approx(roc_auc_score([one.matted for one in rows], [one.score for one in rows]))
    assert found is not None and found > 0.7


def test_shares_by_level_are_the_plain_shares_inside_their_intervals() -> None:
    rows = zones(30)
    for one in risk_holds(rows).levels:
        own = [row.matted for row in rows if row.level == one.level]
        assert one.share.value == pytest.approx(sum(own) / len(own)) and one.share.n == len(own)
        assert one.share.low <= one.share.value <= one.share.high
        assert one.dogs == 30
    low, moderate, high = (one.share.value for one in risk_holds(rows).levels)
    assert low < moderate < high


def test_zones_of_one_dog_do_not_count_as_independent() -> None:
    """Ten dogs whose zones all go alike give a wider interval than as many zones of as many dogs."""
    alike = [ZoneOutcome(dog, "high", 70.0, dog % 2 == 0) for dog in range(10) for _ in range(10)]
    apart = [ZoneOutcome(number, "high", 70.0, number % 2 == 0) for number in range(100)]
    [together], [single] = risk_holds(alike).levels, risk_holds(apart).levels
    assert together.share.high - together.share.low > 2 * (single.share.high - single.share.low)


def test_few_dogs_are_not_told_of() -> None:
    assert risk_holds(zones(LEAST_DOGS - 1)).levels == ()
    assert risk_holds(zones(LEAST_DOGS - 1)).auc is None
    assert len(risk_holds(zones(LEAST_DOGS)).levels) == 3
    few = [Measured(dog, 30.0, 30.0, 20.0, 40.0) for dog in range(LEAST_DOGS - 1)]
    assert growth_holds(few) is None
    one_dog = [Measured(0, 30.0, 30.0, 20.0, 40.0)] * 50
    assert growth_holds(one_dog) is None, "many measurements of one dog are still one dog"


def grown(seed: int) -> tuple[Measured, ...]:
    """A simulated dog whose hair grows as the prior says, measured every five weeks with the usual error."""
    draw, prior = Random(seed), care.rate_of((), ())
    rate = draw.gauss(0.30, 0.12)
    while rate <= 0:
        rate = draw.gauss(0.30, 0.12)
    assert prior.low < 0.30 < prior.high
    days = [START + timedelta(weeks=5 * step) for step in range(5)]
    measured = [care.DatedLength(day, 25 + rate * (day - START).days + draw.gauss(0, 3.0)) for day in days]
    return next_measurements(seed, CURLY, measured, ())


def test_growth_forecasts_of_dogs_like_the_prior_hold_at_least_as_often_as_they_promise() -> None:
    """The guarantee itself, by simulation: 95 % of the next measurements lie inside the range."""
    found = growth_holds([row for seed in range(120) for row in grown(seed)])
    assert found is not None and found.dogs == 120
    assert found.inside >= 0.88
    assert abs(found.bias_mm) < 1.0
    assert found.error_mm < 6


def test_a_forecast_never_reaches_across_a_cut() -> None:
    measured = [care.DatedLength(START + timedelta(weeks=week), mm) for week, mm in ((0, 20.0), (5, 30.0), (10, 12.0))]
    assert len(next_measurements(0, CURLY, measured, ())) == 2
    cut = START + timedelta(weeks=7)
    assert len(next_measurements(0, CURLY, measured, (cut,))) == 1


def test_the_time_model_is_judged_on_dogs_that_it_did_not_know() -> None:
    draw = Random(3)
    visits = []
    for dog in range(14):
        job = Job("groom", CURLY, 30.0 + dog, {}, {})
        visits += [(dog, FinishedVisit(job, assumed(job) * 1.2 * draw.lognormvariate(0, 0.15))) for _ in range(2)]
    found = time_holds(visits)
    assert found is not None and (found.dogs, found.visits) == (14, 28)
    assert found.inside >= 0.6, "its range promises four of five"
    assert found.off < 0.3
    assert time_holds(visits[: 2 * (LEAST_DOGS - 1)]) is None
