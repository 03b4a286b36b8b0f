"""A second look only where the first leaves doubt: the trial's rule, and its table."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from training.ensemble.data import Dataset, load
from training.experiments.second_look import doubtless, looked
from training.places import ROOT


@pytest.fixture(scope="module")
def twice(photos: Path) -> Dataset:
    del photos  # the labels lie beside them
    return load(ROOT / "models" / "evidence.npz")


@pytest.fixture(scope="module")
def once(twice: Dataset) -> Dataset:
    return replace(twice, texture=twice.texture[::-1], unseen_band=twice.unseen_band - 1, unfamiliarity=-twice.band)


def test_two_sure_routes_leave_no_doubt_and_two_that_differ_do() -> None:
    sure, even = np.log([0.94, *[0.01] * 6]), np.log(np.full(7, 1 / 7))
    texture, kinship = np.stack([sure, sure, even]), np.stack([sure, sure[::-1], even])
    assert doubtless(texture, kinship, 0.9).tolist() == [True, False, False]
    assert doubtless(texture, kinship, 0.95).tolist() == [False, False, False]


@pytest.mark.photos
def test_a_rule_that_is_never_sure_takes_both_looks_and_one_that_always_is_the_first(
    once: Dataset, twice: Dataset
) -> None:
    never, shares = looked(once, twice, 1.1)
    assert shares == {"dog": 0, "breed": 0}
    assert all(np.array_equal(value, getattr(twice, name)) for name, value in vars(never).items())
    always, shares = looked(once, twice, 0.0)
    assert shares == {"dog": 1, "breed": 1}
    assert np.array_equal(always.texture, once.texture) and np.array_equal(always.unseen_band, once.unseen_band)
    assert np.array_equal(always.category, twice.category)


@pytest.mark.photos
def test_each_photo_has_all_its_evidence_from_the_same_looks(once: Dataset, twice: Dataset) -> None:
    mixed, shares = looked(once, twice, 0.9)
    first = doubtless(once.texture, once.kinship, 0.9)
    assert shares["dog"] == first.mean() and 0 < shares["dog"] < 1
    assert np.array_equal(mixed.texture[first], once.texture[first])
    assert np.array_equal(mixed.unfamiliarity[first], once.unfamiliarity[first])
    assert np.array_equal(mixed.texture[~first], twice.texture[~first])


def test_the_table_tells_of_fewer_single_looks_at_higher_limits() -> None:
    with (ROOT / "models" / "second_look.csv").open(encoding="utf-8", newline="") as stream:
        both, one, *rules = csv.DictReader(stream)
    assert (both["rule"], one["rule"]) == ("two looks", "one look")
    assert {row["photos"] for row in (both, one, *rules)} == {both["photos"]}
    for by in ("dog", "breed"):
        shares = [float(row[f"one_look_{by}_never_seen"]) for row in (one, *rules, both)]
        assert shares == sorted(shares, reverse=True) and shares[0] == 1 and shares[-1] == 0
        assert float(both[f"{by}_never_seen_log_loss_less"]) == 0
