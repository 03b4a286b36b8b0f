"""The reference: frozen EfficientNet-Lite2 features of a 260-pixel centre crop and a logistic regression."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from coatclass.reports.evaluation import UNKNOWN, Cases, tables
from coatclass.taxonomy import BANDS, CATEGORIES
from training.evaluation._cases import cases_of_split

__all__ = ["measure_reference"]

_SIDE = 260
_STRENGTHS = (0.0003, 0.001, 0.003, 0.01, 0.03)


def measure_reference(out: Path, work: Path) -> None:
    """Fit on train, choose the regularisation on val, refit on both, measure on test; write ``out``."""
    splits = {name: cases_of_split(name) for name in ("train", "val", "test")}
    work.mkdir(parents=True, exist_ok=True)
    features = _features(splits, work / "reference_features.npz")
    category = _fit_and_predict(features, {name: cases.truth for name, cases in splits.items()}, len(CATEGORIES))
    lengths = {
        name: np.where([case.usable for case in cases.rows], cases.band, UNKNOWN) for name, cases in splits.items()
    }
    band = _fit_and_predict(features, lengths, len(BANDS))
    told = _told(splits["test"], category, band)
    figures = tables(told)
    report = {
        "what": "frozen EfficientNet-Lite2, centre crop 260 px, logistic regression",
        "figures": {part: {k: list(v) for k, v in figures[part].items()} for part in figures},
        "leave_source_out": _source_out(features, splits),
        "breeds": _breeds(features, splits),
    }
    out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")


def _features(splits: dict[str, Cases], kept: Path) -> dict[str, Any]:
    if kept.exists():
        with np.load(kept) as arrays:
            return {name: arrays[name] for name in splits}
    import torch

    from training.image._backbone import load_backbone

    network = load_backbone("lite2").eval()
    torch.set_num_threads(1)
    features = {}
    with torch.inference_mode():
        for name, cases in splits.items():
            rows = [network.forward_features(_picture(case.path)).mean((2, 3))[0].numpy() for case in cases.rows]
            features[name] = np.stack(rows).astype(np.float64)
    np.savez_compressed(kept, **features)
    return features


def _picture(path: Path) -> Any:
    import torch
    from PIL import Image, ImageOps

    image = ImageOps.exif_transpose(Image.open(path)).convert("RGB")
    scale = _SIDE / min(image.size)
    size = (max(_SIDE, round(image.width * scale)), max(_SIDE, round(image.height * scale)))
    left, top = (size[0] - _SIDE) // 2, (size[1] - _SIDE) // 2
    image = image.resize(size, Image.Resampling.BICUBIC).crop((left, top, left + _SIDE, top + _SIDE))
    pixels = (np.asarray(image, dtype=np.float32) / 255 - 0.498) / 0.502
    return torch.from_numpy(pixels.transpose(2, 0, 1)[None])


def _model(strength: float) -> Any:
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return make_pipeline(StandardScaler(), LogisticRegression(C=strength, max_iter=500))


def _predict(model: Any, features: Any, classes: int) -> Any:
    full = np.full((len(features), classes), 1e-6)
    full[:, model.classes_] = model.predict_proba(features)
    return full / full.sum(axis=1, keepdims=True)


def _fit_and_predict(features: dict[str, Any], labels: dict[str, Any], classes: int) -> Any:
    known = {name: of != UNKNOWN for name, of in labels.items()}

    def rows(*names: str) -> tuple[Any, Any]:
        return (
            np.concatenate([features[name][known[name]] for name in names]),
            np.concatenate([labels[name][known[name]] for name in names]),
        )

    on_val, truth = rows("val")

    def loss(strength: float) -> float:
        p = _predict(_model(strength).fit(*rows("train")), on_val, classes)
        return float(-np.log(p[np.arange(len(truth)), truth]).mean())

    best = min(_STRENGTHS, key=loss)
    return _predict(_model(best).fit(*rows("train", "val")), features["test"], classes)


def _told(cases: Cases, category: Any, band: Any) -> Cases:
    from coatclass.contract import CoatEstimate

    return cases.estimated(
        [CoatEstimate(tuple(c), tuple(b), "photo") for c, b in zip(category.tolist(), band.tolist(), strict=True)]
    )


def _source_out(features: dict[str, Any], splits: dict[str, Cases]) -> list[dict[str, Any]]:
    """Frozen features learned on one source of photos and tested on the test photos of the other."""
    rows = []
    for learn, test in (("oxford", "open"), ("open", "oxford"), ("both", "open"), ("both", "oxford")):
        picks = {
            name: np.array([learn in ("both", case.source) for case in splits[name].rows]) for name in ("train", "val")
        }
        x = np.concatenate([features[name][picks[name]] for name in picks])
        y = np.concatenate([splits[name].truth[picks[name]] for name in picks])
        held_out = np.array([case.source == test for case in splits["test"].rows])
        truth = splits["test"].truth[held_out]
        p = _predict(_model(0.003).fit(x, y), features["test"][held_out], len(CATEGORIES))
        right = p.argmax(axis=1) == truth
        loss = -np.log(p[np.arange(len(truth)), truth]).mean()
        rows.append({"learned_on": learn, "tested_on": test, "n": len(truth)})
        rows[-1] |= {"accuracy": round(float(right.mean()), 4), "log_loss": round(float(loss), 4)}
    return rows


def _breeds(features: dict[str, Any], splits: dict[str, Cases]) -> dict[str, Any]:
    """Naming the dog breeds of the Oxford set, as a look at the features (Parkhi et al. 2012: 59 % on 37 breeds)."""
    picks = {name: np.array([case.source == "oxford" for case in cases.rows]) for name, cases in splits.items()}
    names = {name: np.array([case.breed for case in cases.rows])[picks[name]] for name, cases in splits.items()}
    x = np.concatenate([features[name][picks[name]] for name in ("train", "val")])
    model = _model(0.003).fit(x, np.concatenate([names["train"], names["val"]]))
    right = model.predict(features["test"][picks["test"]]) == names["test"]
    return {"breeds": len(model.classes_), "test_photos": len(right), "accuracy": round(float(right.mean()), 4)}
