"""What shapes a run: its configuration, and the statement of what the files in its work folder were made from."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field, ValidationError

from coatclass.contract import Frozen
from coatclass.durable import write_whole
from coatclass.errors import InputError
from coatclass.vision import Preprocessing, SecondLook
from training.image.network import MEAN, STD, kinship_table

ORIGIN_FILE = "origin.json"
_RESULTS = ("*.pt", "*.safetensors", "*.npz")


class Heads(Frozen):
    """L2 strengths of the linear heads, and what the evidence is fitted on."""

    texture_l2: float = 1e-3
    kinship_l2: float = 1e-2
    band_l2: float = 1e-3
    looks_l2: float = 1e-1
    outline_l2: float = 1e-3
    mask_l2: float = 1e-4
    single_l2: float = 1e-1
    class_power: float = Field(default=0.0, ge=0, le=1)  # 0: as they come, 0.5: square root, 1: all classes alike
    flip: bool = True


class Finetune(Frozen):
    """Training of the whole network from the linear probe."""

    epochs: int = 12
    batch: int = 64
    learning_rate: float = 2e-4
    head_learning_rate: float = 5e-4
    weight_decay: float = 1e-2
    ema: float = 0.99
    interpolation: tuple[float, ...] = (0.25, 0.5, 0.75, 1.0)  # shares of the fine-tuned weights to compare
    release_share: float | None = None  # the share that is released; None: the best on val and on unseen breeds
    graphed: bool = True  # on a GPU, record the training step as a CUDA graph
    bfloat16: bool = True  # whether pictures go through the network in bfloat16; losses are always summed in float32
    soft_labels: bool = True
    kinship_weight: float = 0.3
    kinship_gradient: bool = False  # whether kinship may change ImageNet's answers, or only read them
    band_weight: float = 0.5
    mask_weight: float = 0.3
    breed_weight: float = 0.1
    looks_weight: float = 0.0
    keep_weight: float = 0.5  # weight of the loss that keeps ImageNet's answers
    class_power: float = 0.5
    light: Literal["contrast", "gamma"] = "contrast"  # how lighting is augmented (training/image/pictures.py)
    background_swap: float = 0.3  # share of pictures with a trimap that get another background
    trunk_crops: float = 0.0  # share of pictures with a trimap of which only a square of coat is shown, as it is
    # Factors from 1/f to f, by which each seed but 0 changes a setting of this name: what varies averages out better.
    vary: dict[str, float] = Field(default_factory=dict)

    def drawn(self, seed: int) -> Finetune:
        """The settings of one seed: as stated for 0, with ``vary``'s drawn log-uniformly for others."""
        if seed == 0 or not self.vary:
            return self
        random = np.random.default_rng(seed)
        changed = {
            name: getattr(self, name) * float(np.exp(random.uniform(-1, 1) * np.log(factor)))
            for name, factor in sorted(self.vary.items())
        }
        return Finetune.model_validate(self.model_dump() | changed)

    @property
    def loss_weights(self) -> tuple[float, ...]:
        """Weights of texture, kinship, band, mask, breed, looks, keep."""
        return (
            1.0,
            self.kinship_weight,
            self.band_weight,
            self.mask_weight,
            self.breed_weight,
            self.looks_weight,
            self.keep_weight,
        )


class Config(Frozen):
    """One run."""

    name: str
    backbone: str = "lite0"
    size: int = 256
    rule: str = "aspect"
    seeds: tuple[int, ...] = (0,)
    folds: int = 5
    false_alarms: float = 0.02  # share of dogs that may be called unfamiliar at most
    # What the heads see beside the mean over the picture: the mean over the dog, the spread, or nothing.
    second: Literal["dog", "spread", "none"] = "dog"
    second_look: SecondLook | None = None  # when photos are read from nearer as well; shapes readings, no training
    heads: Heads = Heads()
    finetune: Finetune | None = None

    @property
    def shares(self) -> tuple[float, ...]:
        """Shares of fine-tuned weights that are compared; 0 is the frozen network."""
        return (0.0, *self.finetune.interpolation) if self.finetune else (0.0,)

    @property
    def preprocessing(self) -> Preprocessing:
        """How pictures are prepared, as the manifest will state it."""
        return Preprocessing.model_validate(
            {"size": self.size, "rule": self.rule, "mean": (MEAN,) * 3, "std": (STD,) * 3}
        )


def read_config(path: Path) -> Config:
    """Read a configuration; ``base = "other.toml"`` starts from another file and changes what differs.

    Raises:
        InputError: if it can't be read or says something unknown.
    """
    try:
        return Config.model_validate(_merged(path))
    except OSError as error:
        raise InputError(str(path), "can't be read.", "Name a file such as training/configs/frozen.toml.") from error
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise InputError(str(path), f"is no configuration: {error}", "See training/image/config.py.") from error


def _merged(path: Path) -> dict[str, Any]:
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    if "base" not in found:
        return found
    merged = _merged(path.parent / found.pop("base"))
    for key, value in found.items():
        merged[key] = merged.get(key, {}) | value if isinstance(value, dict) else value
    return merged


@dataclass(frozen=True)
class Origin:
    """Digests of what results were made from, by the name used in messages.

    Attributes:
        folder: where that is stated.
        parts: further folders whose results it speaks for; other commands may keep theirs beside them.
    """

    folder: Path
    made_from: Mapping[str, str]
    parts: tuple[Path, ...] = ()

    def check(self) -> None:
        """Refuse a folder whose results were made from something else.

        Raises:
            InputError: if there are any, or if nothing says what they were made from.
        """
        if not any(any(part.glob(results)) for part in (self.folder, *self.parts) for results in _RESULTS):
            return
        path = self.folder / ORIGIN_FILE
        found = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
        other = [f"another {name}" for name, digest in self.made_from.items() if found.get(name) != digest]
        if other:
            raise InputError(
                str(self.folder),
                f"holds results made from {' and '.join(other) if found else 'nobody knows what'}.",
                "Name another folder with --work, or delete this one to begin anew.",
                code="stale_work",
            )

    def write(self) -> None:
        """State what the folder's results are made from."""
        write_whole(self.folder / ORIGIN_FILE, (json.dumps(self.made_from, indent=1) + "\n").encode())


def origins(configs: Sequence[Config], photos: Path, work: Path) -> list[Origin]:
    """Of the whole work folder, and of each configuration's folder in it; the folders are made.

    All results rest on the photos (whose manifest holds their hashes) and on the breed table. A configuration's name is
    no part of it, as it shapes no number, nor are the breed table's columns that no network sees.

    Raises:
        InputError: if two configurations bear one name, and so would share a folder.
    """
    if len({config.name for config in configs}) < len(configs):
        raise InputError("--config", "names two configurations of the same name.", "Give each its own ``name``.")
    shared = {
        "manifest of photos": _digest((photos / "manifest.csv").read_bytes()),
        "breed table": _digest(kinship_table().numpy().tobytes()),
    }
    found = [Origin(work, shared, tuple(work / config.name for config in configs))]
    for config in configs:
        content = json.dumps(config.model_dump(exclude={"name"}), sort_keys=True)
        found.append(Origin(work / config.name, {"configuration": _digest(content.encode())}))
    for origin in found:
        origin.folder.mkdir(parents=True, exist_ok=True)
    return found


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
