"""What is wrong with a picture, measured on its pixels; limits of opening and of quality, from ``data/limits.toml``."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from coatclass.contract import PhotoStatus, Reason
from coatclass.reasons import reason
from coatclass.resources import read_toml

_DATA = Path(__file__).with_name("data") / "limits.toml"


@dataclass(frozen=True)
class Band:
    """Where a measurement makes a photo doubtful, and where it makes it useless."""

    doubtful: float
    refused: float


@dataclass(frozen=True)
class Limits:
    """What a picture may be. Defaults come from the data file; change some with ``dataclasses.replace``.

    Attributes:
        max_bytes: largest file, bytes.
        max_pixels_jpeg, max_pixels_other: most pixels, looked at before decoding.
        max_aspect: longest side over shortest.
        max_pixels_heic: the same for HEIC.
        heic_seconds, heic_memory_bytes: what decoding a HEIC picture may use.
        archive_entries: most entries of an archive of photos.
        archive_ratio: most bytes that one byte of an archive may unpack to; counted from ``archive_small_bytes`` on.
        normalised_px: short side at which quality is measured, px.
        too_small: short side, px. dark: 95th percentile of luma, 0-255. blown_out: share of clipped pixels in the
            middle, [0, 1]. blurred: variance of the Laplacian over that of luma. dog_share: [0, 1].
        dog_margin: log odds of a dog against its likeliest rival, from where few dogs lie, nats.
        same_bits: most bits of the difference hash in which two copies of one picture differ.
        other_coat: log odds of one coat on both photos against two coats, below which another dog is suspected, nats.
        single_dog_probability: below it several dogs, or a part of one, are suspected, [0, 1].
    """

    max_bytes: int
    max_pixels_jpeg: int
    max_pixels_other: int
    max_aspect: float
    max_pixels_heic: int
    heic_seconds: float
    heic_memory_bytes: int
    archive_entries: int
    archive_ratio: float
    archive_small_bytes: int
    normalised_px: int
    too_small: Band
    dark: Band
    blown_out: Band
    blurred: Band
    dog_margin: Band
    dog_share: Band
    single_dog_probability: float
    same_bits: int
    other_coat: float


def _data() -> dict[str, Any]:
    return read_toml(_DATA)


def default_limits() -> Limits:
    """The limits of the data file."""
    data = _data()
    opening, quality, dog, heic = data["open"], data["quality"], data["dog"], data["heic"]
    archive = data["archive"]
    names = {field.name for field in fields(Limits)}
    bands = {name: Band(**row) for name, row in {**quality, **dog}.items() if name in names and isinstance(row, dict)}
    return Limits(
        max_bytes=opening["max_bytes"],
        max_pixels_jpeg=opening["max_pixels_jpeg"],
        max_pixels_other=opening["max_pixels_other"],
        max_aspect=opening["max_aspect"],
        max_pixels_heic=heic["max_pixels"],
        heic_seconds=heic["max_seconds"],
        heic_memory_bytes=heic["max_memory_bytes"],
        archive_entries=archive["max_entries"],
        archive_ratio=archive["max_ratio"],
        archive_small_bytes=archive["small_bytes"],
        normalised_px=quality["normalised_px"],
        single_dog_probability=dog["single_dog_probability"],
        same_bits=data["beside"]["same_bits"],
        other_coat=data["beside"]["other_coat"],
        **bands,
    )


TARGET_PX: int = _data()["open"]["target_px"]
"""Shortest that the short side of a reduced picture may be, px."""


def status_of(code: str) -> PhotoStatus:
    """The status that a finding alone gives the photo; other rooms' codes leave it used."""
    return PhotoStatus(_data()["finding"].get(code, "used"))


_CLIPPED = 250  # luma from which JPEG's rounding hides any drawing of the hair


@dataclass(frozen=True)
class Quality:
    """Measurements of one picture.

    Attributes:
        short_side: short side of the original, px.
        brightest: 95th percentile of luma, 0-255.
        clipped: share of the middle (half the width by half the height) that is clipped to white, [0, 1].
        sharpness: variance of the Laplacian over the variance of luma, at the normalised size; 0 or more.
            Variance of the Laplacian: Pech-Pacheco et al., "Diatom autofocusing in brightfield microscopy", ICPR 2000.
    """

    short_side: int
    brightest: float
    clipped: float
    sharpness: float


