"""What the image model sees on kept photos; read once for each picture, by its content."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from io import BytesIO
from threading import Lock

import numpy as np
from PIL import Image

from coatclass import estimating
from coatclass.contract import PhotoEvidence, PhotoReport
from coatclass.estimating import Reading
from coatclass.plain_text import shown_path
from coatclass.records import Photo, PreparedPicture, Records

_MOST = 1000
_SHADE = (10, 24, 20)
_DARKEST = 190  # of 255: what was left out stays visible
_RIM = (255, 214, 102)
_OVERLAY_PX = 480


@dataclass(frozen=True)
class Looked:
    """What was read from one picture; the mask is in [0, 1], (rows, columns), coarse; the hash knows copies."""

    report: PhotoReport
    evidence: PhotoEvidence
    mask: np.ndarray
    hash: str

    def reading(self, name: str) -> Reading:
        """As the rooms take it, under the name that people see."""
        report = self.report.model_copy(update={"file": name})
        return Reading.of(report, replace(self.evidence, file=name), self.hash)


def look_at(content: bytes, name: str) -> Looked:
    """Open a picture and let the image model look at it.

    Raises:
        PhotoError: if it can't be opened.
    """
    seen = estimating.look(content, name=name)
    return Looked(seen.report, seen.evidence, seen.mask, seen.hash)


class Looks:
    """Looks at kept photos, remembered by content; safe to share between threads."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, Looked] = OrderedDict()
        self._lock = Lock()

    def of(self, salon: Records, kept: Photo) -> Looked:
        """The look at a kept photo."""
        return self._looked(kept.sha256, lambda: salon.store.read(kept.sha256))

    def before_keeping(self, picture: PreparedPicture, name: str) -> PhotoReport:
        """What is said of a picture as it will be kept, which is not looked at again once it is."""
        return self._looked(picture.sha256, lambda: picture.data).reading(shown_path(name)).report

    def _looked(self, sha256: str, read: Callable[[], bytes]) -> Looked:
        with self._lock:
            if sha256 in self._kept:
                self._kept.move_to_end(sha256)
                return self._kept[sha256]
        looked = look_at(read(), "photo")
        with self._lock:
            self._kept[sha256] = looked
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
        return looked

    def readings(self, salon: Records, photos: tuple[Photo, ...]) -> list[Reading]:
        """What all photos of a dog say, named by their number."""
        return [self.of(salon, kept).reading(f"photo {number}") for number, kept in enumerate(photos, 1)]

    def reports(self, salon: Records, photos: tuple[Photo, ...]) -> list[PhotoReport]:
        """The report on each photo of a dog, compared with the others."""
        return [reading.report for reading in estimating.beside_each_other(self.readings(salon, photos))]


def overlay(mask: np.ndarray, size: tuple[int, int]) -> bytes:
    """A PNG to lay over the picture: what the model ignored is darkened, and the dog is outlined.

    Args:
        mask: how far each part is dog, (rows, columns) in [0, 1], over the whole picture.
        size: the picture's width and height, px.
    """
    scale = _OVERLAY_PX / max(size)
    width, height = max(1, round(size[0] * scale)), max(1, round(size[1] * scale))
    fine = Image.fromarray(np.asarray(mask, dtype=np.float32)).resize((width, height), Image.Resampling.BICUBIC)
    dog = np.clip(np.asarray(fine), 0.0, 1.0)
    inside = dog > 0.5
    rim = inside & ~_shrunk(inside, 2)
    pixels = np.zeros((height, width, 4), dtype=np.uint8)
    pixels[..., :3] = _SHADE
    pixels[..., 3] = ((1.0 - np.clip(2 * dog - 0.5, 0, 1)) * _DARKEST).astype(np.uint8)
    pixels[rim] = (*_RIM, 255)
    stream = BytesIO()
    Image.fromarray(pixels).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _shrunk(area: np.ndarray, by: int) -> np.ndarray:
    for _ in range(by):
        padded = np.pad(area, 1, mode="edge")
        area = padded[1:-1, 1:-1] & padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]
    return area
