"""What is done to pictures in training: labels stay true of the picture that comes out."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
import pytest

pytestmark = pytest.mark.train
pytest.importorskip("albumentations")

SIDE = 64
# Colours of coats in sRGB: red, tan, golden, chocolate, blue; from memory.
COATS = [(165, 80, 40), (190, 150, 100), (215, 170, 90), (90, 55, 35), (95, 105, 125)]


def steps() -> list[Any]:
    from training.image.augment import training_transform

    return list(training_transform(SIDE, seed=0).transforms)


@pytest.mark.parametrize("place", range(9))
def test_each_step_keeps_size_and_type(place: int) -> None:
    """Of picture and mask; the first brings both to the size that was asked for."""
    random = np.random.default_rng(0)
    step = steps()[place]
    step.p = 1.0
    shape = (90, 120) if place == 0 else (SIDE, SIDE)
    picture = random.integers(0, 255, (*shape, 3), dtype=np.uint8)
    mask = random.integers(0, 255, shape, dtype=np.uint8)
    drawn = step(image=picture, mask=mask)
    assert drawn["image"].shape == (SIDE, SIDE, 3) and drawn["mask"].shape == (SIDE, SIDE)
    assert drawn["image"].dtype == drawn["mask"].dtype == np.uint8
    assert not np.array_equal(drawn["image"], picture)


def test_no_step_is_left_out_above() -> None:
    assert len(steps()) == 9


@pytest.mark.parametrize("coat", COATS)
def test_hue_barely_shifts(coat: tuple[int, int, int]) -> None:
    """Of an evenly coloured picture's mean: 8 degrees at most by any step that leaves light alone (three of OpenCV's
    steps of 2 degrees, and rounding). By all steps together 12 degrees in eight of ten pictures, 25 in all: light and
    shade clip a channel of dark and of bright coats, as they do in a camera.
    """
    from training.image.augment import training_transform

    by_light = "RandomBrightnessContrast"
    transform = training_transform(SIDE, seed=0)
    for step in transform.transforms:
        if type(step).__name__ != by_light:
            assert max(shifts(step, coat, 60)) <= 8, step
    together = shifts(transform, coat, 200)
    assert 0 < max(together) <= 25 and np.quantile(together, 0.8) <= 12


def shifts(transform: Any, coat: tuple[int, int, int], times: int) -> list[float]:
    """Degrees of hue between an even picture and the mean of what comes out."""
    picture = np.full((SIDE, SIDE, 3), coat, np.uint8)
    drawn = [transform(image=picture, mask=np.zeros((SIDE, SIDE), np.uint8))["image"] for _ in range(times)]
    turns = [hue(pixels.reshape(-1, 3).mean(0)) - hue(coat) for pixels in drawn]
    return [360 * abs((turn + 0.5) % 1 - 0.5) for turn in turns]


def hue(colour: Any) -> float:
    return colorsys.rgb_to_hsv(*(float(part) / 255 for part in colour))[0]


def test_another_background_leaves_the_inside_of_the_dog_as_it_is() -> None:
    from training.image.augment import swap_background

    random = np.random.default_rng(0)
    picture, other = (random.integers(0, 255, (90, 120, 3), dtype=np.uint8) for _ in range(2))
    dog = np.zeros((90, 120), np.uint8)
    dog[20:70, 30:90] = 255
    swapped = swap_background(picture, dog, other)
    assert swapped.shape == picture.shape and swapped.dtype == picture.dtype
    soft = 6  # the dog's outline is blurred over so many pixels to either side
    inside = np.s_[20 + soft : 70 - soft, 30 + soft : 90 - soft]
    assert np.array_equal(swapped[inside], picture[inside])
    outside = np.ones(dog.shape, bool)
    outside[20 - soft : 70 + soft, 30 - soft : 90 + soft] = False
    assert (swapped[outside] != picture[outside]).any(-1).mean() > 0.95


def test_no_coat_is_left_in_a_background_taken_from_another_dogs_photo() -> None:
    """Stripes of two pixels, as hair lies, become one colour."""
    from training.image.augment import swap_background

    hairy = np.zeros((96, 96, 3), np.uint8)
    hairy[:, ::4] = hairy[:, 1::4] = 200
    ground = swap_background(hairy, np.zeros((96, 96), np.uint8), hairy)
    assert hairy.std() > 90 and ground.std() < 10
