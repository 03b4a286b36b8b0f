"""A second look only where the first leaves doubt: its rule on the released evidence, and the trial's table."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from coatclass.vision import SecondLook, no_doubt, read_manifest
from training.ensemble.data import load
from training.experiments.second_look import looked
from training.places import ROOT

EVIDENCE = ROOT / "models" / "evidence.npz"


def rule(unless: float, margin: float = 0.0) -> SecondLook:
    return SecondLook(unless=unless, margin=margin)


def test_two_sure_routes_and_a_dog_leave_no_doubt() -> None:
    sure, even = np.log([0.94, *[0.01] * 6]), np.log(np.full(7, 1 / 7))
    texture, kinship = np.stack([sure, sure, even, sure]), np.stack([sure, sure[::-1], even, sure])
    margins = np.array([0.5, 0.5, 0.5, -0.5])
    assert no_doubt(rule(0.9), texture, kinship, margins).tolist() == [True, False, False, False]
    assert no_doubt(rule(0.95), texture, kinship, margins).tolist() == [False] * 4


@pytest.mark.photos
def test_the_released_evidence_is_what_the_released_rule_makes_of_both_looks() -> None:
    released = read_manifest().second_look
    assert released is not None
    data = load(EVIDENCE)
    made, shares = looked(EVIDENCE, released)
    for name in ("texture", "kinship", "band_evidence", "outline", "unfamiliarity", "unseen_texture", "unseen_band"):
        expected = getattr(data, name)[data.split != "test"]
        assert np.allclose(getattr(made, name), expected, atol=1e-5), name
    assert 0.5 < shares["breed"] < shares["dog"] < 0.9


@pytest.mark.photos
def test_a_rule_that_is_never_sure_takes_both_looks_at_every_photo() -> None:
    never, shares = looked(EVIDENCE, rule(2.0))
    always, all_ = looked(EVIDENCE, rule(0.01, -np.inf))
    assert shares == {"dog": 0, "breed": 0} and all_ == {"dog": 1, "breed": 1}
    assert not np.allclose(never.texture, always.texture, atol=0.1)


def test_the_table_tells_of_fewer_single_looks_at_higher_limits() -> None:
    with (ROOT / "models" / "second_look.csv").open(encoding="utf-8", newline="") as stream:
        both, one, *rules = csv.DictReader(stream)
    assert (both["rule"], one["rule"]) == ("two looks", "one look")
    assert {row["photos"] for row in (both, one, *rules)} == {both["photos"]}
    for by in ("dog", "breed"):
        shares = [float(row[f"one_look_{by}_never_seen"]) for row in (one, *rules, both)]
        assert shares == sorted(shares, reverse=True) and shares[0] == 1 and shares[-1] == 0
        assert float(both[f"{by}_never_seen_log_loss_less"]) == 0
