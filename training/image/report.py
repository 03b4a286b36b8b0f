"""What a run leaves for people: a row of figures for each configuration and share, in ``ablations.csv``."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image

from coatclass.vision import Preprocessing
from training.image.config import Config
from training.image.features import pooled
from training.image.heads import Readings, read_features
from training.image.jobs import Plan
from training.image.labels import Labels
from training.image.metrics import figures
from training.image.network import CoatNetwork
from training.image.pictures import Gallery, Pixels, prepare

JobReadings = dict[str, dict[float, tuple[Readings, NDArray[np.float32]]]]

_SHOWN = ("accuracy", "macro_f1", "macro_f1_without_mixed", "log_loss", "soft_log_loss")
_FIGURES = [f"{route}_{name}" for route in ("texture", "kinship", "blend") for name in _SHOWN]
_FIGURES += ["band_accuracy", "band_kappa", "band_log_loss"]


def joined(readings: JobReadings, plan: Plan, by: str, share: float) -> Readings:
    """Readings in which each photo was read by the network that never saw its fold; test photos by fold 0's."""
    fold = plan.folds[by]
    parts = [readings[f"{by}{k}"][share][0] for k in range(int(fold.max()) + 1)]
    rows = np.arange(len(fold))
    return Readings(
        *(
            np.stack([getattr(part, name) for part in parts])[fold.clip(0), rows]
            for name in Readings.__dataclass_fields__
        )
    )


def best_share(config: Config, labels: Labels, plan: Plan, readings: JobReadings) -> float:
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


def held_out(labels: Labels, plan: Plan, readings: JobReadings, by: str, share: float) -> dict[str, float]:
    """Figures out of fold over train and val; nothing was trained on the photo's dog (``group``) or ``breed``."""
    return figures(joined(readings, plan, by, share), labels, labels.where("train", "val"))


def add_rows(
    path: Path,
    config: Config,
    labels: Labels,
    plan: Plan,
    readings: JobReadings,
    *,
    chosen: float,
    minutes: float,
    shift: dict[str, float],
) -> None:
    """Add a row for each share; rows of the same configuration are replaced."""
    rows = []
    if path.is_file():
        with path.open(newline="", encoding="utf-8") as stream:
            rows = [row for row in csv.DictReader(stream) if row["config"] != config.name]
    for share in config.shares:
        on_val = figures(readings["val"][share][0], labels, labels.where("val"))
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
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[-1]), lineterminator="\n", extrasaction="ignore", restval="")
        writer.writeheader()
        writer.writerows(rows)


def _device() -> str:
    return torch.cuda.get_device_name() if torch.cuda.is_available() else "CPU"


def background_shift(network: CoatNetwork, gallery: Gallery, labels: Labels, rule: Preprocessing) -> dict[str, float]:
    """What another background does to the texture route, on val photos with a trimap.

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
