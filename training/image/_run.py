"""The steps of a run in their order; each leaves a file in the work folder, so that a broken run goes on from there."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.image._backbone import load_backbone
from training.image._config import Config
from training.image._features import fit_mask, pooled, prepare, read_grids
from training.image._heads import Readings, fit_heads, out_of_fold, read_features
from training.image._labels import Labels, folds, read_labels
from training.image._metrics import figures
from training.image._network import CoatNetwork
from training.image._release import export_onnx, write_evidence, write_manifest

_DOG_LIMIT_QUANTILE = 0.005  # share of training dogs that may be called no dog


def train(config: Config, photos: Path, out: Path, work: Path) -> None:
    """One run from photos to released files."""
    started = time.perf_counter()
    torch.manual_seed(config.seeds[0])
    work = work / config.name
    work.mkdir(parents=True, exist_ok=True)
    out.mkdir(parents=True, exist_ok=True)
    labels = read_labels(photos)
    network, views, share = _frozen(config, photos, labels, work)
    _release(config, labels, network, views, share=share, out=out, started=started)


def _frozen(
    config: Config, photos: Path, labels: Labels, work: Path
) -> tuple[CoatNetwork, list[Tensor], NDArray[np.float32]]:
    """The network with ImageNet's backbone and a fitted mask; features of all photos, and share of dog."""
    network = CoatNetwork(load_backbone(config.backbone))
    kept = work / "frozen.pt"
    if kept.is_file():
        found = torch.load(kept, weights_only=True)
        network.load_state_dict(found["network"])
        return network, found["views"], found["share"].numpy()
    prepared = prepare([photos / file for file in labels.file], config.preprocessing)
    learn = {int(k): Path(labels.file[k]).stem for k in labels.where("train") if labels.source[k] == "oxford"}
    fit_mask(network, prepared, read_grids(photos, learn, prepared), l2=config.heads.mask_l2, seed=0)
    plain, share = pooled(network, prepared)
    views = [plain] + ([pooled(network, prepared, flip=True)[0]] if config.heads.flip else [])
    torch.save({"network": network.state_dict(), "views": views, "share": share}, kept)
    return network, views, share.numpy()


def _release(
    config: Config,
    labels: Labels,
    network: CoatNetwork,
    views: list[Tensor],
    *,
    share: NDArray[np.float32],
    out: Path,
    started: float,
) -> None:
    """Figures on val and on unseen breeds; then heads on train and val together, exported."""
    fit_heads(network, views, labels, labels.where("train"), config.heads)
    on_val = figures(read_features(network, views[0]), labels, labels.where("val"))
    known = labels.where("train", "val")
    by_breed = _folds(labels, known, labels.breed.astype(str), config)
    unseen = out_of_fold(network, views, labels, by_breed, config.heads)
    by_group = _folds(labels, known, labels.group, config)
    readings = out_of_fold(network, views, labels, by_group, config.heads)
    write_evidence(out / "evidence_unseen_breeds.npz", labels, by_breed, unseen, share)
    write_evidence(out / "evidence.npz", labels, by_group, readings, share)
    export_onnx(network, out / "coat.onnx", config.size)
    sections = {
        "limits": limits(readings, labels, config.false_alarms),
        "metrics": {
            "val": on_val,
            "out_of_fold": figures(readings, labels, known),
            "unseen_breeds": figures(unseen, labels, known),
        },
        "minutes": round((time.perf_counter() - started) / 60, 1),
    }
    write_manifest(out, config, sections)
    print(json.dumps(sections, indent=1))


def limits(readings: Readings, labels: Labels, false_alarms: float) -> dict[str, Any]:
    """Limits from readings out of fold: at most ``false_alarms`` of val's dogs are called unfamiliar."""
    val, known = labels.where("val"), labels.where("train", "val")
    unfamiliar = float(np.quantile(readings.unfamiliarity[known], 1 - false_alarms))
    no_dog = float(np.quantile(readings.dog_probability[known], _DOG_LIMIT_QUANTILE))
    return {
        "unfamiliarity": unfamiliar,
        "dog_probability": no_dog,
        "false_alarms_on_val": {
            "unfamiliarity": float((readings.unfamiliarity[val] > unfamiliar).mean()),
            "dog_probability": float((readings.dog_probability[val] < no_dog).mean()),
        },
    }


def _folds(labels: Labels, chosen: NDArray[np.int64], keys: NDArray[np.str_], config: Config) -> NDArray[np.int64]:
    fold = np.full(len(labels), -1)
    fold[chosen] = folds(keys[chosen], labels.category_hard[chosen], config.folds, config.seeds[0])
    return fold
