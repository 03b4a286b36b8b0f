"""Preparing a picture by the manifest's rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from coatclass.vision import Preprocessing, read_manifest, to_tensor
from coatclass.vision.preprocess import input_size, resize

HALF = (0.5, 0.5, 0.5)


def rule(name: str, size: int = 256) -> Preprocessing:
    return Preprocessing.model_validate({"size": size, "rule": name, "mean": HALF, "std": HALF})


@given(st.integers(40, 5000), st.integers(40, 5000))
def test_the_input_keeps_proportions_and_costs_about_the_same(width: int, height: int) -> None:
    wide, high = input_size(width, height, rule("aspect"))
    assert wide % 32 == high % 32 == 0
    assert 0.75 <= wide * high / 256**2 <= 1.3
    aspect = min(max(width / height, 1 / 3), 3)
    assert 0.8 <= (wide / high) / aspect <= 1.25


@pytest.mark.parametrize("name", ["squash", "crop"])
def test_square_rules_give_squares(name: str) -> None:
    assert to_tensor(Image.new("RGB", (300, 200)), rule(name, 64)).shape == (1, 3, 64, 64)


def test_values_are_normalised_as_stated() -> None:
    white = to_tensor(Image.new("RGB", (90, 90), "white"), rule("squash", 32))
    assert white.dtype == np.float32
    assert np.allclose(white, 1.0)


def test_every_pixel_is_normalised_to_the_bit_as_single_precision_does_it() -> None:
    released = read_manifest().preprocessing
    noise = np.random.default_rng(3).integers(0, 256, (90, 120, 3), dtype=np.uint8)
    pixels = np.asarray(resize(Image.fromarray(noise), released), np.float32) / np.float32(255)
    expected = (pixels - np.asarray(released.mean, np.float32)) / np.asarray(released.std, np.float32)
    assert np.array_equal(to_tensor(Image.fromarray(noise), released)[0], expected.transpose(2, 0, 1))


def test_crop_takes_the_centre() -> None:
    picture = Image.new("RGB", (300, 100), "black")
    picture.paste("white", (95, 0, 205, 100))
    assert to_tensor(picture, rule("crop", 32)).min() > 0.9


def test_grey_and_palette_pictures_become_rgb() -> None:
    assert to_tensor(Image.new("L", (50, 50), 128), rule("squash", 32)).shape == (1, 3, 32, 32)
