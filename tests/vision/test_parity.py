"""The released network on ONNX Runtime, against what the trained one said on a GPU when it was released."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from coatclass import photo, vision
from coatclass.contract import PhotoEvidence
from coatclass.resources import released

EVERY = 18  # of the test split: about 25 photos
# Measured on every sixth photo of the test split, on a CPU: at most 0.027, 0.0024, 0.0040, 0.0005 and 0.0004; weights
# are stored in half precision and the GPU multiplies with fewer digits.
TOLERANCE = {
    **dict.fromkeys(("texture", "kinship", "band", "looks", "outline", "dog_margin"), 0.04),  # log probabilities
    **dict.fromkeys(("dog_probability", "single_dog_probability"), 0.008),
    **dict.fromkeys(("unfamiliarity", "dog_share"), 0.002),
}


@pytest.fixture(scope="module")
def evidence() -> dict[str, np.ndarray]:
    """What ``models/evidence.npz`` holds of some photos of the test split."""
    with np.load(released("models/evidence.npz")) as columns:
        chosen = np.flatnonzero(columns["split"] == "test")[::EVERY]
        return {name: columns[name][chosen] for name in columns}


@pytest.fixture(scope="module")
def read(photos: Path, evidence: dict[str, np.ndarray]) -> list[PhotoEvidence]:
    """What the program reads from the same photos."""
    with (photos / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        files = {row["photo_id"]: row["file"] for row in csv.DictReader(stream)}
    return [vision.read(photo.load(photos / files[name]), file=name) for name in evidence["photo_id"]]


@pytest.mark.photos
@pytest.mark.parametrize("name", TOLERANCE)
def test_the_program_reads_what_the_trained_network_read(
    name: str, read: list[PhotoEvidence], evidence: dict[str, np.ndarray]
) -> None:
    """Those rows were read by the released network itself, in torch; all others by networks that lacked the photo.

    Two implementations are compared and no label is read, so this is no look at the test split.
    """
    assert len(read) >= 25 and (evidence["fold"] == -1).all()
    found = np.array([getattr(look, name) for look in read])
    assert np.abs(found - evidence[name]).max() <= TOLERANCE[name]
    # A reading that is off by a photo, or the same for all, is far outside.
    assert np.abs(np.roll(found, 1, axis=0) - evidence[name]).max() > 10 * TOLERANCE[name]
