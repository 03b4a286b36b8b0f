"""The published labels and what is written about them."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest

from coatclass.breeds import table
from coatclass.photo import difference_hash, hash_distance
from coatclass.taxonomy import BANDS, CATEGORIES
from training.dataset.documents import (
    FILES,
    agreement_table,
    attribution,
    audit_table,
    band_agreement,
    category_agreement,
    composition,
    croissant,
    disagreement_table,
    observed_table,
    opinion_table,
    with_numbers,
)
from training.dataset.labels import LABEL_COLUMNS
from training.places import read_csv

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def labels() -> list[dict[str, str]]:
    return read_csv(DATASETS / "labels.csv")


def test_every_photo_is_named_once_with_its_labels_licence_and_fingerprint(labels: list[dict[str, str]]) -> None:
    assert len(labels) == 2551 == len({row["photo_id"] for row in labels}) == len({row["sha256"] for row in labels})
    assert tuple(labels[0]) == LABEL_COLUMNS
    bands = {*map(str, BANDS), "not_visible"}
    for row in labels:
        assert row["category"] in CATEGORIES and row["band"] in bands and row["split"] in ("train", "val", "test")
        assert row["licence"] and row["licence_tier"] in "OABUC" and row["source_url"].startswith("https://")
        assert re.fullmatch("[0-9a-f]{64}", row["sha256"]) and re.fullmatch("[0-9a-f]{16}", row["dhash"])
        assert row["breed_id"] in table() or row["breed"] in ("mongrel", "pulin")


def test_no_dog_is_on_two_sides_of_the_split(labels: list[dict[str, str]]) -> None:
    splits: dict[str, set[str]] = {}
    for row in labels:
        splits.setdefault(row["group"], set()).add(row["split"])
    assert all(len(sides) == 1 for sides in splits.values())


def test_where_two_agreed_the_label_is_what_they_said(labels: list[dict[str, str]]) -> None:
    for row in labels:
        if row["category_status"] == "agreed":
            assert row["category"] == row["category_1"] == row["category_2"]
        if row["band_status"] == "agreed":
            assert row["band"] == row["band_1"] == row["band_2"]
        assert (row["category_status"] == "single") == (row["category_2"] == "")


def test_agreement_recomputed_from_the_columns_is_near_the_one_before_photos_were_set_aside(
    labels: list[dict[str, str]],
) -> None:
    """photos/README.md: 98.2 %, kappa 0.972 on 2,575 photos; bands 91.8 %, quadratic-weighted kappa 0.950."""
    category, band = category_agreement(labels), band_agreement(labels)
    assert (category.photos, band.photos) == (1907, 1564)
    assert category.exact == pytest.approx(1868 / 1907)
    assert category.exact == pytest.approx(0.982, abs=0.005) and category.kappa == pytest.approx(0.972, abs=0.005)
    assert band.exact == pytest.approx(0.918, abs=0.005) and band.kappa == pytest.approx(0.950, abs=0.005)


def test_the_kappas_are_those_of_the_definition(labels: list[dict[str, str]]) -> None:
    """Cohen 1960 and 1968 (quadratic weights), computed here from the definition."""
    import numpy as np

    def kappa(pairs: list[tuple[str, str]], names: list[str], power: int) -> float:
        seen = np.zeros((len(names), len(names)))
        for one, other in pairs:
            seen[names.index(one), names.index(other)] += 1
        seen /= seen.sum()
        steps = np.abs(np.subtract.outer(np.arange(len(names)), np.arange(len(names))))
        cost = steps**power if power else (steps > 0)
        return float(1 - (cost * seen).sum() / (cost * np.outer(seen.sum(1), seen.sum(0))).sum())

    both = [(row["category_1"], row["category_2"]) for row in labels if row["category_2"]]
    assert category_agreement(labels).kappa == pytest.approx(kappa(both, list(map(str, CATEGORIES)), 0))
    seen = [
        (row["band_1"], row["band_2"])
        for row in labels
        if row["usable_1"] == row["usable_2"] == "y" and "not_visible" not in (row["band_1"], row["band_2"])
    ]
    assert band_agreement(labels).kappa == pytest.approx(kappa(seen, list(map(str, BANDS)), 2))


def test_the_datasheet_states_the_numbers_of_the_labels(labels: list[dict[str, str]]) -> None:
    text = (DATASETS / "DATASHEET.md").read_text(encoding="utf-8")
    blocks = {
        "composition": composition(labels),
        "agreement": agreement_table(labels),
        "disagreements": disagreement_table(labels),
        "opinions": opinion_table(labels, read_csv(DATASETS / "more_opinions.csv")),
        "observed": observed_table(labels, read_csv(DATASETS / "observed_answers.csv")),
        "audit": audit_table(read_csv(DATASETS / "label_audit.csv")),
    }
    assert with_numbers(text, blocks) == text
    # Sections of Gebru et al. 2021, Datasheets for Datasets.
    for section in (
        "Motivation",
        "Composition",
        "Collection process",
        "Preprocessing",
        "Uses",
        "Distribution",
        "Maintenance",
    ):
        assert f"\n## {section}" in text


def test_every_photo_and_every_author_is_in_the_attribution_list(labels: list[dict[str, str]]) -> None:
    text = (DATASETS / "ATTRIBUTION.md").read_text(encoding="utf-8")
    assert text == attribution(labels)
    for row in labels:
        if row["licence_tier"] != "O":
            assert row["photo_id"] in text and row["author"] in text and row["source_url"] in text
    assert sum(int(number) for number in re.findall(r"\((\d+) photos\)", text)) == len(labels)


def test_further_opinions_and_observed_answers_speak_of_the_labels_photos(labels: list[dict[str, str]]) -> None:
    split = {row["photo_id"]: row["split"] for row in labels}
    bands = {*map(str, BANDS), "not_visible"}
    opinions = read_csv(DATASETS / "more_opinions.csv")
    for row in opinions:
        assert split[row["photo_id"]] == row["split"] and row["annotator"] in "34" and row["confidence"] in "123"
        assert row["category"] in CATEGORIES and row["band"] in bands
    judged = {(row["photo_id"], row["annotator"]) for row in opinions}
    assert len(judged) == len(opinions) == 2 * 816
    assert {photo for photo, side in split.items() if side == "test"} <= {photo for photo, _ in judged}
    observed = read_csv(DATASETS / "observed_answers.csv")
    assert {row["photo_id"]: row["split"] for row in observed} == split and len(observed) == len(split)


def test_the_documents_say_that_no_person_labelled() -> None:
    for name in ("DATASHEET.md", "croissant.json"):
        text = (DATASETS / name).read_text(encoding="utf-8")
        assert "vision-language model" in text and "two people" not in text and "by eye" not in text


def test_the_cats_are_no_dogs_of_the_labels(labels: list[dict[str, str]]) -> None:
    cats = read_csv(DATASETS / "not_dogs.csv")
    assert len(cats) == 300
    assert not {cat["sha256"] for cat in cats} & {row["sha256"] for row in labels}


def test_croissant_metadata_is_valid_and_says_what_the_files_hold() -> None:
    """Validated by MLCommons' own library; format Croissant 1.0."""
    mlcroissant = pytest.importorskip("mlcroissant")
    written = json.loads((DATASETS / "croissant.json").read_text(encoding="utf-8"))
    assert written == json.loads(json.dumps(croissant(DATASETS), default=str))
    dataset = mlcroissant.Dataset(jsonld=DATASETS / "croissant.json")
    issues = dataset.metadata.ctx.issues
    assert not issues.errors and not issues.warnings
    assert written["conformsTo"] == "http://mlcommons.org/croissant/1.0"
    for entry in written["distribution"]:
        assert entry["sha256"] == hashlib.sha256((DATASETS / entry["contentUrl"]).read_bytes()).hexdigest()
    assert {entry["@id"] for entry in written["distribution"]} == set(FILES)


