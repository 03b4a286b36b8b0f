"""What is measured on a picture, against published colour science."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from coatclass.reports.evaluation.cases import cie_lightness, picture_traits


def test_lightness_is_cie_l_star():
    color = pytest.importorskip("skimage.color")
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 256, (40, 40, 3), dtype=np.uint8)
    pixels[0, :, :] = np.arange(40)[:, None]  # nearly black greys, where the curve is straight
    # scikit-image has the white point of D65 to four decimals only, hence the tolerance.
    assert cie_lightness(pixels) == pytest.approx(color.rgb2lab(pixels)[..., 0], abs=0.02)


def test_coloured_coats_are_as_light_as_colour_science_says():
    # L* of the sRGB primaries under D65, from memory: red 53.24, green 87.73, blue 32.30.
    primaries = np.eye(3, dtype=np.uint8)[None] * np.uint8(255)
    assert cie_lightness(primaries)[0] == pytest.approx([53.24, 87.73, 32.30], abs=0.01)


def test_the_coat_is_measured_inside_the_mask_only():
    image = Image.new("RGB", (64, 64), "white")
    image.paste((0, 0, 0), (0, 0, 32, 64))
    mask = np.zeros((8, 8), dtype=np.float32)
    mask[:, :4] = 1
    traits = picture_traits(image, mask)
    assert traits["coat_lightness"] < 1
    assert traits["picture_lightness"] == pytest.approx(50, abs=2)
    assert traits["dog_share"] == pytest.approx(0.5)
