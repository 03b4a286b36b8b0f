"""The release against votes: figures that can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from coatclass.taxonomy import CATEGORIES
from training.votes import FAMILY, Voted, macro_f1, summary

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
