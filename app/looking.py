"""What the image model sees on kept photos; read once for each picture, by its content.

A photo is looked at as it came, so that it gets the same word here as on the command line: the copy that is kept was
re-encoded, and a doubtful coat may get another title from it. What was read lies beside the copy, as numbers only.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import astuple, dataclass, replace
from io import BytesIO
from threading import Lock
from typing import Any

import numpy as np
from PIL import Image
from pydantic import TypeAdapter, ValidationError

from coatclass import estimating, photo, vision
from coatclass.contract import PhotoEvidence, PhotoReport
from coatclass.estimating import Reading
from coatclass.photo import Quality
from coatclass.plain_text import shown_path
from coatclass.records import Photo, PreparedPicture, Records, prepare
from coatclass.taxonomy import BANDS, CATEGORIES

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


@dataclass(frozen=True)
class _Numbers:
    """What lies beside a kept picture: no words, and no verdict, which today's limits give."""

    evidence: PhotoEvidence
    quality: Quality
    mask: tuple[tuple[float, ...], ...]
    hash: str


_NUMBERS = TypeAdapter(_Numbers)
_WIDTHS = {"texture": len(CATEGORIES), "kinship": len(CATEGORIES), "band": len(BANDS), "outline": len(CATEGORIES),
           "looks": sum(map(len, vision.LOOKS.values())) + 1}  # fmt: skip


def look_at(content: bytes, name: str) -> Looked:
    """Open a picture and let the image model look at it.

    Raises:
        PhotoError: if it can't be opened.
    """
    return _looked(estimating.look(content, name=name))


def _looked(seen: estimating.SeenPhoto) -> Looked:
    return Looked(seen.report, seen.evidence, seen.mask, seen.hash)


def _packed(seen: estimating.SeenPhoto) -> str:
    mask = tuple(tuple(row) for row in seen.mask.astype(float).tolist())
    return _NUMBERS.dump_json(_Numbers(seen.evidence, seen.photo.quality, mask, seen.hash)).decode()


def _unpacked(text: str) -> Looked | None:
    """What was kept of a picture; None if nothing was, another model read it, or it can't be what a model says."""
    try:
        kept = _NUMBERS.validate_json(text)
    except ValidationError:
        return None
    evidence, mask = kept.evidence, np.asarray(kept.mask, dtype=np.float32) if _even(kept.mask) else None
    if mask is None or evidence.model_version != vision.read_manifest().model_version:
        return None
    rows = {name: getattr(evidence, name) for name in _WIDTHS}
    if any(row is None or len(row) != _WIDTHS[name] for name, row in rows.items()) or not _finite(kept):
        return None
    findings = photo.quality_findings(kept.quality)
    return Looked(photo.report_of("photo", findings, evidence), evidence, mask, kept.hash)


def _even(rows: tuple[tuple[float, ...], ...]) -> bool:
    return len({len(row) for row in rows}) == 1 and bool(rows[0])


def _finite(value: Any) -> bool:
    """Whether no number in it is none."""
    numbers = value if isinstance(value, tuple) else astuple(value)
    return all(_finite(one) if isinstance(one, tuple) else not isinstance(one, float) or math.isfinite(one)
               for one in numbers)  # fmt: skip


class Looks:
    """Looks at kept photos, remembered by content; safe to share between threads."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, Looked] = OrderedDict()
        self._lock = Lock()

    def of(self, salon: Records, kept: Photo) -> Looked:
        """The look at a kept photo as it came; at its copy where the numbers are missing or another model's."""
        return self._once(kept.sha256, lambda: _unpacked(salon.store.seen(kept.sha256))
                          or look_at(salon.store.read(kept.sha256), "photo"))  # fmt: skip

    def before_keeping(self, content: bytes, name: str) -> tuple[PreparedPicture, PhotoReport]:
        """A photo that somebody sends: the copy to be kept, with what was read from the photo, and what is said of it.

        Raises:
            PhotoError: if it can't be opened.
        """
        picture = prepare(content, name)
        seen = estimating.look(content, name="photo")
        looked = self._remembered(picture.sha256, _looked(seen))
        return replace(picture, seen=_packed(seen)), looked.reading(shown_path(name)).report

    def _once(self, sha256: str, look: Callable[[], Looked]) -> Looked:
        with self._lock:
            if sha256 in self._kept:
                self._kept.move_to_end(sha256)
                return self._kept[sha256]
        return self._remembered(sha256, look())

    def _remembered(self, sha256: str, looked: Looked) -> Looked:
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
