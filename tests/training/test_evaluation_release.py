"""The labelled photos as cases, and the page of figures that README quotes."""

from __future__ import annotations

import json

import pytest

pytest.importorskip("mapie")

from coatclass.taxonomy import CATEGORIES
from training.evaluation._cases import cases_of_split
from training.evaluation._summary import summary

pytestmark = pytest.mark.photos


@pytest.fixture(autouse=True)
def _here(photos, monkeypatch):
    monkeypatch.setenv("COATCLASS_PHOTOS", str(photos))


def test_the_test_split_holds_the_photos_that_its_readme_counts():
    # Counts per category of the test split, from the photos' own README.
    expected = {"hair": 39, "fur": 285, "mixed": 5, "wire": 24, "curly": 16, "drop": 20, "arctic": 64}
    cases = cases_of_split("test")
    assert {name: sum(CATEGORIES[case.category] == name for case in cases.rows) for name in expected} == expected


def test_no_group_lies_in_two_splits():
    groups = [set(cases_of_split(name).groups) for name in ("train", "val", "test")]
    assert not groups[0] & groups[1] and not groups[0] & groups[2] and not groups[1] & groups[2]


def test_annotators_agree_as_their_readme_says():
    # The photos' README: kappa 0.972 over 2,575 photos before 749 were set aside; the kept ones must come out near.
    from coatclass.reports.evaluation import _metrics as metrics

    pairs = [case.categories_by for name in ("train", "val", "test") for case in cases_of_split(name).rows]
    twice = [pair for pair in pairs if -1 not in pair]
    import numpy as np

    first, second = np.array(twice).T
    assert metrics.kappa(first, second, 7) == pytest.approx(0.972, abs=0.015)


def test_the_released_metrics_and_their_page_say_the_same():
    from coatclass.resources import released

    metrics = json.loads(released("models/metrics.json").read_text(encoding="utf-8"))
    page = released("models/METRICS.md").read_text(encoding="utf-8")
    assert summary(metrics) == page
    assert f"{metrics['photo']['category']['accuracy']['value']:.3f}" in page
