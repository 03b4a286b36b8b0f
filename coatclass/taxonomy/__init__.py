"""The identifiers: coat category, length band, undercoat, texture, body zone, mat state.

Limits are read from ``data/taxonomy.toml``; what people read, from the words.
"""

from __future__ import annotations

import math
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.resources import read_toml
from coatclass.words import catalogue

__all__ = [
    "BANDS",
    "CATEGORIES",
    "ZONES",
    "BodyZone",
    "CoatCategory",
    "Curl",
    "LengthBand",
    "Lie",
    "MatState",
    "Patience",
    "Texture",
    "Undercoat",
    "band_label",
    "band_limits_mm",
    "band_of_mm",
    "category_label",
    "definition",
]

_DATA = Path(__file__).with_name("data") / "taxonomy.toml"
_MEASURING = Path(__file__).with_name("data") / "measuring.toml"


class CoatCategory(StrEnum):
    """What the dog wears now, on the trunk."""

    HAIR = "hair"
    FUR = "fur"
    MIXED = "mixed"
    WIRE = "wire"
    CURLY = "curly"
    DROP = "drop"
    ARCTIC = "arctic"


class LengthBand(StrEnum):
    """Length of the trunk hair, in the steps at which the trade changes tools; shortest first."""

    UNDER_19MM = "under_19mm"
    FROM_19_TO_25MM = "19_25mm"
    FROM_25_TO_75MM = "25_75mm"
    OVER_75MM = "over_75mm"


class Texture(StrEnum):
    """How the hair feels."""

    SILKY = "silky"
    SOFT = "soft"
    COTTONY = "cottony"
    HARSH = "harsh"
    WOOLLY = "woolly"


class Undercoat(StrEnum):
    """How much undercoat is seen when the hair is parted."""

    NONE = "none"
    LIGHT = "light"
    DENSE = "dense"


class Curl(StrEnum):
    """How far the hair bends."""

    STRAIGHT = "straight"
    WAVY = "wavy"
    CURLY = "curly"


class Lie(StrEnum):
    """How the coat stands on the body."""

    STANDS_OFF = "stands_off"
    LIES_FLAT = "lies_flat"
    HANGS = "hangs"


class MatState(StrEnum):
    """How far hair has knotted; mildest first."""

    NONE = "none"
    TANGLES = "tangles"
    MATS = "mats"
    TIGHT_MATS = "tight_mats"
    FELTED = "felted"

    @property
    def severity(self) -> int:
        """0 (none) to 4 (felted)."""
        return list(MatState).index(self)


class Patience(StrEnum):
    """How the dog takes the brush; best first."""

    ENJOYS = "enjoys"
    TOLERATES = "tolerates"
    FIDGETS = "fidgets"
    CANNOT_BEAR = "cannot_bear"


class BodyZone(StrEnum):
    """Parts of the dog that get their own tools or their own trouble."""

    TRUNK = "trunk"
    NECK = "neck"
    CHEST = "chest"
    BELLY = "belly"
    GROIN = "groin"
    ARMPITS = "armpits"
    HARNESS_PATH = "harness_path"
    LEGS = "legs"
    FEET = "feet"
    BREECHES = "breeches"
    TAIL = "tail"
    BEHIND_EARS = "behind_ears"
    EARS = "ears"
    SKULL = "skull"
    TOP_KNOT = "top_knot"
    FACE = "face"
    BEARD = "beard"


CATEGORIES: tuple[CoatCategory, ...] = tuple(CoatCategory)
"""The seven categories in the order of every probability vector."""

BANDS: tuple[LengthBand, ...] = tuple(LengthBand)
"""The four bands, shortest first, in the order of every probability vector."""

ZONES: tuple[BodyZone, ...] = tuple(BodyZone)
"""Every zone of the body, in the order in which zones are named."""


def _table(section: str) -> dict[str, Any]:
    table: dict[str, Any] = read_toml(_DATA)[section]
    return table


_KINDS: dict[type[StrEnum], str] = {
    CoatCategory: "coat",
    Texture: "texture",
    Undercoat: "undercoat",
    Curl: "curl",
    Lie: "lie",
    MatState: "mat_state",
    Patience: "patience",
}


def definition(word: StrEnum, *, plain: bool = True) -> str:
    """What a word means in English: plainly for owners, or precisely for groomers and researchers (categories only)."""
    if isinstance(word, LengthBand):
        return band_label(word)
    words = catalogue()
    if isinstance(word, BodyZone):
        return words.title(words.zone(word, long=True))
    return words.definition(_KINDS[type(word)], word, plain=plain or not isinstance(word, CoatCategory))


def category_label(category: CoatCategory) -> str:
    """The category's English name as shown to people."""
    words = catalogue()
    return words.title(words.coat(category))


def band_label(band: LengthBand) -> str:
    """The band in millimetres with inches beside them, in English."""
    return catalogue().band(band)


def band_limits_mm(band: LengthBand) -> tuple[float, float]:
    """Lower limit (included) and upper limit (excluded, ``inf`` for the longest) of a band, mm."""
    return _limits_mm()[band]


@cache
def _limits_mm() -> dict[LengthBand, tuple[float, float]]:
    rows = _table("band")
    return {band: (float(rows[band]["lower_mm"]), float(rows[band].get("upper_mm", math.inf))) for band in BANDS}


def measuring_error(by: str) -> float:
    """Standard deviation of the log of a length measured by ``ruler``, ``card``, ``finger`` or ``eye``."""
    return float(read_toml(_MEASURING)["error"][by]["sd_log"])


def gross_error() -> float:
    """Share of measured lengths that say nothing: another unit, another part of the dog; [0, 1]."""
    return float(read_toml(_MEASURING)["gross_error"])


def band_of_mm(length_mm: float) -> LengthBand:
    """The band that holds a length of trunk hair.

    Raises:
        ValueError: if the length is negative or not a number.
    """
    if not length_mm >= 0:
        raise ValueError(f"a hair length must be 0 mm or more, not {length_mm}")
    return next(band for band, (_, upper) in _limits_mm().items() if length_mm < upper or upper == math.inf)
