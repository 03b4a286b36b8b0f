"""The few figures by which runs are compared; the full evaluation is another sub-command's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from training.image.heads import Readings
from training.image.labels import Labels

MIXED = 2  # index in coatclass.taxonomy.CATEGORIES


def blend(readings: Readings, share: float = 0.5) -> NDArray[np.float32]:
    """Log probabilities (N, 7) of a geometric mean of both routes; the ensemble's simplest stand-in."""
    mixed = (1 - share) * readings.texture + share * readings.kinship
    return mixed - np.logaddexp.reduce(mixed, axis=1, keepdims=True)


def category_figures(log_p: NDArray[np.float32], labels: Labels, chosen: NDArray[np.int64]) -> dict[str, float]:
    """Accuracy, macro-F1 (all; without mixed), log loss against the agreed and against the soft label."""
    from sklearn.metrics import f1_score

    truth, said = labels.category_hard[chosen], log_p[chosen].argmax(1)
    known = np.flatnonzero(truth != MIXED)
    return {
        "accuracy": float((truth == said).mean()),
        "macro_f1": float(f1_score(truth, said, average="macro", zero_division=0)),
        "macro_f1_without_mixed": float(
            f1_score(truth[known], said[known], average="macro", labels=[0, 1, 3, 4, 5, 6], zero_division=0)
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
