"""From a fitted network to released files: ONNX with half-precision storage, manifest, evidence tables."""

from __future__ import annotations

import json
import platform
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors.torch import save

from coatclass.durable import write_whole
from coatclass.taxonomy import BANDS, CATEGORIES
from training.image.config import Config
from training.image.export import HALF_FROM, export_onnx
from training.image.heads import Readings
from training.image.jobs import Plan
from training.image.labels import Labels
from training.image.metrics import figures
from training.image.network import CoatNetwork
from training.image.report import JobReadings, joined
from training.places import EVIDENCE, commit, sha256

NETWORK_FILE = "coat.onnx"
_NO_DOG = 0.0075  # share of dogs that may be called no dog


def release_model(
    config: Config,
    labels: Labels,
    plan: Plan,
    readings: JobReadings,
    network: CoatNetwork,
    *,
    share: float,
    out: Path,
    work: Path,
    minutes: float,
    shift: dict[str, float],
    processes: int,
) -> None:
    """Write everything that is released: network, evidence out of fold, manifest with limits and figures."""
    known = labels.where("train", "val")
    final, dog_share = readings["all"][share]
    read = {by: _completed(joined(readings, plan, by, share), final, fold) for by, fold in plan.folds.items()}
    for by, name in EVIDENCE.items():
        write_evidence(out / name, labels, plan.folds[by], read[by], dog_share)
    save_weights(network, work / "released.safetensors", half=True)
    export_onnx(network, out / NETWORK_FILE, config.preprocessing)
    sections = {
        "limits": limits(read["group"], labels, config.false_alarms),
        "metrics": {
            "val": figures(readings["val"][share][0], labels, labels.where("val")),
            "out_of_fold": figures(read["group"], labels, known),
            "unseen_breeds": figures(read["breed"], labels, known),
            "unseen_sources": figures(read["source"], labels, known),
            "background": shift,
        },
        "finetuned_share": share,
        "minutes": round(minutes, 1),
    }
    write_manifest(out, config, sections, processes=processes)


def save_weights(network: CoatNetwork, path: Path, *, half: bool = False) -> None:
    """Write the network for torch; with ``half``, large tensors in half precision, as in the released file."""
    state = {name: value.detach().cpu().contiguous() for name, value in network.state_dict().items()}
    write_whole(path, save({name: value.half() if half and _large(value) else value for name, value in state.items()}))


def _large(value: torch.Tensor) -> bool:
    return value.is_floating_point() and value.numel() >= HALF_FROM


def _completed(readings: Readings, final: Readings, fold: NDArray[np.int64]) -> Readings:
    """Readings out of fold, with the released network's where no fold holds the photo (the test split)."""
    columns = []
    for name in Readings.__dataclass_fields__:
        column = getattr(readings, name).copy()
        column[fold < 0] = getattr(final, name)[fold < 0]
        columns.append(column)
    return Readings(*columns)


def limits(readings: Readings, labels: Labels, false_alarms: float) -> dict[str, Any]:
    """Limits from readings out of fold: at most ``false_alarms`` of the dogs are called unfamiliar."""
    val, known = labels.where("val"), labels.where("train", "val")
    unfamiliar = float(np.quantile(readings.unfamiliarity[known], 1 - false_alarms))
    no_dog = float(np.quantile(readings.dog_margin[known], _NO_DOG))
    return {
        "unfamiliarity": unfamiliar,
        "dog_margin": no_dog,
        "false_alarms_on_val": {
            "unfamiliarity": float((readings.unfamiliarity[val] > unfamiliar).mean()),
            "dog_margin": float((readings.dog_margin[val] < no_dog).mean()),
        },
    }


def write_evidence(
    path: Path, labels: Labels, fold: NDArray[np.int64], readings: Readings, dog_share: NDArray[np.float32]
) -> None:
    """Write what the model says of every photo, out of fold where ``fold`` >= 0; one row a photo, no pictures."""
    np.savez_compressed(
        path,
        photo_id=labels.photo_id,
        split=labels.split,
        group=labels.group,
        breed=np.array(labels.breeds)[labels.breed],
        fold=fold,
        texture=readings.texture,
        kinship=readings.kinship,
        band=readings.band,
        dog_probability=readings.dog_probability,
        unfamiliarity=readings.unfamiliarity,
        single_dog_probability=readings.single_dog_probability,
        dog_margin=readings.dog_margin,
        looks=readings.looks,
        outline=readings.outline,
        dog_share=dog_share.astype(np.float32),
    )


def write_manifest(folder: Path, config: Config, sections: dict[str, Any], *, processes: int) -> None:
    """Write this model's part of ``manifest.json``; sections that other commands keep there are left as they are."""
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    network = folder / NETWORK_FILE
    digest = sha256(network)
    manifest.setdefault("files", {})[NETWORK_FILE] = {"sha256": digest, "bytes": network.stat().st_size}
    manifest |= {
        "model_version": f"{config.name}-{digest[:8]}",
        "network": NETWORK_FILE,
        "preprocessing": config.preprocessing.model_dump(),
        "categories": [str(category) for category in CATEGORIES],
        "bands": [str(band) for band in BANDS],
        "second_look": config.second_look,
        **sections,
        "evidence": {name: sha256(folder / name) for name in EVIDENCE.values()},
        "training": {
            "command": "python -m training image",
            "config": config.model_dump(),
            "commit": commit(),
            "date": datetime.now(UTC).date().isoformat(),
            "environment": environment(processes),
        },
    }
    path.write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")


def environment(processes: int) -> dict[str, str | int]:
    """Versions of what shapes the numbers, and how many GPUs and processes there were."""
    device = torch.cuda.get_device_name() if torch.cuda.is_available() else "CPU"
    packages = ("torch", "timm", "numpy", "pillow", "scikit-learn", "albumentations", "onnx", "onnxruntime")
    return {
        "python": platform.python_version(),
        "device": device,
        "gpus": torch.cuda.device_count(),
        "processes": processes,
        **{name: version(name) for name in packages},
    }
