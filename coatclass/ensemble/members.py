"""The fitted coefficients, read from the release and checked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.errors import ModelFilesError
from coatclass.resources import damage_told, read_json, released
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = [
    "MANIFEST",
    "N_BANDS",
    "N_CATEGORIES",
    "N_SCORES",
    "Array",
    "Members",
    "load",
    "read_checked",
    "read_manifest",
]

Array = NDArray[np.float64]
MANIFEST = "models/ensemble.json"
N_CATEGORIES = len(CATEGORIES)
N_BANDS = len(BANDS)
N_SCORES = 3 * N_CATEGORIES + N_BANDS  # texture, kinship, band, outline


@dataclass(frozen=True)
class Members:
    """The released ensemble.

    Attributes:
        version: version of the fit.
        floor: log probabilities of a photo are cut off below this value, so that no photo can veto.
        category_weights (7, 25), category_bias (7,): the member for unseen breeds, a weighted opinion pool
            of texture, kinship and outline.
        length_split (2,): bias and slope of the logit of *drop*, among hair and drop, by the log odds of the longest
            band; of this member alone.
        gate (2,): bias and slope of the logit of this member's gate weight, by the photo's unfamiliarity; the plain
            mean of texture and kinship has the rest.
        compatibility (7, 4): log of how much likelier a band is under a category than on the whole.
        prior (7, 4): log P(category, band) before anything is known.
        photo_prior (7,): log share of each category among the photos that the members learned from.
        answer_weight: exponent of the answers' likelihood, by regime; beside a photo, of what it shows as well.
        category_temperature, band_temperature: by regime; 1 leaves the probabilities as they are.
        unfamiliar_above: photos with a larger unfamiliarity are unlike anything the model has seen.
    """

    version: str
    floor: float
    category_weights: Array
    category_bias: Array
    length_split: Array
    gate: Array
    compatibility: Array
    prior: Array
    photo_prior: Array
    answer_weight: Mapping[str, float]
    category_temperature: Mapping[str, float]
    band_temperature: Mapping[str, float]
    unfamiliar_above: float

    def to_json(self) -> dict[str, Any]:
        """The members as plain JSON values."""
        return {name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in vars(self).items()}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Members:
        """Rebuild the members from :meth:`to_json`; refuse shapes that don't fit the vocabulary.

        Raises:
            ModelFilesError: if a value is missing or has the wrong shape.
        """
        shapes = {
            "category_weights": (N_CATEGORIES, N_SCORES),
            "category_bias": (N_CATEGORIES,),
            "length_split": (2,),
            "gate": (2,),
            "compatibility": (N_CATEGORIES, N_BANDS),
            "prior": (N_CATEGORIES, N_BANDS),
            "photo_prior": (N_CATEGORIES,),
        }
        try:
            values = {name: data[name] for name in cls.__dataclass_fields__}
            arrays = {name: np.asarray(values[name], dtype=np.float64) for name in shapes}
        except (LookupError, TypeError, ValueError) as error:
            raise _damaged("models/ensemble_members.json", f"lacks or garbles {error}.") from error
        for name, shape in shapes.items():
            if arrays[name].shape != shape or not np.isfinite(arrays[name]).all():
                raise _damaged("models/ensemble_members.json", f"holds {name} of the wrong shape or not finite.")
            arrays[name].setflags(write=False)
        return cls(**(values | arrays))


def _damaged(file: str, problem: str) -> ModelFilesError:
    return ModelFilesError(file, problem, "Install coatclass again, or fit the ensemble again.", code="damaged_file")


def read_manifest() -> dict[str, Any]:
    """The ensemble's manifest: version, files with SHA-256, and what it was fitted on.

    Raises:
        ModelFilesError: if it is missing or damaged.
    """
    manifest = read_json(MANIFEST)
    if not isinstance(manifest.get("files"), dict) or not isinstance(manifest.get("image_model"), str):
        raise _damaged(MANIFEST, "does not say what it must.")
    return manifest


def read_checked(file: str) -> dict[str, Any]:
    """A JSON file that the ensemble's manifest names, after its SHA-256 was checked.

    Raises:
        ModelFilesError: if the file is missing or is not the released one.
    """
    with damage_told(f"models/{file}"):
        content = released(f"models/{file}").read_bytes()
    if hashlib.sha256(content).hexdigest() != read_manifest()["files"].get(file):
        raise _damaged(f"models/{file}", "is not the released file (its SHA-256 differs).")
    return read_json(f"models/{file}")


@cache
def load(path: Path | None = None) -> Members:
    """The released members, or those of another fit at ``path`` (a members file, not checked against a manifest)."""
    if path is not None:
        return Members.from_json(json.loads(path.read_text(encoding="utf-8")))
    members = Members.from_json(read_checked("ensemble_members.json"))
    if read_manifest()["image_model"] != read_json("models/manifest.json").get("model_version"):
        raise _damaged(MANIFEST, "was fitted for another image model than models/manifest.json names.")
    return members