def test_croissant_reads_the_labels(labels: list[dict[str, str]], tmp_path: Path) -> None:
    mlcroissant = pytest.importorskip("mlcroissant")
    for name in (*FILES, "croissant.json"):
        shutil.copy(DATASETS / name, tmp_path)
    records = mlcroissant.Dataset(jsonld=tmp_path / "croissant.json").records("labels")
    first = next(iter(records))
    assert first["labels/photo_id"] in (labels[0]["photo_id"], labels[0]["photo_id"].encode())
    assert int(first["labels/width"]) == int(labels[0]["width"])


@pytest.mark.photos
def test_fingerprints_are_those_of_the_photos(photos: Path, labels: list[dict[str, str]]) -> None:
    from PIL import Image

    for row in labels[::60]:
        path = photos / row["file"]
        assert hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]
        with Image.open(path) as picture:
            assert picture.size == (int(row["width"]), int(row["height"]))
            assert hash_distance(difference_hash(picture), row["dhash"]) == 0


def test_no_two_dogs_look_the_same_to_the_fingerprint(labels: list[dict[str, str]]) -> None:
    """The limit for "the same picture" is 6 of 64 bits: no two labelled photos of different groups are that close."""
    import numpy as np

    from training.dataset.labels import MOST_BITS

    packed = np.array([int(row["dhash"], 16) for row in labels], dtype=np.uint64)
    groups = np.array([row["group"] for row in labels])
    for place, value in enumerate(packed):
        close = np.bitwise_count(packed ^ value) <= MOST_BITS
        assert set(groups[close]) == {groups[place]}
