"""Pictures and masks for training, decoded and resized exactly as at run time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

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
        pictures, [_mask(photos, Path(file), seen.shape) for file, seen in zip(labels.file, pictures, strict=True)]
    )


def _mask(photos: Path, file: Path, shape: tuple[int, ...]) -> Pixels | None:
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
