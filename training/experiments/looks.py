"""Frozen ImageNet features of photos that are looked at in several ways; kept in files, for a backbone that stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from timeit import repeat
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.ndimage import distance_transform_cdt
from torch import Tensor, nn
from tqdm import tqdm

from coatclass import photo, vision
from coatclass.vision import Preprocessing, read_manifest, to_tensor
from training.image.export import session_of
from training.image.labels import Labels, read_labels
from training.image.network import MEAN, STD, CoatNetwork, load_backbone
from training.image.pictures import Pixels, open_gallery

Features = dict[str, NDArray[np.float32]]  # FEATURES of N photos, (N, ...) each; rows of NaN where there was no look
FEATURES = ("pooled", "last", "fine", "kinship")
_SHORT_SIDE, _PATCH, _PATCHES = 448, 224, 3  # px
_SMALLEST = 64  # px: the program refuses smaller pictures
_TIMED = 12  # photos


def whole(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The photo as it is."""
    return [Image.fromarray(pixels)]


def mirrored(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The photo's mirror image."""
    return [ImageOps.mirror(Image.fromarray(pixels))]


def patches(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """Up to three squares of 224 px that hold most dog, by the released network's mask, apart by a third of a side."""
    picture = Image.fromarray(pixels)
    if min(picture.size) > _SHORT_SIDE:
        scale = _SHORT_SIDE / min(picture.size)
        picture = picture.resize(
            (round(picture.width * scale), round(picture.height * scale)), Image.Resampling.LANCZOS
        )
    seen = Image.fromarray((vision.look(picture, file="").mask * 255).astype(np.uint8)).resize(picture.size)
    side = min(_PATCH, *picture.size)
    total = np.pad(np.asarray(seen, np.float64), ((1, 0), (1, 0))).cumsum(0).cumsum(1)
    corners = [(y, x) for y in _places(picture.height - side) for x in _places(picture.width - side)]

    def dog(corner: tuple[int, int]) -> float:
        y, x = corner
        return float(total[y + side, x + side] - total[y, x + side] - total[y + side, x] + total[y, x])

    chosen: list[tuple[int, int]] = []
    for y, x in sorted(corners, key=dog, reverse=True):
        if len(chosen) < _PATCHES and all(abs(y - b) + abs(x - a) >= side // 3 for b, a in chosen):
            chosen.append((y, x))
    return [picture.crop((x, y, x + side, y + side)) for y, x in chosen]


def _places(room: int) -> list[int]:
    return [int(place) for place in np.unique(np.linspace(0, room, 6).astype(int))]


def closeup(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The largest square that lies wholly inside the dog by its trimap: simulates a photo of the coat from near."""
    if mask is None:
        return []
    reach = distance_transform_cdt(np.pad(mask == 255, 1), "chessboard")[1:-1, 1:-1]  # to the nearest that is not dog
    y, x = np.unravel_index(reach.argmax(), reach.shape)
    half = int(reach[y, x]) - 1
    inside = Image.fromarray(pixels[y - half : y + half + 1, x - half : x + half + 1])
    return [inside] if 2 * half + 1 >= _SMALLEST else []


def upper_third(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The upper third of the dog's box, where the head mostly is; the trimaps do not say on which side it is."""
    if mask is None or not mask.any():
        return []
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    bottom = rows[0] + (rows[-1] + 1 - rows[0]) // 3
    part = pixels[rows[0] : bottom, columns[0] : columns[-1] + 1]
    return [Image.fromarray(part)] if min(part.shape[:2]) >= _SMALLEST else []


@dataclass(frozen=True)
class Look:
    """One way of looking at a photo: by which backbone, at what size (px), at which pictures cut from it."""

    backbone: str
    size: int
    cut: Callable[[Pixels, Pixels | None], list[Image.Image]]

    def read(self, pictures: list[Image.Image]) -> list[NDArray[np.float32]]:
        """Each of FEATURES as the mean over the pictures, (...)."""
        said = [_session(self.backbone).run(None, {"picture": to_tensor(one, self._rule)}) for one in pictures]
        return [np.mean(part, 0)[0] for part in zip(*said, strict=True)]

    @property
    def _rule(self) -> Preprocessing:
        return Preprocessing.model_validate(
            {"size": self.size, "rule": "aspect", "mean": (MEAN,) * 3, "std": (STD,) * 3}
        )


LOOKS = {
    "plain": Look("lite2", 256, whole),
    "mirrored": Look("lite2", 256, mirrored),
    "larger": Look("lite2", 352, whole),
    "lite0": Look("lite0", 256, whole),
    "patches": Look("lite2", _PATCH, patches),
    "closeup": Look("lite2", 256, closeup),
}


class _Pooled(nn.Module):
    """The frozen backbone up to what is kept of a picture."""

    def __init__(self, backbone: str) -> None:
        super().__init__()
        self.network = CoatNetwork(load_backbone(backbone)).eval()

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """Picture (B, 3, H, W) to FEATURES: the pooled features; mean and spread of the last stage and of the fine
        maps; what the kinship head sees."""
        body: Any = self.network.backbone
        fine = body.blocks[:-2](body.bn1(body.conv_stem(picture)))
        last = body.blocks[-2:](fine)
        pooled = body.bn2(body.conv_head(last)).mean((2, 3))
        spread = [torch.cat([maps.mean((2, 3)), maps.flatten(2).std(2)], 1) for maps in (last, fine)]
        return pooled, *spread, self.network.kinship_inputs(body.classifier(pooled))


@cache
def _session(backbone: str) -> Any:
    return session_of(_Pooled(backbone), {name: {0: "batch"} for name in FEATURES})


def pool(photos: Path) -> Labels:
    """The labels of train and val; the photos of the test split are not even opened."""
    labels = read_labels(photos)
    return take(labels, labels.where("train", "val"))


def take(labels: Labels, chosen: NDArray[np.int64]) -> Labels:
    """The labels of the chosen photos."""
    return replace(labels, **{name: value[chosen] for name, value in vars(labels).items() if name != "breeds"})


def extract(photos: Path, labels: Labels, work: Path) -> dict[str, Features]:
    """Features of all photos by look; looks whose file is in the work folder are not repeated."""
    work.mkdir(parents=True, exist_ok=True)
    gallery, found = None, {}
    for name, look in LOOKS.items():
        path = work / f"{name}.npz"
        if not _is_of(path, labels):
            gallery = gallery or open_gallery(photos, labels)
            pairs = zip(gallery.pictures, gallery.masks, strict=True)
            read = [_read(look, *pair) for pair in tqdm(pairs, desc=name, total=len(labels), unit="photo")]
            np.savez(path, photo_id=labels.photo_id, mask_by=_mask_by(), **_stacked(read))  # type: ignore[arg-type]
        with np.load(path) as stored:
            found[name] = {part: stored[part] for part in FEATURES}
    return found


def _is_of(path: Path, labels: Labels) -> bool:
    if not path.is_file():
        return False
    with np.load(path) as stored:
        same_mask = "mask_by" in stored and str(stored["mask_by"]) == _mask_by()
        return same_mask and np.array_equal(stored["photo_id"], labels.photo_id)


def _mask_by() -> str:
    """The released network, whose mask tells where patches are cut."""
    return read_manifest().model_version


def _read(look: Look, pixels: Pixels, mask: Pixels | None) -> list[NDArray[np.float32]] | None:
    pictures = look.cut(pixels, mask)
    return look.read(pictures) if pictures else None


def _stacked(read: list[list[NDArray[np.float32]] | None]) -> Features:
    missing = [np.full_like(part, np.nan) for part in next(one for one in read if one is not None)]
    return {
        name: np.array(rows, np.float32)
        for name, rows in zip(FEATURES, zip(*(one or missing for one in read), strict=True), strict=True)
    }


def relative_seconds(photos: Path, labels: Labels) -> dict[str, float]:
    """Time of each look at a photo over that of the plain look: medians over photos of the best of three tries.

    Cutting is not counted, nor is the mask that says where: the released network gives it anyway. A close-up is
    brought to the same size as the photo, and takes as long.
    """
    taken: dict[str, list[float]] = {name: [] for name in LOOKS}
    for index in np.linspace(0, len(labels) - 1, _TIMED).astype(int):
        pixels = np.asarray(photo.load(photos / labels.file[index]).image)
        for name, look in LOOKS.items():
            pictures = look.cut(pixels, None) or whole(pixels, None)
            taken[name].append(min(repeat(partial(look.read, pictures), number=1, repeat=3)))
    middle = {name: float(np.median(seconds)) for name, seconds in taken.items()}
    return {name: seconds / middle["plain"] for name, seconds in middle.items()}
