"""The interval of a difference between two variants covers what it should, and reads each photo's own fold."""

from __future__ import annotations

import csv

import numpy as np
import pytest

pytest.importorskip("mapie")

from coatclass.errors import InputError
from coatclass.resources import released
from training.experiments.ablation_intervals import difference, out_of_fold


def opinions(rng: np.random.Generator, truth: np.ndarray, sharpness: float) -> np.ndarray:
    """Log P(category) (N, 7) that leans towards the truth."""
    logits = rng.normal(size=(len(truth), 7))
    logits[np.arange(len(truth)), truth] += sharpness
    return logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)


def test_a_variant_does_not_differ_from_itself():
    rng = np.random.default_rng(0)
    truth = rng.integers(7, size=200)
    log_p = opinions(rng, truth, 2.0)
    for figure in difference(log_p, log_p, truth, np.arange(200)).values():
        assert figure[:3] == (0.0, 0.0, 0.0)


def test_the_interval_is_that_of_scipys_paired_bootstrap():
    """Reference: scipy.stats.bootstrap, paired, percentile method, where each photo is a dog of its own."""
    from scipy import stats

    rng = np.random.default_rng(1)
    truth = rng.integers(7, size=400)
    first, second = opinions(rng, truth, 3.0), opinions(rng, truth, 2.0)
    rows = np.arange(400)
    found = difference(first, second, truth, rows, resamples=4000)
    losses = -first[rows, truth], -second[rows, truth]
    reference = stats.bootstrap(
        losses, lambda a, b, axis: (a - b).mean(axis=axis), paired=True, method="percentile", n_resamples=4000, rng=2
    ).confidence_interval
    assert found["log_loss"].value == pytest.approx((losses[0] - losses[1]).mean())
    width = reference.high - reference.low
    assert found["log_loss"].low == pytest.approx(reference.low, abs=0.05 * width)
    assert found["log_loss"].high == pytest.approx(reference.high, abs=0.05 * width)
    assert found["log_loss"].high < 0 < found["accuracy"].low, "the sharper variant is told apart"


def test_photos_of_one_dog_stand_or_fall_together():
    rng = np.random.default_rng(2)
    truth = np.repeat(rng.integers(7, size=60), 10)
    first, second = (np.repeat(opinions(rng, truth[::10], 1.0), 10, axis=0) for _ in range(2))
    alone = difference(first, second, truth, np.arange(600))["log_loss"]
    together = difference(first, second, truth, np.arange(600) // 10)["log_loss"]
    # Ten copies of each photo: the interval is the one of 60 photos, about 3.2 times as wide.
    assert 2.5 < (together.high - together.low) / (alone.high - alone.low) < 4.0


def test_each_photo_is_read_by_the_network_that_never_saw_it(tmp_path):
    fold = np.array([0, 1, 1, 0])
    for k in (0, 1):
        scores = np.full((4, 7), -50.0)
        scores[:, k] = 0.0  # network k says category k
        np.savez(tmp_path / f"readings_group{k}.npz", **{"0.5:texture": scores, "0.5:kinship": scores})
    assert out_of_fold(tmp_path, "group", 0.5, fold).argmax(axis=1).tolist() == [0, 1, 1, 0]


def test_a_missing_share_is_named(tmp_path):
    np.savez(tmp_path / "readings_group0.npz", **{"0.0:texture": np.zeros((2, 7)), "0.0:kinship": np.zeros((2, 7))})
    with pytest.raises(InputError, match=r"share of 0\.5"):
        out_of_fold(tmp_path, "group", 0.5, np.zeros(2, int))
    with pytest.raises(InputError, match="does not exist"):
        out_of_fold(tmp_path, "breed", 0.0, np.zeros(2, int))


def test_the_kept_differences_are_those_of_the_table_of_ablations():
    """models/ablations.csv was written by the runs themselves: log loss and accuracy of each variant, four digits."""

    def rows(name: str) -> list[dict[str, str]]:
        with released(name).open(newline="", encoding="utf-8") as stream:
            return list(csv.DictReader(stream))

    table = {(row["config"], float(row["finetuned_share"])): row for row in rows("models/ablations.csv")}
    kept = rows("models/ablation_intervals.csv")
    assert {row["compared_with"] for row in kept} == {"its frozen network", "tuned-lite2"}
    for row in kept:
        first = table[row["config"], float(row["finetuned_share"])]
        frozen = row["compared_with"] == "its frozen network"
        second = table[row["config"], 0.0] if frozen else table[row["compared_with"], float(row["finetuned_share"])]
        for where in ("unseen_dogs", "unseen_breeds"):
            for figure in ("log_loss", "accuracy"):
                of = f"{where}_blend_{figure}"
                low, value, high = (float(row[f"{where}_{figure}_{what}"]) for what in ("low", "difference", "high"))
                # tuned-lite2's readings were kept in half precision: near ties may fall otherwise.
                assert value == pytest.approx(float(first[of]) - float(second[of]), abs=1.1e-3), (row["config"], of)
                assert low <= value <= high
