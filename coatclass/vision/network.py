"""The released network on ONNX Runtime; its files are checked before they are loaded.

Its manifest says which files belong to it, how to prepare a picture, and which limits hold."""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from coatclass.contract import PhotoEvidence
from coatclass.errors import ModelFilesError
from coatclass.resources import damage_told, released
from coatclass.vision.preprocess import Preprocessing, around_dog, to_tensor

if TYPE_CHECKING:
    from PIL import Image

_REINSTALL = "Install coatclass again, or fit the model with: python -m training image"


class _ManifestEntry(BaseModel):
    """A part of the manifest; other rooms keep sections of their own beside it, so unknown keys are left alone."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class ReleasedFile(_ManifestEntry):
    """A file of the release and the checksum it must have."""

    sha256: str
    bytes: int


class ModelLimits(_ManifestEntry):
    """Limits chosen on validation photos.

    Attributes:
        unfamiliarity: a photo with a greater score is unlike anything the model was trained on.
        dog_margin: below it the picture shows no dog, nats.
    """

    unfamiliarity: float
    dog_margin: float


class SecondLook(_ManifestEntry):
    """The network reads what the dog fills of a picture as well, and the coat is the mean of both looks.

    Attributes:
        unless: the first look is enough where its routes' mean gives one coat at least this probability,
        margin: and the dog's margin over other animals and things is at least this, nats.
    """

    unless: float = Field(gt=0)
    margin: float


class VisionManifest(_ManifestEntry):
    """What the image model's part of ``models/manifest.json`` says; ``second_look`` is None where it looks once."""

    model_version: str
    network: str
    files: dict[str, ReleasedFile]
    preprocessing: Preprocessing
    limits: ModelLimits
    categories: tuple[str, ...]
    bands: tuple[str, ...]
    second_look: SecondLook | None = None


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


OUTPUTS = (
    "texture",
    "kinship",
    "band",
    "dog_probability",
    "unfamiliarity",
    "single_dog_probability",
    "dog_margin",
    "looks",
    "outline",
    "mask",
)
"""The network's outputs, in order: log probabilities (1, 7), (1, 7), (1, 4); four of (1,); looks (1, 14);
outline (1, 7), log probabilities; mask (1, rows, columns)."""

POOLED = ("texture", "kinship", "band", "outline", "unfamiliarity", "dog_margin")
"""The outputs that a second look from nearer is pooled with."""

LOOKS = {
    "curl": ("straight", "wavy", "curly"),
    "lie": ("lies_flat", "stands_off", "hangs"),
    "furnishings": ("false", "true"),
    "feel": ("soft", "silky", "harsh", "cottony", "woolly"),
}
"""What an observer may say of the coat on a photo, in the order of the output ``looks``; the length comes last."""


Array = NDArray[np.floating[Any]]
_LEAST = -30.0  # a probability of 1e-13: impossible for all purposes


class Opened(Protocol):
    """An opened photo: anything with an upright RGB picture."""

    @property
    def image(self) -> Image.Image:
        """The upright picture."""


@dataclass(frozen=True)
class Look:
    """What the network read and where it looked.

    Attributes:
        evidence: the numbers for the ensemble.
        mask: how far each part of the picture is dog, (rows, columns) float32 in [0, 1], coarse, over the
            part of the picture that the network saw (all of it unless the manifest's rule is ``crop``).
    """

    evidence: PhotoEvidence
    mask: NDArray[np.float32]


def _threads() -> int:
    """Threads inside one picture: every core, unless ``OMP_NUM_THREADS`` says how many.

    Whoever reads many pictures spreads them over processes and sets it to 1. The outputs are the same to the bit.
    """
    asked = os.environ.get("OMP_NUM_THREADS", "")
    return int(asked) if asked.isdecimal() and int(asked) else os.cpu_count() or 1


