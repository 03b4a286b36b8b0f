"""From an upright picture to the network's input, by the rule that the manifest states.

Training and run time both come through here, so that the network never meets pixels prepared in another way.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from PIL import Image

_DOG = 0.5  # from which share on a part of the mask is dog
_ROOM = 0.08  # around what the dog fills, in sides of the picture
_REDUCING_GAP = 2.0  # Pillow's fast two-step shrinking: indistinguishable from one step at this gap


class Preprocessing(BaseModel):
    """How a picture becomes the network's input.

    ``rule``: ``squash`` (to a square), ``crop`` (short side to ``size``, centre square) or ``aspect`` (about
    ``size`` x ``size`` pixels at the picture's own proportions, sides in multiples of ``multiple``).
    ``mean`` and ``std`` are on the scale [0, 1].
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    size: int = Field(gt=0)
    rule: Literal["squash", "crop", "aspect"]
    multiple: int = Field(default=32, gt=0)
    mean: tuple[float, float, float]
    std: tuple[float, float, float]
    max_aspect: float = Field(default=3.0, ge=1)


def around_dog(width: int, height: int, mask: NDArray[np.float32]) -> tuple[int, int, int, int] | None:
    """What the dog fills of a picture of this size, with a little room: left, top, right and bottom in pixels.

    Args:
        mask: how far each part of the picture is dog, (rows, columns) in [0, 1].

    Returns:
        None where no part is dog.
    """
    dog = mask > _DOG
    if not dog.any():
        return None
    (top, bottom), (left, right) = (
        (max(found[0] / cells - _ROOM, 0.0) * side, min((found[-1] + 1) / cells + _ROOM, 1.0) * side)
        for found, cells, side in (
            (np.flatnonzero(dog.any(1)), dog.shape[0], height),
            (np.flatnonzero(dog.any(0)), dog.shape[1], width),
        )
    )
    return int(left), int(top), math.ceil(right), math.ceil(bottom)


def input_size(width: int, height: int, rule: Preprocessing) -> tuple[int, int]:
    """The network's input as (width, height) in pixels for a picture of this size."""
    if rule.rule != "aspect":
        return rule.size, rule.size
    aspect = min(max(width / height, 1 / rule.max_aspect), rule.max_aspect)
    steps = rule.size / rule.multiple
    return (
        max(1, round(steps * aspect**0.5)) * rule.multiple,
        max(1, round(steps / aspect**0.5)) * rule.multiple,
    )


def resize(image: Image.Image, rule: Preprocessing) -> Image.Image:
    """The picture at the network's input size, 8-bit RGB."""
    from PIL.Image import Resampling

    target = input_size(*image.size, rule)
    box = _centre_square(*image.size) if rule.rule == "crop" else None
    return image.convert("RGB").resize(target, Resampling.BICUBIC, box=box, reducing_gap=_REDUCING_GAP)


def to_tensor(image: Image.Image, rule: Preprocessing) -> NDArray[np.float32]:
    """The network's input, (1, 3, height, width), float32, normalised."""
    values = np.asarray(resize(image, rule)).transpose(2, 0, 1).astype(np.float32, order="C")
    values /= np.float32(255)
    values -= np.asarray(rule.mean, np.float32)[:, None, None]
    values /= np.asarray(rule.std, np.float32)[:, None, None]
    return values[None]


def _centre_square(width: int, height: int) -> tuple[float, float, float, float]:
    side = min(width, height)
    left, top = (width - side) / 2, (height - side) / 2
    return left, top, left + side, top + side
