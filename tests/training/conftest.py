"""Invented photos that trainings learn from in small: rectangles, a shade for each coat."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

COLUMNS = [
    *("photo_id", "file", "set", "breed", "split", "group"),
    *("category", "category_status", "band", "band_status", "usable"),
    *(f"{name}_{annotator}" for annotator in "12" for name in ("category", "band", "usable", "confidence")),
]
COATS = ("hair", "fur", "mixed", "wire", "curly", "drop", "arctic")


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """42 invented pictures of a grey rectangle, a third of them with a trimap; seven show two, and are marked so."""
    folder = tmp_path_factory.mktemp("photos")
    for name in ("oxford", "open", "trimaps"):
        (folder / name).mkdir()
    random = np.random.default_rng(0)
    rows = []
    for number in range(42):
        coat = number % len(COATS)
        part = "oxford" if number % 3 == 0 else "open"
        pixels = random.integers(0, 80, (90, 120, 3), dtype=np.uint8)
        two = number % 6 == 5
        pixels[20:70, 30:90] += np.uint8(20 * coat)
        if two:
            pixels[20:70, 45:75] = random.integers(200, 255, (50, 30, 3), dtype=np.uint8)
        Image.fromarray(pixels).save(folder / part / f"p{number}.jpg")
        if part == "oxford":
            trimap = np.full((90, 120), 2, np.uint8)
            trimap[20:70, 30:90] = 1
            Image.fromarray(trimap).save(folder / "trimaps" / f"p{number}.png")
        split = "train" if number < 28 else "val" if number < 35 else "test"
        usable = "m" if two else "y"
        one = [COATS[coat], "ABCDU"[number % 5], usable, "3"]
        row = [f"p{number}", f"{part}/p{number}.jpg", part, f"breed_{number % 21}", split, f"g{number}"]
        rows.append([*row, COATS[coat], "agreed", "ABCDU"[number % 5], "agreed", usable, *one, *one])
    with (folder / "manifest.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows])
    return folder
