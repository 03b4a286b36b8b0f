"""What a run writes: figures of each variant, and the released files (ONNX, manifest, evidence tables)."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from safetensors.torch import save

from coatclass.durable import write_whole
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory
from coatclass.vision import POOLED, Preprocessing
from training.image.config import Config
from training.image.heads import Looked, Readings, pooled, read_features
from training.image.labels import Labels, TrainingPlan
from training.image.network import HALF_FROM, CoatNetwork, export_onnx
from training.image.pictures import Gallery, Pixels, prepare
from training.places import EVIDENCE, code_sha256, read_csv, sha256, write_csv

NETWORK_FILE = "coat.onnx"
JobReadings = dict[str, dict[float, Looked]]
Look = Literal["said", "first", "near"]

_SHOWN = ("accuracy", "macro_f1", "macro_f1_without_mixed", "log_loss", "soft_log_loss")
_FIGURES = [f"{route}_{name}" for route in ("texture", "kinship", "blend") for name in _SHOWN]
_FIGURES += ["band_accuracy", "band_kappa", "band_log_loss"]
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_PURE = [place for place in range(len(CATEGORIES)) if place != _MIXED]
_LOOKS: tuple[Look, ...] = ("first", "near")
_NO_DOG = 0.0075  # share of dogs that may be taken for no dog at most


def blend(readings: Readings, share: float = 0.5) -> NDArray[np.float32]:
    """Log probabilities (N, 7) of a geometric mean of both routes; the ensemble's simplest stand-in."""
    mixed = (1 - share) * readings.texture + share * readings.kinship
    return mixed - np.logaddexp.reduce(mixed, axis=1, keepdims=True)


def category_figures(log_p: NDArray[np.float32], labels: Labels, chosen: NDArray[np.int64]) -> dict[str, float]:
    """Accuracy, macro-F1 (all; without mixed), log loss against the agreed and against the soft label."""
    from sklearn.metrics import f1_score

    truth, said = labels.category_hard[chosen], log_p[chosen].argmax(1)
    known = np.flatnonzero(truth != _MIXED)
    return {
        "accuracy": float((truth == said).mean()),
        "macro_f1": float(f1_score(truth, said, average="macro", zero_division=0)),
        "macro_f1_without_mixed": float(
            f1_score(
                truth[known],
                said[known],
                average="macro",
                labels=_PURE,
                zero_division=0,
            )
        ),
        "log_loss": float(-log_p[chosen, truth].mean()),
        "soft_log_loss": float(-(labels.category[chosen] * log_p[chosen]).sum(1).mean()),
    }


def band_figures(log_p: NDArray[np.float32], labels: Labels, chosen: NDArray[np.int64]) -> dict[str, float]:
    """Accuracy, quadratic-weighted kappa and log loss of the band on usable photos whose length is visible."""
    from sklearn.metrics import cohen_kappa_score

    seen = chosen[(labels.band_hard[chosen] >= 0) & labels.usable[chosen]]
    truth, said = labels.band_hard[seen], log_p[seen].argmax(1)
    return {
        "band_accuracy": float((truth == said).mean()),
        "band_kappa": float(cohen_kappa_score(truth, said, weights="quadratic")),
        "band_log_loss": float(-log_p[seen, truth].mean()),
    }


def figures(readings: Readings, labels: Labels, chosen: NDArray[np.int64]) -> dict[str, float]:
    """All figures of one run on the chosen photos, each route and their even blend."""
    found: dict[str, float] = {}
    for route, log_p in (("texture", readings.texture), ("kinship", readings.kinship), ("blend", blend(readings))):
        found |= {f"{route}_{name}": value for name, value in category_figures(log_p, labels, chosen).items()}
    return found | band_figures(readings.band, labels, chosen)


def joined(readings: JobReadings, plan: TrainingPlan, by: str, share: float, look: Look = "said") -> Readings:
    """What is said, or seen by one look, of each photo by the network that never saw its fold; test by fold 0's."""
    fold = plan.folds[by]
    parts = [getattr(readings[f"{by}{k}"][share], look) for k in range(int(fold.max()) + 1)]
    rows = np.arange(len(fold))
    return Readings(
        *(
            np.stack([getattr(part, name) for part in parts])[fold.clip(0), rows]
            for name in Readings.__dataclass_fields__
        )
    )


def best_share(config: Config, labels: Labels, plan: TrainingPlan, readings: JobReadings) -> float:
    """The share of fine-tuned weights with the least log loss of both routes' blend on unseen dogs and unseen breeds.

    Both out of fold, over all of train and val: val alone holds too few rare coats to tell shares apart.
    """
    if config.finetune is None:
        return 0.0
    if config.finetune.release_share is not None:
        return config.finetune.release_share

    def cost(share: float) -> float:
        return sum(held_out(labels, plan, readings, by, share)["blend_log_loss"] for by in ("group", "breed"))

    return min(config.shares, key=cost)


def held_out(labels: Labels, plan: TrainingPlan, readings: JobReadings, by: str, share: float) -> dict[str, float]:
    """Figures out of fold over train and val; nothing was trained on the photo's dog (``group``) or ``breed``."""
    return figures(joined(readings, plan, by, share), labels, labels.where("train", "val"))