def _luma(image: Image.Image, short_side: int) -> NDArray[np.float32]:
    """Luma (H, W), 0-255, with the short side brought down to ``short_side`` px."""
    grey = image.convert("L")
    scale = short_side / min(grey.size)
    if scale < 1:
        size = (max(1, round(grey.width * scale)), max(1, round(grey.height * scale)))
        grey = grey.resize(size, Image.Resampling.BILINEAR, reducing_gap=2.0)
    return np.asarray(grey, dtype=np.float32)


def _laplacian(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Four-neighbour Laplacian (H - 2, W - 2)."""
    return luma[:-2, 1:-1] + luma[2:, 1:-1] + luma[1:-1, :-2] + luma[1:-1, 2:] - 4 * luma[1:-1, 1:-1]


def _percentile(values: NDArray[np.float32], percent: int) -> float:
    """A percentile, linear between neighbours; ``np.percentile`` imports 10 ms of masked arrays at its first call."""
    place, rest = divmod(percent * (values.size - 1), 100)
    around = np.partition(values, (place, min(place + 1, values.size - 1)), axis=None)[place : place + 2]
    return float(around[0] + (around[-1] - around[0]) * rest / 100)


def measure(image: Image.Image, *, short_side: int | None = None, limits: Limits | None = None) -> Quality:
    """Measure a picture.

    Args:
        image: upright RGB.
        short_side: short side of the original, px; that of ``image`` if not given.
        limits: only ``normalised_px`` is used.
    """
    luma = _luma(image, (limits or default_limits()).normalised_px)
    height, width = luma.shape
    middle = luma[height // 4 : height - height // 4, width // 4 : width - width // 4]
    sharpness = 0.0
    if min(luma.shape) >= 3:
        # One grey level of variance: a picture of nothing is not sharp.
        sharpness = float(_laplacian(luma).var() / (luma.var() + 1.0))
    return Quality(
        short_side=min(image.size) if short_side is None else short_side,
        brightest=_percentile(luma, 95),
        clipped=float((middle >= _CLIPPED).mean()),
        sharpness=sharpness,
    )


def _step(value: float, band: Band, *, low_is_bad: bool = True) -> int:
    """0 fine, 1 doubtful, 2 refused."""
    if low_is_bad:
        return (value < band.doubtful) + (value < band.refused)
    return (value > band.doubtful) + (value > band.refused)


def quality_findings(quality: Quality, limits: Limits | None = None) -> tuple[Reason, ...]:
    """What to tell the photographer; empty if nothing is wrong."""
    limits = limits or default_limits()
    steps = (
        (_step(quality.short_side, limits.too_small), "too_small", "far_too_small"),
        (_step(quality.brightest, limits.dark), "dark", "far_too_dark"),
        (_step(quality.clipped, limits.blown_out, low_is_bad=False), "blown_out", "far_blown_out"),
        (_step(quality.sharpness, limits.blurred), "blurred", "far_blurred"),
    )
    return tuple(
        reason(worst if step == 2 else mild, short_side=quality.short_side) for step, mild, worst in steps if step
    )


# --- two pictures beside each other ---------------------------------------------------------------------------------


def difference_hash(picture: Image.Image) -> str:
    """Which of neighbouring grey values is brighter on a grid of 9 by 8, as 16 hexadecimal digits.

    Insensitive to size and compression. Source: the difference hash in common use, from memory.
    """
    grey = picture.convert("L").resize((9, 8), Image.Resampling.LANCZOS).tobytes()
    bits = [grey[row * 9 + column + 1] > grey[row * 9 + column] for row in range(8) for column in range(8)]
    return f"{sum(bit << place for place, bit in enumerate(reversed(bits))):016x}"


def hash_distance(one: str, other: str) -> int:
    """How many of the 64 bits differ."""
    return (int(one, 16) ^ int(other, 16)).bit_count()
