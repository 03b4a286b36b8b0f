"""Photos of real dogs beside answers that can't be theirs, and beside answers that are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coatclass.answers import Answers, question
from coatclass.contract import PhotoEvidence, Verdict
from coatclass.estimating import decide, estimate
from coatclass.taxonomy import CATEGORIES, CoatCategory

EVIDENCE = Path(__file__).resolve().parents[2] / "models" / "evidence.npz"
LONG_CURLS = {"curl": "curly", "trunk_length_mm": 90.0}
SMOOTH = {"curl": "straight", "lie": "lies_flat", "trunk_length_mm": 10.0}


def sure_photos(breed: str, category: CoatCategory, at_least: float = 0.9) -> list[PhotoEvidence]:
    """What the image model read, out of fold, on photos of a breed that it is sure about."""
    with np.load(EVIDENCE) as arrays:
        kept = {key: arrays[key] for key in arrays.files}
    rows = [
        row for row, name in enumerate(kept["photo_id"].tolist()) if name.startswith(breed) and kept["fold"][row] >= 0
    ]
    read = [
        PhotoEvidence(
            str(kept["photo_id"][row]), tuple(kept["texture"][row]), tuple(kept["kinship"][row]),
            tuple(kept["band"][row]), 1.0, 0.5, float(kept["unfamiliarity"][row]), "",
            outline=tuple(kept["outline"][row]),
        )
        for row in rows
    ]  # fmt: skip
    place = CATEGORIES.index(category)
    sure = [photo for photo in read if estimate([photo]).coat.category[place] > at_least]
    assert sure, f"no sure photo of {breed}"
    return sure[:12]


@pytest.mark.parametrize(
    ("breed", "shown", "told", "check"),
    [
        ("beagle", CoatCategory.FUR, LONG_CURLS, "curl"),
        ("beagle", CoatCategory.FUR, {"curl": "curly", "lie": "hangs", "feel": "woolly"}, "curl"),
        ("beagle", CoatCategory.FUR, LONG_CURLS | {"keeps_growing": True, "shedding": "little"}, "keeps_growing"),
        ("beagle", CoatCategory.FUR, {"breed": "standard poodle", "breed_known_by": "papers"}, "breed"),
        ("poodle", CoatCategory.CURLY, SMOOTH, "curl"),
        ("poodle", CoatCategory.CURLY, SMOOTH | {"keeps_growing": False, "shedding": "steady"}, "keeps_growing"),
        ("samoyed", CoatCategory.ARCTIC, SMOOTH | {"undercoat_seen": "none"}, "undercoat_seen"),
    ],
)
def test_a_clash_keeps_both_coats_goes_to_hands_and_says_what_to_check(breed, shown, told, check):
    for photo in sure_photos(breed, shown):
        known = estimate([photo], Answers(**told))
        decided = decide(known)
        assert decided.verdict is Verdict.HANDS_ON
        assert decided.clash is not None and decided.clash.photo is shown
        assert {shown, decided.clash.answers, CoatCategory.MIXED} <= set(decided.categories)
        assert check in decided.clash.check
        reason = next(one for one in decided.reasons if one.code == "sources_disagree")
        assert question(check).text in reason.text


@pytest.mark.parametrize(
    ("breed", "shown", "told"),
    [
        ("beagle", CoatCategory.FUR, SMOOTH | {"shedding": "steady"}),
        ("beagle", CoatCategory.FUR, {"curl": "wavy"}),
        ("beagle", CoatCategory.FUR, {"breed": "beagle", "feel": "soft"}),
        ("poodle", CoatCategory.CURLY, {"curl": "curly", "keeps_growing": True, "trunk_length_mm": 40.0}),
        ("poodle", CoatCategory.CURLY, {"curl": "curly", "last_trim_how": "clipped", "trunk_length_mm": 10.0}),
        ("samoyed", CoatCategory.ARCTIC, {"lie": "stands_off", "undercoat_seen": "dense", "breed": "samoyed"}),
    ],
)
def test_answers_that_fit_the_photo_do_not_clash(breed, shown, told):
    for photo in sure_photos(breed, shown):
        assert decide(estimate([photo], Answers(**told))).clash is None
