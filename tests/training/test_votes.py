"""The release against votes: figures that can be worked out by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest

from coatclass import ensemble, vision
from coatclass.errors import InputError
from coatclass.resources import released
from coatclass.taxonomy import CATEGORIES
from training.evaluation import votes
from training.evaluation.not_dogs import drawings, trade_off
from training.evaluation.votes import FAMILY, Voted, change, macro_f1, quoted_votes, summary

HAIR, FUR, DROP = (CATEGORIES.index(name) for name in ("hair", "fur", "drop"))


def test_log_loss_brier_and_parity_are_those_of_the_definitions() -> None:
    """Four photos, each of a dog of its own; the release says 0.9 fur, but hair on the last, whose label is drop."""
    said = np.full((4, 7), 0.1 / 6)
    said[:3, FUR], said[3, HAIR] = 0.9, 0.9
    votes = np.eye(7)[[FUR, FUR, FUR, DROP]]
    votes[2] = (np.eye(7)[FUR] + np.eye(7)[HAIR]) / 2
    further = np.array([[FUR, FUR], [FUR, HAIR], [-1, -1], [DROP, DROP]])
    voted = Voted(said, np.array([FUR, FUR, FUR, DROP]), votes, further, np.array(list("abcd")))
    found = summary(voted)
    right, wrong = -np.log(0.9), -np.log(0.1 / 6)
    assert found["log_loss"].value == pytest.approx((2 * right + (right + wrong) / 2 + wrong) / 4)
    others = 5 * (0.1 / 6) ** 2
    halves = 0.4**2 + (0.5 - 0.1 / 6) ** 2 + others
    last = 0.9**2 + (1 - 0.1 / 6) ** 2 + others
    assert found["brier"].value == pytest.approx((2 * (0.1**2 + 6 * (0.1 / 6) ** 2) + halves + last) / 4)
    assert found["accuracy"].value == 0.75 and found["accuracy_hair_or_drop"].value == 1
    assert (found["accuracy_one_voice"].n, found["accuracy_voices_differ"].n) == (3, 1)
    # On the three judged photos the release is right on 2; the annotators on 3 and on 2.
    assert found["judged_accuracy"].n == 3 and found["judged_accuracy"].value == pytest.approx(2 / 3)
    assert found["less_further_annotators"].value == pytest.approx(2 / 3 - 2.5 / 3)
    assert found["less_further_annotators_hair_or_drop"].value == pytest.approx(1 - 2.5 / 3)
    assert found["log_loss"].low <= found["log_loss"].value <= found["log_loss"].high


def test_hair_and_drop_are_one_family_and_no_other_coats() -> None:
    assert FAMILY[HAIR] == FAMILY[DROP] and len(set(FAMILY.tolist())) == len(CATEGORIES) - 1


def test_the_f1_is_scikit_learns_over_the_coats_but_mixed() -> None:
    from sklearn.metrics import f1_score

    random = np.random.default_rng(0)
    truth, said = random.integers(0, 7, (2, 300))
    mixed = CATEGORIES.index("mixed")  # type: ignore[arg-type]
    kept = truth != mixed
    labels = [place for place in range(7) if place != mixed]
    assert macro_f1(truth, said) == pytest.approx(f1_score(truth[kept], said[kept], labels=labels, average="macro"))


def voted(said: np.ndarray, label: list[int]) -> Voted:
    truth = np.array(label)
    further = np.full((len(truth), 2), -1)
    return Voted(said, truth, np.eye(7)[truth], further, np.array([f"dog {n}" for n in range(len(truth))]))


def test_two_releases_are_compared_on_the_same_photos() -> None:
    """The new release is right on three of four, the old one on two; the paired difference is 1 / 4."""
    sure = np.full((7, 7), 0.02) + np.eye(7) * 0.86
    now = voted(sure[[FUR, FUR, HAIR, DROP]], [FUR, FUR, HAIR, HAIR])
    found = change(now, sure[[FUR, DROP, HAIR, DROP]])
    assert found["accuracy"].value == pytest.approx(0.25) and found["accuracy"].n == 4
    assert found["log_loss"].value == pytest.approx((np.log(0.02) - np.log(0.88)) / 4)
    assert found["accuracy"].low <= 0.25 <= found["accuracy"].high
    same = change(now, now.probabilities)["log_loss"]
    assert (same.value, same.low, same.high) == (0, 0, 0)


def test_what_a_release_said_is_kept_and_becomes_the_one_before_when_another_comes(tmp_path) -> None:
    said, photos = np.full((2, 7), 1 / 7), np.array(["a", "b"])
    sets = {name: (voted(said, [FUR, HAIR]), photos) for name in ("breed never seen", "test")}
    votes._keep(tmp_path / votes.KEPT, sets, ["image-1", "ensemble-1"])
    votes._keep(tmp_path / votes.KEPT, {"breed never seen": sets["breed never seen"]}, ["image-1", "ensemble-1"])
    assert votes._kept_before(tmp_path, ["image-1", "ensemble-1"], sets) is None
    assert votes._kept_before(tmp_path, ["image-1", "ensemble-2"], sets) is None, "it says the same of every photo"
    votes._keep(tmp_path / votes.KEPT, {}, ["image-1", "ensemble-2"])
    assert votes._read(tmp_path / votes.KEPT)["release"] == ["image-1", "ensemble-2"]
    votes._keep(tmp_path / votes.KEPT, {}, ["image-1", "ensemble-1"])
    otherwise = np.where(np.arange(7) == FUR, 0.4, 0.1)[None].repeat(2, axis=0)
    said_otherwise = {name: (voted(otherwise, [FUR, HAIR]), photos) for name in sets}
    before = votes._kept_before(tmp_path, ["image-2", "ensemble-2"], said_otherwise)
    assert before is not None and before["release"] == ["image-1", "ensemble-1"]
    assert votes._said_before(before, "test, rare coats", photos[1:]) == pytest.approx(said[1:], abs=1e-3)
    assert votes._said_before(before, "dog never seen", photos) is None
    with pytest.raises(InputError, match="lacks photos"):
        votes._said_before(before, "test", np.array(["c"]))


def test_the_released_card_quotes_the_released_votes() -> None:
    report = json.loads(released("models/votes.json").read_text(encoding="utf-8"))
    card = released("models/MODEL_CARD.md").read_text(encoding="utf-8")
    assert card.partition(votes.BEGIN_VOTES)[2].partition(votes.END_VOTES)[0].strip() == quoted_votes(report)
    assert report["release"] == [vision.read_manifest().model_version, ensemble.load().version]


def test_a_limit_is_weighed_by_the_dogs_and_by_the_others_under_it() -> None:
    seen = [
        {"kind": "cats: a", "margin": -0.6, "settled_if_a_dog": True},
        {"kind": "cats: b", "margin": 0.12, "settled_if_a_dog": True},
        {"kind": "toys", "margin": -0.05, "settled_if_a_dog": False},
        {"kind": "toys", "margin": None, "settled_if_a_dog": False},
    ]
    rows = {row["limit"]: row for row in trade_off(seen, {"dog": np.array([-0.25, 0.05, 1.0, 2.0])})}
    assert (rows[0.0]["dogs_under_dog"], rows[0.0]["cats_under"], rows[0.0]["others_under"]) == (0.25, 0.5, 1)
    assert [rows[limit]["settled_above"] for limit in (-1.0, 0.0, 0.15)] == [2, 1, 0]


def test_drawn_animals_are_the_same_at_every_run_and_all_different() -> None:
    first, again = drawings(), drawings()
    assert first == again
    pictures = [picture for of in first.values() for picture in of.values()]
    assert len(set(pictures)) == len(pictures) >= 20