class VisionModel:
    """A network and the manifest it came with; read-only, safe to share between threads."""

    def __init__(self, manifest: VisionManifest, network: bytes) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = _threads()
        options.inter_op_num_threads = 1
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # leaves the cores alone
        options.log_severity_level = 3
        self.manifest = manifest
        self._session: Any = onnxruntime.InferenceSession(network, options, providers=["CPUExecutionProvider"])

    def outputs(self, tensor: NDArray[np.float32]) -> dict[str, NDArray[np.float32]]:
        """Run the network on a prepared input (1, 3, height, width); values as in :data:`OUTPUTS`."""
        return dict(zip(OUTPUTS, self._session.run(list(OUTPUTS), {"picture": tensor}), strict=True))

    def look(self, image: Image.Image, *, file: str) -> Look:
        """Read one upright picture; what is said of the coat also from nearer, where the manifest asks for it."""
        read = self.outputs(to_tensor(image, self.manifest.preprocessing))
        mask, rule = read["mask"][0], self.manifest.second_look
        again = rule and not no_doubt(rule, read["texture"], read["kinship"], read["dog_margin"])[0]
        box = around_dog(*image.size, mask) if again else None
        if box is not None:
            near = self.outputs(to_tensor(image.crop(box), self.manifest.preprocessing))
            read |= {name: pooled_looks(name, read[name], near[name]) for name in POOLED}
        evidence = PhotoEvidence(
            file=file,
            texture=row_of(read["texture"]),
            kinship=row_of(read["kinship"]),
            band=row_of(read["band"]),
            dog_probability=float(read["dog_probability"][0]),
            dog_share=float(mask.mean()),
            unfamiliarity=float(read["unfamiliarity"][0]),
            model_version=self.manifest.model_version,
            single_dog_probability=float(read["single_dog_probability"][0]),
            dog_margin=float(read["dog_margin"][0]),
            looks=row_of(read["looks"]),
            outline=row_of(read["outline"]),
        )
        return Look(evidence, mask)


def no_doubt(rule: SecondLook, texture: Array, kinship: Array, dog_margin: Array) -> NDArray[np.bool_]:
    """Where a first look is enough, (N,), by its log probabilities of the coat, (N, 7) each, and margins (N,)."""
    mean = (texture.clip(_LEAST) + kinship.clip(_LEAST)) / 2
    coat = mean.max(axis=1) - np.logaddexp.reduce(mean, axis=1)
    enough: NDArray[np.bool_] = (coat >= np.log(rule.unless)) & (dog_margin >= rule.margin)
    return enough


def pooled_looks(name: str, whole: NDArray[np.float32], near: NDArray[np.float32]) -> NDArray[np.float32]:
    """One of :data:`POOLED` by two looks at the same dogs: of log probabilities (N, K) the normalised mean (a
    logarithmic opinion pool, Genest and Zidek 1986), of the dog's margin (N,) the larger one, for no dog is refused
    unless both looks agree; of another number (N,) the mean."""
    if name == "dog_margin":
        return np.maximum(whole, near)
    mean: NDArray[np.float32] = (whole.clip(_LEAST) + near.clip(_LEAST)) / 2
    return mean if mean.ndim == 1 else mean - np.logaddexp.reduce(mean, axis=1, keepdims=True)


def both_looks(rule: SecondLook, first: Mapping[str, Array], near: Mapping[str, Array]) -> dict[str, Array]:
    """Some of :data:`POOLED` of N pictures, by both looks or by the first where it leaves no doubt, as at run time.

    And by the first where ``near`` holds NaN: the second look was not taken.

    Args:
        first, near: those outputs by each look; texture, kinship and dog_margin must be among them.
    """
    again = ~no_doubt(rule, first["texture"], first["kinship"], first["dog_margin"]) & np.isfinite(near["dog_margin"])
    found = {name: values.copy() for name, values in first.items()}
    for name, said in found.items():
        said[again] = pooled_looks(name, said[again], near[name][again])
    return found


def row_of(values: NDArray[np.float32]) -> tuple[float, ...]:
    """Log probabilities as plain numbers; the network's may be minus infinity, which JSON can't write."""
    return tuple(max(float(value), _LEAST) for value in values[0])


_loading = threading.Lock()


def load_model(folder: Path | None = None) -> VisionModel:
    """Load a model once per process: the released one, or one in a folder of the same layout.

    Raises:
        ModelFilesError: if a file is missing or is not the one that was released.
    """
    with _loading:  # a model that is being loaded ahead is waited for, not loaded twice
        return _loaded(folder)


@cache
def _loaded(folder: Path | None) -> VisionModel:
    manifest = read_manifest(folder)
    with damage_told("models/manifest.json"):
        entry = manifest.files[manifest.network]
    return VisionModel(manifest, checked_bytes(manifest.network, entry, folder))


def look(image: Image.Image | Opened, *, file: str) -> Look:
    """Read a picture with the released model: the evidence, and the mask of what was looked at.

    Raises:
        ModelFilesError: if the released files are missing or damaged.
    """
    from PIL import Image

    picture = image if isinstance(image, Image.Image) else image.image
    return load_model().look(picture, file=file)


def read(image: Image.Image | Opened, *, file: str) -> PhotoEvidence:
    """Read a picture with the released model.

    Args:
        image: an upright RGB picture, or an opened photo that holds one as ``.image``.
        file: the name that the evidence carries.

    Raises:
        ModelFilesError: if the released files are missing or damaged.
    """
    return look(image, file=file).evidence
