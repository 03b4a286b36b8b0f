"""Breeds that training never saw, out of fold, and what each part of the model is worth."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from coatclass.contract import Verdict
from coatclass.ensemble import load as load_members
from coatclass.reports.evaluation import Case, Cases, by_confidence, mixed_section, tables, with_decisions
from training.ensemble._data import load
from training.ensemble._members import fold_members
from training.evaluation._cases import cases_of_evidence

__all__ = ["ablations", "mixed_out_of_fold", "sure_and_unsure", "unseen_breeds"]

_CONFIG = Path(__file__).resolve().parent.parent / "configs" / "ensemble.toml"
# What the released ensemble has and a fold's members have not: set on all folds together.
_KEPT = ("photo_gain", "answer_weight", "category_temperature", "band_temperature", "unfamiliar_above")
_SHOWN = (
    "accuracy",
    "macro_f1_without_mixed",
    "log_loss",
    "coverage_at_2_percent_error",
    "coverage_at_5_percent_error",
)


@cache
def _cross_fitted(models: Path, *, unseen: bool) -> Cases:
    """The pool out of fold: no network and no member of the ensemble was fitted on the dog that it reads.

    Temperatures and thresholds, a handful of numbers, are the released ones.
    """
    data = load(models / "evidence.npz")
    config = tomllib.loads(_CONFIG.read_text(encoding="utf-8"))
    pool, released = data.take(data.split != "test"), load_members()
    rows: list[Case] = []
    for held_out, fitted in fold_members(pool, config):
        members = replace(fitted, **{name: getattr(released, name) for name in _KEPT})
        rows += with_decisions(cases_of_evidence(pool.take(held_out), unseen=unseen), members=members).rows
    return Cases(tuple(rows))


def unseen_breeds(models: Path, resamples: int) -> dict[str, Any]:
    """Leave-breeds-out: the same photos read by networks that knew the breed and by networks that never saw it."""
    rows = []
    for name, unseen in (("breed seen in training", False), ("breed never seen", True)):
        cases = _cross_fitted(models, unseen=unseen)
        figures = tables(cases, resamples=resamples)
        settled = _settled(cases)
        rows.append([name, *(figures["category"][key] for key in _SHOWN), *settled])
        rows[-1].append(figures["band"]["quadratic_weighted_kappa"])
    return {
        "id": "unseen_breeds",
        "title": "Breeds that training never saw",
        "text": f"Leave-breeds-out cross-validation on the {len(cases.rows)} photos of train and val, members of the "
        "ensemble cross-fitted by dog. In the second row no photo of the dog's breed was in the network's training.",
        "head": [
            "", "accuracy", "macro-F1 without mixed", "log loss", "answered at 2 % error", "answered at 5 % error",
            "settled", "of these wrong", "band kappa",
        ],
        "rows": rows,
    }  # fmt: skip


def _settled(cases: Cases) -> tuple[float, float]:
    judged = cases.judged
    wrong = judged.p_category.argmax(axis=1) != judged.truth
    settled = np.array([bool(case.decision and case.decision.verdict is Verdict.SETTLED) for case in judged.rows])
    return float(settled.mean()), float(wrong[settled].mean()) if settled.any() else 0.0


def mixed_out_of_fold(models: Path) -> dict[str, Any]:
    """The dangerous error on the mixed coats of train and val, read out of fold."""
    return mixed_section(_cross_fitted(models, unseen=False))


def sure_and_unsure(models: Path, resamples: int) -> dict[str, Any]:
    """Accuracy out of fold by how sure the annotators were: four times as many border cases as the test split has."""
    rows = by_confidence(_cross_fitted(models, unseen=False), resamples=resamples)
    shown = ("n", "accuracy", "log_loss", "settled", "wrong_among_settled")
    return {
        "id": "sure_and_unsure",
        "title": "Border cases, out of fold",
        "text": "Train and val, read by networks and members that never saw the dog, by the less sure annotator's "
        "confidence; photos that two people labelled.",
        "head": ["confidence", "photos", "accuracy", "log loss", "settled", "settled and wrong"],
        "rows": [[f"{row['confidence']:g}", *(row[key] for key in shown)] for row in rows],
    }


def ablations(models: Path) -> list[dict[str, Any]]:
    """The tables of what each part is worth, as far as they were measured: image model, ensemble members."""
    image = _table(models / "ablations.csv", _ABLATION_COLUMNS, needed="val_blend_log_loss")
    members = _table(models / "ensemble_comparison.csv", None)
    found = []
    if image:
        text = (
            "One row a variant, chosen out of fold on unseen dogs and unseen breeds of train and val; blend: mean of "
            "texture and kinship, before the ensemble. Further "
            "columns, and runs without these figures: ablations.csv. Minutes are those of the device named there."
        )
        found.append({"id": "ablations", "title": "What each part of the image model is worth", "text": text, **image})
    if members:
        text = (
            "Cross-validated over groups on train and val, on breeds seen and never seen; answers are simulated. "
            "Microseconds are those of scikit-learn for one dog; 0: no fitted member."
        )
        found.append({"id": "members", "title": "What each member of the ensemble is worth", "text": text, **members})
    return found


def _table(path: Path, columns: dict[str, str] | None, needed: str | None = None) -> dict[str, Any] | None:
    """The columns of a CSV under their titles; rows that lack what is ``needed`` stay in the file only."""
    if not path.exists():
        return None
    with path.open(newline="", encoding="utf-8") as stream:
        reader = csv.DictReader(stream)
        names = [name for name in reader.fieldnames or () if columns is None or name in columns]
        rows = [[row[name] for name in names] for row in reader if needed is None or row[needed]]
    return {"head": [(columns or {}).get(name, name.replace("_", " ")) for name in names], "rows": rows}


_ABLATION_COLUMNS = {
    "config": "variant",
    "finetuned_share": "share of fine-tuned weights",
    "chosen": "chosen",
    "seeds": "seeds",
    "val_blend_log_loss": "val: log loss",
    "unseen_dogs_blend_accuracy": "unseen dogs: accuracy",
    "unseen_dogs_blend_macro_f1_without_mixed": "macro-F1 without mixed",
    "unseen_dogs_blend_log_loss": "log loss",
    "unseen_dogs_band_kappa": "band kappa",
    "unseen_breeds_blend_accuracy": "unseen breeds: accuracy",
    "unseen_breeds_blend_log_loss": "log loss",
    "background_changed": "answers changed by another background",
    "minutes": "minutes",
}