def add_rows(
    path: Path,
    config: Config,
    labels: Labels,
    plan: TrainingPlan,
    readings: JobReadings,
    *,
    chosen: float,
    minutes: float,
    shift: dict[str, float],
) -> None:
    """Add a row for each share; rows of the same configuration are replaced."""
    rows = [row for row in read_csv(path, optional=True) if row["config"] != config.name]
    for share in config.shares:
        on_val = figures(readings["val"][share].said, labels, labels.where("val"))
        dogs, breeds = (held_out(labels, plan, readings, by, share) for by in ("group", "breed"))
        row: dict[str, object] = {
            "config": config.name,
            "backbone": config.backbone,
            "size": config.size,
            "rule": config.rule,
            "finetuned_share": share,
            "chosen": "yes" if share == chosen else "",
            "seeds": len(config.seeds),
        }
        row |= {f"val_{name}": round(on_val[name], 4) for name in _FIGURES}
        row |= {f"unseen_dogs_{name}": round(dogs[name], 4) for name in _FIGURES}
        row |= {f"unseen_breeds_{name}": round(breeds[name], 4) for name in _FIGURES}
        same = share == chosen
        row |= {f"background_{name}": round(value, 4) if same else "" for name, value in shift.items()}
        row |= {"minutes": round(minutes, 2), "device": _device(), "note": ""}
        rows.append({name: str(value) for name, value in row.items()})
    write_csv(path, list(rows[-1]), rows)


def _device() -> str:
    return torch.cuda.get_device_name() if torch.cuda.is_available() else "CPU"


def background_shift(network: CoatNetwork, gallery: Gallery, labels: Labels, rule: Preprocessing) -> dict[str, float]:
    """Effect of another background on the texture route, on val photos with a trimap.

    The dog is cut out and laid on scikit-learn's two sample pictures. Returns the mean total variation distance between
    the probabilities before and after, and the share of photos whose best category changes.
    """
    from sklearn.datasets import load_sample_image

    chosen = [int(k) for k in labels.where("val") if gallery.masks[k] is not None]
    if not chosen:
        return {"distance": float("nan"), "changed": float("nan")}
    before = _texture(network, [gallery.pictures[k] for k in chosen], rule)
    distance, changed = [], []
    for name in ("china.jpg", "flower.jpg"):
        ground = load_sample_image(name)
        laid = [_laid(gallery.pictures[k], gallery.masks[k], ground) for k in chosen]  # type: ignore[arg-type]
        after = _texture(network, laid, rule)
        distance.append(np.abs(after - before).sum(1).mean() / 2)
        changed.append((after.argmax(1) != before.argmax(1)).mean())
    return {"distance": float(np.mean(distance)), "changed": float(np.mean(changed))}


def _laid(picture: Pixels, mask: Pixels, ground: Pixels) -> Pixels:
    behind = np.asarray(Image.fromarray(ground).resize(mask.shape[::-1]), np.float32)
    share = mask[..., None].astype(np.float32) / 255
    return (picture * share + behind * (1 - share)).astype(np.uint8)


def _texture(network: CoatNetwork, pictures: list[Pixels], rule: Preprocessing) -> NDArray[np.float32]:
    features, _ = pooled(network, prepare(pictures, rule))
    return np.exp(read_features(network, features).texture)


def release_model(
    config: Config,
    labels: Labels,
    plan: TrainingPlan,
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
    final = readings["all"][share]

    def completed(by: str, look: Look = "said") -> Readings:
        return _completed(joined(readings, plan, by, share, look), getattr(final, look), plan.folds[by])

    read = {by: completed(by) for by in plan.folds}
    for by, name in EVIDENCE.items():
        looks = {look: completed(by, look) for look in _LOOKS} if final.near else {}
        write_evidence(out / name, labels, plan.folds[by], read[by], final.dog_share, looks=looks)
    save_weights(network, work / "released.safetensors", half=True)
    export_onnx(network, out / NETWORK_FILE, config.preprocessing)
    sections = {
        "limits": limits(read["group"], labels, config.false_alarms),
        "metrics": {
            "val": figures(readings["val"][share].said, labels, labels.where("val")),
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
    path: Path,
    labels: Labels,
    fold: NDArray[np.int64],
    readings: Readings,
    dog_share: NDArray[np.float32],
    *,
    looks: Mapping[Look, Readings],
) -> None:
    """Write what the model says of every photo, out of fold where ``fold`` >= 0; one row a photo, no pictures.

    And what each of two looks says by itself, so that another rule for the second can be judged without a GPU.
    """
    apart = {f"{look}_{name}": getattr(said, name) for look, said in looks.items() for name in POOLED}
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
        **apart,
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
        "second_look": config.second_look.model_dump() if config.second_look else None,
        **sections,
        "evidence": {name: sha256(folder / name) for name in EVIDENCE.values()},
        "training": {
            "command": "python -m training image",
            "config": config.model_dump(),
            "code_sha256": code_sha256(),
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
