"""Limits of opening and of quality, read from ``data/limits.toml``."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from coatclass.contract import PhotoStatus, Reason
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
        normalised_px: short side at which quality is measured, px.
        too_small: short side, px. dark: 95th percentile of luma, 0-255. blown_out: share of clipped pixels in the
            middle, [0, 1]. blurred: variance of the Laplacian over that of luma. dog_share: [0, 1].
        dog_margin: log odds of a dog against its likeliest rival, from where few dogs lie, nats.
        single_dog_probability: below it several dogs, or a part of one, are suspected, [0, 1].
    """

    max_bytes: int
    max_pixels_jpeg: int
    max_pixels_other: int
    max_aspect: float
    max_pixels_heic: int
    heic_seconds: float
    heic_memory_bytes: int
    normalised_px: int
    too_small: Band
    dark: Band
    blown_out: Band
    blurred: Band
    dog_margin: Band
    dog_share: Band
    single_dog_probability: float


def _data() -> dict[str, Any]:
    return read_toml(_DATA)


def default_limits() -> Limits:
    """The limits of the data file."""
    data = _data()
    opening, quality, dog, heic = data["open"], data["quality"], data["dog"], data["heic"]
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
        normalised_px=quality["normalised_px"],
        single_dog_probability=dog["single_dog_probability"],
        **bands,
    )


TARGET_PX: int = _data()["open"]["target_px"]
"""Shortest that the short side of a reduced picture may be, px."""


def finding(code: str, **values: object) -> Reason:
    """A finding in words."""
    return Reason(code=code, text=str(_data()["finding"][code]["text"]).format(**values))


def status_of(code: str) -> PhotoStatus:
    """What a finding alone does to the photo; codes of other rooms do nothing."""
    return PhotoStatus(_data()["finding"].get(code, {"status": "used"})["status"])
