"""The fitted thresholds behind the promises, read from the release; the promises themselves are data of this room."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from coatclass.contract import Frozen
from coatclass.errors import ModelFilesError
from coatclass.resources import read_toml

__all__ = ["FILE", "RegimeThresholds", "Thresholds", "limits", "load", "promise", "reason_text"]

FILE = "ensemble_thresholds.json"
_DATA = Path(__file__).with_name("data") / "decision.toml"


class RegimeThresholds(Frozen):
    """Thresholds on calibrated probabilities for one regime (photo, answers, both).

    Attributes:
        category_at: a category at least this probable stays in the prediction set.
        band_at: the same for a length band.
        settle_at: a single category must be at least this probable to be called settled; above 1: never.
        mixed_at: *mixed* stays possible from this probability on.
        length_at: of two coats that only length tells apart, the one with this share of both stays possible.
        calibrated_on: how many dogs the thresholds rest on.
        simulated: the answers among them were simulated.
    """

    category_at: float = Field(ge=0, le=1)
    band_at: float = Field(ge=0, le=1)
    settle_at: float = Field(ge=0)
    mixed_at: float = Field(ge=0, le=1)
    length_at: float = Field(ge=0, le=1)
    calibrated_on: int = Field(ge=0)
    simulated: bool


class Thresholds(Frozen):
    """All thresholds of one fit."""

    version: str
    regimes: dict[str, RegimeThresholds]


@cache
def load() -> Thresholds:
    """The released thresholds.

    Raises:
        ModelFilesError: if they are missing, damaged or not the released ones.
    """
    from coatclass.ensemble import read_checked

    try:
        return Thresholds.model_validate(read_checked(FILE))
    except ValidationError as error:
        raise ModelFilesError(
            f"models/{FILE}", "does not hold what it must.", "Install coatclass again.", code="damaged_file"
        ) from error


def promise() -> Mapping[str, Any]:
    """What is promised: reliability of the sets, risk and confidence of *settled*, and the accepted false alarms."""
    section: Mapping[str, Any] = read_toml(_DATA)["promise"]
    return section


def limits() -> Mapping[str, Any]:
    """Limits that are decisions, not fits."""
    section: Mapping[str, Any] = read_toml(_DATA)["limits"]
    return section


def reason_text(code: str, **fields: str) -> str:
    """The sentence behind a reason's code."""
    return str(read_toml(_DATA)["reason"][code]).format(**fields)
