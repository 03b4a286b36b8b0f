"""Tables of what each part of the release is worth, as far as it was measured."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from coatclass.reports.evaluation import Figure

__all__ = ["ablations"]


def ablations(models: Path) -> list[dict[str, Any]]:
    """The tables of what each part is worth, as far as they were measured: image model, ensemble members."""
    image = _table(models / "ablations.csv", _ABLATION_COLUMNS, needed="val_blend_log_loss")
    intervals = _intervals(models / "ablation_intervals.csv")
    members = _table(models / "ensemble_comparison.csv", _MEMBER_COLUMNS)
    found = []
    if image:
        text = (
            "One row a variant, at the share of fine-tuned weights that was chosen out of fold on unseen dogs and "
            "unseen breeds of train and val (0: frozen); figures of the category are those of the mean of texture and "
            "kinship, before the ensemble, without intervals; the next table has those of differences. Other shares, "
            "further columns, and runs without these figures: ablations.csv. Minutes: on the device named there."
        )
        found.append({"id": "ablations", "title": "What each part of the image model is worth", "text": text, **image})
    if intervals:
        found.append(intervals)
    if members:
        text = (
            "Cross-validated over dogs on train and val, on breeds seen and never seen, without intervals; answers are "
            "observed, from the photos. Microseconds are those of scikit-learn for one dog; 0: no fitted member."
        )
        found.append({"id": "members", "title": "What each member of the ensemble is worth", "text": text, **members})
    return found


def _intervals(path: Path) -> dict[str, Any] | None:
    """The paired differences between variants, if they were measured."""
    if not path.exists():
        return None
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))

    def figure(row: dict[str, str], of: str) -> Figure:
        value, low, high = (float(row[f"{of}_{what}"]) for what in ("difference", "low", "high"))
        return Figure(value, low, high, int(row["photos"]))

    shown = [f"{where}_{of}" for where in ("unseen_dogs", "unseen_breeds") for of in ("log_loss", "accuracy")]
    return {
        "id": "ablation_intervals",
        "title": "What tells the variants of the image model apart",
        "text": "Variant minus what it is compared with, on the same photos of train and val, out of fold: blend of "
        "texture and kinship, paired 95 % intervals over dogs, and over breeds where breeds were held out. An interval "
        "that holds 0 tells nothing apart; ends that round to 0 are told more exactly in "
        "ablation_intervals.csv. One run of each is compared: chance in training comes on top. Each variant at half "
        "fine-tuned weights; tuned-lite2 is what most of them change one thing of (its readings were kept in half "
        "precision).",
        "head": [
            "variant", "compared with", "unseen dogs: log loss", "unseen dogs: accuracy", "unseen breeds: log loss",
            "unseen breeds: accuracy",
        ],
        "rows": [[row["config"], row["compared_with"], *(figure(row, of) for of in shown)] for row in rows],
    }  # fmt: skip


def _table(path: Path, columns: dict[str, str], needed: str | None = None) -> dict[str, Any] | None:
    """The columns of a CSV under their titles; rows that lack what is ``needed`` stay in the file only."""
    if not path.exists():
        return None
    with path.open(newline="", encoding="utf-8") as stream:
        reader = csv.DictReader(stream)
        names = [name for name in reader.fieldnames or () if name in columns]
        rows = [[_value(name, row[name]) for name in names] for row in reader if needed is None or row[needed]]
    return {"head": [columns[name] for name in names], "rows": rows}


def _value(column: str, told: str) -> float | str:
    """A figure as a number, so that all are shown with as many digits; anything else as it is told."""
    return float(told) if told and column.endswith(_FIGURES) else told


_ABLATION_COLUMNS = {
    "config": "variant",
    "finetuned_share": "share of fine-tuned weights",
    "chosen": "chosen",
    "seeds": "seeds",
    "val_blend_log_loss": "val: log loss",
    "unseen_dogs_blend_accuracy": "unseen dogs: accuracy",
    "unseen_dogs_blend_macro_f1_without_mixed": "unseen dogs: macro-F1 without mixed",
    "unseen_dogs_blend_log_loss": "unseen dogs: log loss",
    "unseen_dogs_band_kappa": "unseen dogs: band kappa",
    "unseen_breeds_blend_accuracy": "unseen breeds: accuracy",
    "unseen_breeds_blend_log_loss": "unseen breeds: log loss",
    "background_changed": "share of answers changed by another background",
    "minutes": "minutes of training",
}

_MEMBER_COLUMNS = {
    "regime": "regime",
    "member": "member",
    "log_loss": "breeds seen: log loss",
    "accuracy": "breeds seen: accuracy",
    "macro_f1_without_mixed": "breeds seen: macro-F1 without mixed",
    "unseen_log_loss": "breeds never seen: log loss",
    "unseen_accuracy": "breeds never seen: accuracy",
    "microseconds_a_dog": "microseconds a dog",
    "answers": "answers",
}
_FIGURES = ("log_loss", "accuracy", "macro_f1_without_mixed", "band_kappa", "background_changed")
