"""Pictures and masks for training: decoded and resized exactly as at run time, and varied as owners' photos vary.

Each transform stands for something that happens to such photos. Hue is left nearly alone: the colour of a coat is a cue
to its breed, and with it to its kind.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from coatclass import photo
from coatclass.vision import Preprocessing, to_tensor
from training.image.labels import Labels

Pixels = NDArray[np.uint8]
_PET, _BORDER = 1, 3  # the trimaps' values; 2 is background
_BATCH = 32
_TRUNK = 0.3, 0.7  # side of a square of coat, in short sides of the photo
_MOSTLY, _SMALLEST, _TRIES = 0.85, 96, 5  # share of it that must be dog; px; squares that are tried
_GROUND_PX = 12  # side to which another picture is reduced: no coat is recognisable in it


@dataclass(frozen=True)
class Gallery:
    """Decoded pictures (H, W, 3) and, where a trimap exists, dog masks (H, W): 255 dog, 127 its border, 0 the rest."""

    pictures: Sequence[Pixels]
    masks: Sequence[Pixels | None]


@dataclass(frozen=True)
class Prepared:
    """Photos as the network's inputs, in memory: one (3, H, W) float16 tensor each."""

    tensors: tuple[Tensor, ...]

    def to(self, device: torch.device) -> Prepared:
        """The same on a device: on a GPU, where networks read them again and again."""
        return Prepared(tuple(tensor.to(device) for tensor in self.tensors))

    def batches(self, chosen: Sequence[int], size: int = _BATCH) -> Iterator[tuple[list[int], Tensor]]:
        """Batches of equal shape: (indices, (B, 3, H, W) float32)."""
        shapes: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for index in chosen:
            shapes[tuple(self.tensors[index].shape)].append(int(index))
        for alike in shapes.values():
            for start in range(0, len(alike), size):
                part = alike[start : start + size]
                yield part, torch.stack([self.tensors[index] for index in part]).float()


def open_gallery(photos: Path, labels: Labels, workers: int = 4) -> Gallery:
    """Open all photos as the program does, and their trimaps."""

    def opened(file: str) -> Pixels:
        return np.asarray(photo.load(photos / file).image)

    with ThreadPoolExecutor(workers) as pool:
        pictures = list(pool.map(opened, labels.file))
    return Gallery(
        pictures,
        [trimap_mask(photos, Path(file), seen.shape) for file, seen in zip(labels.file, pictures, strict=True)],
    )


def trimap_mask(photos: Path, file: Path, shape: tuple[int, ...]) -> Pixels | None:
    """The mask of a photo of this shape (H, W, ...), if the data set outlines its dog."""
    path = photos / "trimaps" / f"{file.stem}.png"
    if file.parent.name != "oxford" or not path.is_file():
        return None
    trimap = np.asarray(Image.open(path))
    dog = Image.fromarray(((trimap == _PET) * 255 + (trimap == _BORDER) * 127).astype(np.uint8))
    return np.asarray(dog.resize((shape[1], shape[0]), Image.Resampling.BILINEAR))


def prepare(pictures: Sequence[Pixels], rule: Preprocessing, workers: int = 4) -> Prepared:
    """Resize and normalise by the run-time path."""
    with ThreadPoolExecutor(workers) as pool:
        return Prepared(
            tuple(
                pool.map(lambda pixels: torch.from_numpy(to_tensor(Image.fromarray(pixels), rule)[0]).half(), pictures)
            )
        )


def mask_grid(mask: Pixels, tensor: Tensor, stride: int = 16) -> Tensor:
    """Share of dog in each cell of the network's grid for this input, (H / stride, W / stride)."""
    size = (tensor.shape[2] // stride, tensor.shape[1] // stride)
    return torch.from_numpy(np.asarray(Image.fromarray(mask).resize(size, Image.Resampling.BOX), np.float32) / 255)


def training_transform(size: int, seed: int, *, light: str = "contrast") -> Any:
    """Picture and mask to (size, size); call as ``transform(image=..., mask=...)``.

    Args:
        light: ``contrast`` scales and shifts values, and clips what runs over; ``gamma`` bends them, clips nothing and
            leaves a coat's colour nearer to what it was.
    """
    import albumentations as al
    import cv2

    lights = {
        "contrast": [
            al.RandomBrightnessContrast(brightness_limit=0.25, contrast_limit=0.25, p=0.7),
            al.HueSaturationValue(hue_shift_limit=3, sat_shift_limit=20, val_shift_limit=0, p=0.3),
        ],
        "gamma": [
            al.RandomGamma(gamma_limit=(75, 133), p=0.7),
            al.HueSaturationValue(hue_shift_limit=2, sat_shift_limit=10, val_shift_limit=0, p=0.2),
        ],
    }
    return al.Compose(
        [
            # Dogs stand nearer or further, and photos are upright or wide.
            al.RandomResizedCrop((size, size), scale=(0.4, 1.0), ratio=(0.7, 1.4), interpolation=cv2.INTER_AREA, p=1.0),
            # A dog has two sides.
            al.HorizontalFlip(p=0.5),
            # Hand-held cameras tilt.
            al.Rotate(limit=10, border_mode=cv2.BORDER_REFLECT_101, p=0.3),
            # Light differs between rooms, shade and sun; white balance shifts a little, never a coat's colour.
            *lights[light],
            # Many phones and messengers compress hard.
            al.ImageCompression(quality_range=(35, 90), p=0.3),
            # Dogs move and phones miss the focus; strong blur would wipe out the coat itself.
            al.OneOf([al.GaussianBlur(blur_limit=(3, 5)), al.MotionBlur(blur_limit=(3, 7))], p=0.15),
            # Small pictures from messengers and adverts.
            al.Downscale(scale_range=(0.5, 0.9), p=0.1),
            # Indoor photos are noisy.
            al.GaussNoise(std_range=(0.01, 0.05), p=0.1),
        ],
        seed=seed,
    )


def trunk_crop(picture: Pixels, dog: Pixels, random: np.random.Generator) -> tuple[Pixels, Pixels] | None:
    """A square of coat at the photo's own resolution, and its mask; None where no large enough one was met.

    Args:
        picture: (H, W, 3).
        dog: (H, W), 0 background to 255 dog.
    """
    inside = np.argwhere(dog == 255)
    for _ in range(_TRIES if len(inside) else 0):
        side = int(random.uniform(*_TRUNK) * min(dog.shape))
        middle = inside[int(random.integers(len(inside)))]
        top, left = (int(min(max(at - side // 2, 0), all_ - side)) for at, all_ in zip(middle, dog.shape, strict=True))
        part = dog[top : top + side, left : left + side]
        if side >= _SMALLEST and (part == 255).mean() >= _MOSTLY:
            return picture[top : top + side, left : left + side], part
    return None


def swap_background(picture: Pixels, dog: Pixels, other: Pixels) -> Pixels:
    """Put the dog on another picture's colours: what surrounds a dog says nothing about its coat.

    Args:
        picture: (H, W, 3).
        dog: (H, W), 0 background to 255 dog.
        other: another picture; only its broad colours are kept.
    """
    import cv2

    height, width = dog.shape
    colours = cv2.resize(other, (_GROUND_PX, _GROUND_PX), interpolation=cv2.INTER_AREA)
    ground = cv2.resize(colours, (width, height), interpolation=cv2.INTER_CUBIC)
    share = cv2.GaussianBlur(dog, (0, 0), 1.5)[..., None].astype(np.float32) / 255
    return (picture * share + ground * (1 - share)).astype(np.uint8)
