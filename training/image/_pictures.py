"""Pictures and masks for training, decoded and resized exactly as at run time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from coatclass import photo
from coatclass.vision import Preprocessing, to_tensor

_PET, _BORDER = 1, 3  # the trimaps' values; 2 is background


def open_picture(path: Path) -> Image.Image:
    """The upright RGB picture by the program's own way of opening photos."""
    return photo.load(path).image


def tensor(path: Path, rule: Preprocessing) -> NDArray[np.float32]:
    """The network's input (1, 3, H, W) for a photo file."""
    return to_tensor(open_picture(path), rule)


def trimap_grid(path: Path, size: tuple[int, int], stride: int = 16) -> NDArray[np.float32]:
    """Share of dog in each cell of the network's grid, (H / stride, W / stride); the border counts half.

    Args:
        size: the network's input for the photo, (width, height).
    """
    trimap = np.asarray(Image.open(path))
    dog = Image.fromarray(((trimap == _PET) * 255 + (trimap == _BORDER) * 127).astype(np.uint8))
    cells = dog.resize((size[0] // stride, size[1] // stride), Image.Resampling.BOX)
    return np.asarray(cells, np.float32) / 255
