"""The list of labels worth a second look, against the evidence that it is made from."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from coatclass.taxonomy import BANDS, CATEGORIES
from training.dataset.documents import ANNOTATORS_DIFFER, AUDIT_COLUMNS, OTHER_BAND, OTHER_CATEGORY, label_audit
from training.places import read_csv

ROOT = Path(__file__).resolve().parents[2]
EVIDENCE = ROOT / "models" / "evidence.npz"


@pytest.fixture(scope="module")
def labels() -> list[dict[str, str]]:
    return read_csv(ROOT / "datasets" / "labels.csv")


@pytest.fixture(scope="module")
def audit() -> list[dict[str, str]]:
    return read_csv(ROOT / "datasets" / "label_audit.csv")


def test_the_list_is_what_labels_and_evidence_give(labels: list[dict[str, str]], audit: list[dict[str, str]]) -> None:
    version = json.loads((ROOT / "models" / "manifest.json").read_text(encoding="utf-8"))["model_version"]
    assert label_audit(labels, EVIDENCE, version) == audit
    assert tuple(audit[0]) == AUDIT_COLUMNS
    assert {row["model_version"] for row in audit} == {version}


def test_only_photos_are_listed_that_the_model_had_not_seen(audit: list[dict[str, str]]) -> None:
    """No photo of the test split, and each by the network of a fold that left the dog out."""
    with np.load(EVIDENCE) as evidence:
        fold = dict(zip(evidence["photo_id"], evidence["fold"], strict=True))
    assert {row["split"] for row in audit} == {"train", "val"}
    assert all(fold[row["photo_id"]] >= 0 for row in audit)


def test_every_photo_with_a_reason_is_listed_and_no_other(
    labels: list[dict[str, str]], audit: list[dict[str, str]]
) -> None:
    """Reasons and probabilities worked out from their definition: the normalised geometric mean of the two routes."""
    said = {row["photo_id"]: row for row in audit}
    names, bands = list(map(str, CATEGORIES)), list(map(str, BANDS))
    with np.load(EVIDENCE) as evidence:
        both = np.sqrt(np.exp(evidence["texture"].astype(float)) * np.exp(evidence["kinship"].astype(float)))
        band = np.exp(evidence["band"].astype(float))
        rows = {name: place for place, name in enumerate(evidence["photo_id"])}
    category = both / both.sum(1, keepdims=True)
    for row in labels:
        if row["split"] == "test":
            continue
        place = rows[row["photo_id"]]
        agreed = names.index(row["category"])
        reasons = {OTHER_CATEGORY} if (category[place] > category[place][agreed]).any() else set()
        if row["category_2"] and row["category_2"] != row["category_1"]:
            reasons.add(ANNOTATORS_DIFFER)
        if row["band"] in bands and abs(band[place].argmax() - bands.index(row["band"])) > 1:
            reasons.add(OTHER_BAND)
        assert (row["photo_id"] in said) == bool(reasons)
        if reasons:
            listed = said[row["photo_id"]]
            assert set(listed["why"].split("; ")) == reasons
            assert float(listed["p_category"]) == pytest.approx(category[place][agreed], abs=1e-4)


def test_the_least_believed_label_comes_first(audit: list[dict[str, str]]) -> None:
    believed = [float(row["p_category"]) for row in audit]
    assert believed == sorted(believed) and 0 <= believed[0] < believed[-1] <= 1


def test_a_photo_that_the_evidence_does_not_know_is_left_out(labels: list[dict[str, str]]) -> None:
    """New photos have labels before a model has read them."""
    new = {**labels[0], "photo_id": "new", "split": "train", "category_1": "wire", "category_2": "fur"}
    assert label_audit([new], EVIDENCE, "any") == []


def test_a_photo_that_moves_to_the_test_split_leaves_the_list(
    labels: list[dict[str, str]], audit: list[dict[str, str]]
) -> None:
    listed = next(row for row in labels if row["photo_id"] == audit[0]["photo_id"])
    assert label_audit([listed], EVIDENCE, "any") != []
    assert label_audit([{**listed, "split": "test"}], EVIDENCE, "any") == []
