"""Photos of one dog beside each other: copies count once, and another dog's coat is named."""

from __future__ import annotations

import io
from collections import defaultdict
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from coatclass import ensemble, photo
from coatclass.assessing import assess, assess_readings
from coatclass.contract import PhotoEvidence, PhotoReport, PhotoStatus
from coatclass.estimating import Reading, beside_each_other
from coatclass.reasons import said
from coatclass.resources import released
from training.places import read_csv

EVEN = (0.0,) * 7
PHOTO = PhotoEvidence("dog.jpg", EVEN, EVEN, tuple(np.log([0.05, 0.15, 0.7, 0.1])), 0.99, 0.4, 0.2, "test")
REPORT = PhotoReport(file="dog.jpg", status=PhotoStatus.USED, dog_probability=0.99)
ROOT = Path(__file__).resolve().parents[2]


def reading(name, category, hash_="0" * 16):
    """A photo that shows one coat as surely as photos ever do."""
    share = tuple(np.log([0.9988 if place == category else 0.0002 for place in range(7)]))
    evidence = replace(PHOTO, file=name, texture=share, kinship=share, outline=share)
    return Reading.of(REPORT.model_copy(update={"file": name}), evidence, hash_)


def codes(readings):
    return [[why.code for why in one.report.reasons] for one in readings]


def test_a_copy_counts_once_and_says_of_which_photo_it_is_one():
    one, copy = reading("photo 1", 1), reading("photo 2", 1, "000000000000000f")
    told = beside_each_other([one, copy])
    assert codes(told) == [[], ["same_picture"]]
    assert (told[1].report.status, told[1].evidence) == (PhotoStatus.REFUSED, None)
    assert assess_readings([one, copy]).category == assess_readings([one]).category
    assert "dasselbe Bild wie Foto 1;" in said(told[1].report.reasons[0], "de")


def test_a_coat_that_can_hardly_be_the_same_is_named_and_still_counted():
    told = beside_each_other([reading("a.jpg", 1), reading("b.jpg", 4, "f" * 16), reading("c.jpg", 1, "0f" * 8)])
    assert codes(told) == [[], ["other_coat"], []]
    assert told[1].evidence is not None
    assert "a.jpg" in told[1].report.reasons[0].text
    assert codes(beside_each_other([reading("a.jpg", 1), reading("b.jpg", 1, "f" * 16)])) == [[], []]


def test_the_stated_false_alarms_on_photos_whose_breed_or_dog_the_network_had_not_seen():
    """Out of fold on train and val; the test split is not looked at. Labels:
    our own coats and groups of one dog (datasets/labels.csv)."""
    with np.load(released("models") / "evidence.npz") as kept:
        rows = {name: kept[name] for name in kept.files}
    labels = {row["photo_id"]: row for row in read_csv(ROOT / "datasets" / "labels.csv")}
    dogs, chosen = defaultdict(list), np.random.default_rng(15)
    coats = defaultdict(list)
    for place, (name, split) in enumerate(zip(rows["photo_id"], rows["split"], strict=True)):
        row = labels.get(str(name))
        if split in ("train", "val") and row and row["usable"] == "y" and row["category"]:
            dogs[row["group"]].append(place)
            coats[row["category"]].append(place)

    def evidence(place):
        fields = {name: tuple(rows[name][place].tolist()) for name in ("texture", "kinship", "band", "outline")}
        return replace(PHOTO, **fields, unfamiliarity=float(rows["unfamiliarity"][place]))

    def share(pairs):
        limit = photo.default_limits().other_coat
        return np.mean([ensemble.one_coat(evidence(one), evidence(other)) < limit for one, other in pairs])

    same_dog = [pair for places in dogs.values() for pair in combinations(places, 2)]
    fur, curly = (chosen.choice(coats[name], 150) for name in ("fur", "curly"))
    assert len(same_dog) > 100
    assert share(same_dog) == 0
    assert share(zip(fur[:75], fur[75:], strict=True)) < 0.03
    assert share(zip(fur, curly, strict=True)) > 0.5


@pytest.mark.photos
def test_a_smaller_copy_of_a_real_photo_is_known_and_another_dog_of_another_coat_too(photos, tmp_path):
    havanese, beagle = photos / "oxford" / "havanese_1.jpg", photos / "oxford" / "beagle_107.jpg"
    with Image.open(havanese) as picture:
        stream = io.BytesIO()
        picture.convert("RGB").resize((picture.width * 2 // 3, picture.height * 2 // 3)).save(
            stream, "JPEG", quality=60
        )
    reports = assess([havanese, stream.getvalue(), beagle]).photos
    assert [one.reasons[-1].code if one.reasons else "" for one in reports[1:]] == ["same_picture", "other_coat"]
