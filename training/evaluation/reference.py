"""The reference: frozen EfficientNet-Lite2 features of a 260-pixel centre crop and a logistic regression.

What it says of each photo is kept, so that the release can be compared with it photo by photo.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from coatclass.errors import InputError
from coatclass.reports.evaluation import UNKNOWN, LabelledPhotos, tables
from coatclass.taxonomy import BANDS, CATEGORIES
from training.ensemble.data import manifest_rows
from training.evaluation.cases import EVIDENCE, cases_of_split

__all__ = ["PHOTOS_FILE", "measure_reference", "reference_cases"]

PHOTOS_FILE = "reference_photos.npz"
_CLASSES = {"category": len(CATEGORIES), "band": len(BANDS)}
_SIDE = 260
_STRENGTHS = (0.0003, 0.001, 0.003, 0.01, 0.03)


def measure_reference(out: Path, work: Path) -> None:
    """Fit on train, choose the regularisation on val, refit on both, measure on test; write ``out``.

    Beside it, ``reference_photos.npz`` holds log P(category) of each test photo, and of each photo of train and val by
    models that never saw its dog, its breed or its source: the folds are those of the evidence files in that folder.
    """
    splits = {name: cases_of_split(name) for name in ("train", "val", "test")}
    work.mkdir(parents=True, exist_ok=True)
    features = _features(splits, work / "reference_features.npz")
    labels = {"category": {name: cases.truth for name, cases in splits.items()}, "band": _lengths(splits)}
    strengths = {what: _best_strength(features, labels[what], _CLASSES[what]) for what in _CLASSES}
    said = {
        what: _fit_and_predict(features, labels[what], classes, strengths[what]) for what, classes in _CLASSES.items()
    }
    figures = tables(_told(splits["test"], said["category"], said["band"]))
    report = {
        "what": "frozen EfficientNet-Lite2, centre crop 260 px, logistic regression",
        "figures": {part: {k: list(v) for k, v in figures[part].items()} for part in figures},
        "leave_source_out": _source_out(features, splits),
        "breeds": _breeds(features, splits),
    }
    out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    parts = {"test": {"file": np.array(_files(splits["test"])), **said}}
    parts |= _out_of_fold(features, splits, labels, strengths, out.parent)
    _keep(parts, out.with_name(PHOTOS_FILE))


def _lengths(splits: dict[str, LabelledPhotos]) -> dict[str, Any]:
    """The bands of each split, UNKNOWN where the coat's length can't be judged."""
    return {name: np.where([case.usable for case in cases.rows], cases.band, UNKNOWN) for name, cases in splits.items()}


def _files(*parts: LabelledPhotos) -> list[str]:
    return [case.file for cases in parts for case in cases.rows]


def _keep(parts: dict[str, dict[str, Any]], path: Path) -> None:
    arrays = {}
    for part, of in parts.items():
        arrays[f"{part}:file"] = of["file"]
        for what in _CLASSES:  # half precision: three digits of a logarithm, half the bytes
            arrays[f"{part}:log_{what}"] = np.log(of[what]).astype(np.float16)
    np.savez_compressed(path, **arrays)


def reference_cases(cases: LabelledPhotos, models: Path, part: str) -> LabelledPhotos | None:
    """The cases with what the reference said of each by its photo; None if that was not kept.

    Args:
        part: ``test``; or, out of fold, by what the reference had not seen: ``dog``, ``breed``, ``source``.

    Raises:
        InputError: if it was kept of other photos.
    """
    path = models / PHOTOS_FILE
    if not path.exists():
        return None
    with np.load(path, allow_pickle=False) as arrays:
        if f"{part}:file" not in arrays:
            return None
        place = {file: row for row, file in enumerate(arrays[f"{part}:file"].tolist())}
        said = {what: np.exp(arrays[f"{part}:log_{what}"].astype(np.float64)) for what in _CLASSES}
    missing = [case.file for case in cases.rows if case.file not in place]
    if missing:
        raise InputError(
            str(path),
            f"lacks {len(missing)} of the photos, such as {missing[0]}.",
            "Make it again with: python -m training evaluate --reference",
        )
    rows = [place[case.file] for case in cases.rows]
    category, band = (said[what][rows] / said[what][rows].sum(axis=1, keepdims=True) for what in _CLASSES)
    return _told(cases, category, band)


def _out_of_fold(
    features: dict[str, Any],
    splits: dict[str, LabelledPhotos],
    labels: dict[str, Any],
    strengths: dict[str, float],
    models: Path,
) -> dict[str, dict[str, Any]]:
    """Files, P(category) and P(band) over train and val, for each kind of folds that the release has."""
    pool = ("train", "val")
    x = np.concatenate([features[name] for name in pool])
    files = _files(*(splits[name] for name in pool))
    parts = {}
    for unseen, name in EVIDENCE.items():
        if not (models / name).exists():
            continue
        fold = _fold(files, models / name)
        parts[unseen] = {"file": np.array(files)}
        for what, classes in _CLASSES.items():
            y = np.concatenate([labels[what][name] for name in pool])
            p = np.zeros((len(files), classes))
            for held_out in sorted(set(fold.tolist())):
                learn = (fold != held_out) & (y != UNKNOWN)
                model = _model(strengths[what]).fit(x[learn], y[learn])
                p[fold == held_out] = _predict(model, x[fold == held_out], classes)
            parts[unseen][what] = p
    return parts


def _fold(files: list[str], evidence: Path) -> Any:
    """The fold in which the release held out each photo."""
    file_of = {photo: row["file"] for photo, row in manifest_rows().items()}
    with np.load(evidence, allow_pickle=False) as arrays:
        pairs = zip(arrays["photo_id"].tolist(), arrays["fold"].tolist(), strict=True)
        fold_of = {file_of[photo]: fold for photo, fold in pairs}
    return np.array([fold_of[file] for file in files])


def _features(splits: dict[str, LabelledPhotos], kept: Path) -> dict[str, Any]:
    if kept.exists():
        with np.load(kept) as arrays:
            return {name: arrays[name] for name in splits}
    import torch

    from training.image.network import load_backbone

    network: Any = load_backbone("lite2").eval()
    torch.set_num_threads(1)
    features = {}
    with torch.inference_mode():
        for name, cases in splits.items():
            rows = [network.forward_features(_picture(case.path)).mean((2, 3))[0].numpy() for case in cases.rows]
            features[name] = np.stack(rows).astype(np.float64)
    np.savez_compressed(kept, **features)  # type: ignore[arg-type]  # numpy's stub takes keywords for its own
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


def _rows(features: dict[str, Any], labels: dict[str, Any], *names: str) -> tuple[Any, Any]:
    """Features and labels of the photos of these splits whose label is known."""
    known = {name: labels[name] != UNKNOWN for name in names}
    return (
        np.concatenate([features[name][known[name]] for name in names]),
        np.concatenate([labels[name][known[name]] for name in names]),
    )


def _best_strength(features: dict[str, Any], labels: dict[str, Any], classes: int) -> float:
    """The regularisation with the least log loss on val, fitted on train."""
    on_val, truth = _rows(features, labels, "val")

    def loss(strength: float) -> float:
        p = _predict(_model(strength).fit(*_rows(features, labels, "train")), on_val, classes)
        return float(-np.log(p[np.arange(len(truth)), truth]).mean())

    return min(_STRENGTHS, key=loss)


def _fit_and_predict(features: dict[str, Any], labels: dict[str, Any], classes: int, strength: float) -> Any:
    model = _model(strength).fit(*_rows(features, labels, "train", "val"))
    return _predict(model, features["test"], classes)


def _told(cases: LabelledPhotos, category: Any, band: Any) -> LabelledPhotos:
    from coatclass.contract import CoatEstimate

    return cases.estimated(
        [CoatEstimate(tuple(c), tuple(b), "photo") for c, b in zip(category.tolist(), band.tolist(), strict=True)]
    )


def _source_out(features: dict[str, Any], splits: dict[str, LabelledPhotos]) -> list[dict[str, Any]]:
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


def _breeds(features: dict[str, Any], splits: dict[str, LabelledPhotos]) -> dict[str, Any]:
    """Breed classification on the Oxford set, as a check of the features (Parkhi et al. 2012: 59 % on 37 breeds)."""
    picks = {name: np.array([case.source == "oxford" for case in cases.rows]) for name, cases in splits.items()}
    names = {name: np.array([case.breed for case in cases.rows])[picks[name]] for name, cases in splits.items()}
    x = np.concatenate([features[name][picks[name]] for name in ("train", "val")])
    model = _model(0.003).fit(x, np.concatenate([names["train"], names["val"]]))
    right = model.predict(features["test"][picks["test"]]) == names["test"]
    return {"breeds": len(model.classes_), "test_photos": len(right), "accuracy": round(float(right.mean()), 4)}
