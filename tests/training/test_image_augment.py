"""What is done to pictures in training: labels stay true of the picture that comes out."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
import pytest

from tests.later import Later

pytestmark = pytest.mark.train
Later("albumentations")

SIDE = 64
# Colours of coats in sRGB: red, tan, golden, chocolate, blue; from memory.
COATS = [(165, 80, 40), (190, 150, 100), (215, 170, 90), (90, 55, 35), (95, 105, 125)]


def steps() -> list[Any]:
    from training.image.pictures import training_transform

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
    from training.image.pictures import training_transform

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
    from training.image.pictures import swap_background

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
    from training.image.pictures import swap_background

    hairy = np.zeros((96, 96, 3), np.uint8)
    hairy[:, ::4] = hairy[:, 1::4] = 200
    ground = swap_background(hairy, np.zeros((96, 96), np.uint8), hairy)
    assert hairy.std() > 90 and ground.std() < 10


def test_a_square_of_coat_lies_on_the_dog_as_it_is_on_the_photo() -> None:
    from training.image.pictures import trunk_crop

    random = np.random.default_rng(0)
    picture = random.integers(0, 255, (400, 500, 3), dtype=np.uint8)
    dog = np.zeros((400, 500), np.uint8)
    dog[100:350, 80:420] = 255
    part, mask = trunk_crop(picture, dog, random) or (None, None)
    assert part is not None and mask is not None and (mask == 255).mean() >= 0.85
    side = part.shape[0]
    assert side == part.shape[1] >= 96
    corners = [
        (y, x) for y in range(400 - side + 1) for x in range(500 - side + 1) if (picture[y, x] == part[0, 0]).all()
    ]
    assert any(np.array_equal(picture[y : y + side, x : x + side], part) for y, x in corners)
    assert trunk_crop(picture, np.zeros_like(dog), random) is None


def test_other_backgrounds_come_from_photos_that_may_be_learned_from() -> None:
    """Photo 2 is red and held out: no dog stands on red."""
    from training.image.config import Config, Finetune
    from training.image.finetune import Drawn
    from training.image.labels import Labels
    from training.image.pictures import Gallery

    grey, red = np.full((SIDE, SIDE, 3), 100, np.uint8), np.zeros((SIDE, SIDE, 3), np.uint8)
    red[..., 0] = 255
    nowhere, hard = np.zeros((SIDE, SIDE), np.uint8), np.zeros(3, np.int64)
    rule, settings = Config(name="any", size=SIDE).preprocessing, Finetune(background_swap=1.0)
    unsaid = dict.fromkeys(Labels.__dataclass_fields__, np.zeros((3, 7), np.float32))
    labels = Labels(**unsaid | {"category_hard": hard})

    def reds(chosen: list[int]) -> list[bool]:
        gallery = Gallery([grey, grey, red], [nowhere, nowhere, None])
        drawn = Drawn(gallery, labels, np.array(chosen), rule=rule, settings=settings, seed=0)
        pictures = [drawn[number, 0][0] for number in range(40)]
        return [bool(picture[0].mean() - picture[2].mean() > 0.5) for picture in pictures]

    assert not any(reds([0, 1])) and any(reds([0, 1, 2]))


def test_each_seed_but_the_first_varies_what_may_vary() -> None:
    from training.image.config import Finetune

    stated = Finetune(vary={"keep_weight": 2.0})
    assert stated.drawn(0) == stated
    drawn = [stated.drawn(seed) for seed in range(1, 20)]
    weights = [one.keep_weight / stated.keep_weight for one in drawn]
    assert all(0.5 <= weight <= 2 for weight in weights) and min(weights) < 0.8 and max(weights) > 1.25
    assert all(one.learning_rate == stated.learning_rate for one in drawn)
    assert stated.drawn(3) == drawn[2]
