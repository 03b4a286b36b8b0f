"""The manifest of the released model: which files belong to it, how to prepare a picture, which limits hold."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from coatclass.errors import ModelFilesError
from coatclass.resources import released

_REINSTALL = "Install coatclass again, or fit the model with: python -m training image"


class _Entry(BaseModel):
    """A part of the manifest; other rooms keep sections of their own beside it, so unknown keys are left alone."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class Preprocessing(_Entry):
    """How a picture becomes the network's input.

    ``rule``: ``squash`` (to a square), ``crop`` (short side to ``size``, centre square) or ``aspect`` (about
    ``size`` x ``size`` pixels at the picture's own proportions, sides in multiples of ``multiple``).
    ``mean`` and ``std`` are on the scale [0, 1].
    """

    size: int = Field(gt=0)
    rule: Literal["squash", "crop", "aspect"]
    multiple: int = Field(default=32, gt=0)
    mean: tuple[float, float, float]
    std: tuple[float, float, float]
    max_aspect: float = Field(default=3.0, ge=1)


class ReleasedFile(_Entry):
    """A file of the release and the checksum it must have."""

    sha256: str
    bytes: int


class Limits(_Entry):
    """Limits chosen on validation photos.

    Attributes:
        unfamiliarity: a photo with a greater score is unlike anything the model was trained on.
        dog_margin: below it the picture shows no dog, nats.
    """

    unfamiliarity: float
    dog_margin: float


class VisionManifest(_Entry):
    """What the image model's part of ``models/manifest.json`` says."""

    model_version: str
    network: str
    files: dict[str, ReleasedFile]
    preprocessing: Preprocessing
    limits: Limits
    categories: tuple[str, ...]
    bands: tuple[str, ...]


def read_manifest(folder: Path | None = None) -> VisionManifest:
    """Read and check ``manifest.json`` (of the release unless a folder is named).

    Raises:
        ModelFilesError: if it is missing or does not say what it must.
    """
    path = released("models/manifest.json") if folder is None else folder / "manifest.json"
    try:
        return VisionManifest.model_validate_json(path.read_bytes())
    except OSError as error:
        raise ModelFilesError("models/manifest.json", "can't be read.", _REINSTALL, code="missing_file") from error
    except ValidationError as error:
        raise ModelFilesError(
            "models/manifest.json", "is damaged or of another version.", _REINSTALL, code="damaged_file"
        ) from error


def checked_bytes(name: str, entry: ReleasedFile, folder: Path | None = None) -> bytes:
    """Return a released file's bytes once they are known to be those that were released.

    Raises:
        ModelFilesError: if the file is missing or its SHA-256 differs.
    """
    path = released(f"models/{name}") if folder is None else folder / name
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ModelFilesError(f"models/{name}", "is missing.", _REINSTALL, code="missing_file") from error
    if hashlib.sha256(content).hexdigest() != entry.sha256:
        raise ModelFilesError(
            f"models/{name}",
            "is not the file that was released (its checksum differs).",
            _REINSTALL,
            code="damaged_file",
        )
    return content
