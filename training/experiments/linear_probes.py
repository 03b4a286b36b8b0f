"""What the trials share: folds, features, linear models that read each photo out of fold, and the rows of figures."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from torch import Tensor

from coatclass.ensemble.fusion import log_softmax
from coatclass.taxonomy import CATEGORIES
from training.experiments.looks import Features
from training.image.config import Heads, read_config
from training.image.labels import Labels, make_plan
from training.image.linear import fit_linear, soft_cross_entropy
from training.image.release import category_figures

Array = NDArray[np.float64]
Fold = NDArray[np.int64]
REGIMES = {"unseen dogs": "group", "unseen breeds": "breed"}
_CONFIGS = Path(__file__).resolve().parent.parent / "configs"
_C, _NEVER = 0.03, -20.0  # of the regressions on routes; and the score of a category that none of the photos showed


@dataclass(frozen=True)
class Setup:
    """Everything a trial needs.

    Attributes:
        labels: of the photos of train and val, N.
        folds: fold of each photo (N,) by what is held out: ``group`` (the dog), ``breed``, ``source``.
        features: by look.
        seconds: of each look, relative to the plain one.
        heads: L2 strengths of the linear heads.
        members: how the ensemble's regressions are fitted.
    """

    labels: Labels
    folds: dict[str, Fold]
    features: dict[str, Features]
    seconds: dict[str, float]
    heads: Heads
    members: dict[str, Any]

    def pooled(self, *looks: str) -> Array:
        """Pooled features of these looks side by side, (N, ...)."""
        return np.concatenate([self.features[look]["pooled"] for look in looks], 1)

    def texture(self, views: Sequence[Array], by: str, target: NDArray[np.float32] | None = None) -> Array:
        """Log P(category) (N, 7) from pooled features, learned on all views and read on all of them."""
        said = held_out(self, views, self.labels.category if target is None else target, by, l2=self.heads.texture_l2)
        return log_softmax(np.mean([log_softmax(scores) for scores in said], 0))

    def kinship(self, looks: Sequence[str], by: str) -> Array:
        """Log P(category) (N, 7) from ImageNet's breeds."""
        views = [self.features[look]["kinship"] for look in looks]
        said = held_out(self, views, self.labels.category, by, l2=self.heads.kinship_l2)
        return log_softmax(np.mean([log_softmax(scores) for scores in said], 0))


def prepare(labels: Labels, features: dict[str, Features], seconds: dict[str, float]) -> Setup:
    """Folds as the image model's training draws them, strengths as its frozen configuration has them."""
    config = read_config(_CONFIGS / "frozen.toml")
    members = tomllib.loads((_CONFIGS / "ensemble.toml").read_text(encoding="utf-8"))["members"]
    return Setup(labels, make_plan(labels, config, release=True).folds, features, seconds, config.heads, members)


def held_out(
    setup: Setup,
    views: Sequence[NDArray[Any]],
    target: NDArray[np.float32],
    by: str,
    *,
    l2: float,
    say: NDArray[np.float32] | None = None,
    loss: Callable[[Tensor, Tensor], Tensor] = soft_cross_entropy,
    learn: Sequence[int] | None = None,
) -> list[Array]:
    """Scores of each view (N, K), by a linear model that never saw the photo's dog, breed or source.

    Args:
        views: inputs (N, ...) of the same photos, looked at in several ways; rows of NaN are neither learned nor read.
        target: (N, K).
        by: what is held out, a key of ``folds``.
        say: (N,) weight of each photo, the labels' own if not given.
        learn: places of the views that are learned from, all if not given.
    """
    fold, say = setup.folds[by], setup.labels.weight if say is None else say
    scores = [np.full((len(fold), target.shape[1]), np.nan) for _ in views]
    for k in range(int(fold.max()) + 1):
        rows = [(view, np.flatnonzero((fold != k) & np.isfinite(view[:, 0]) & (say > 0))) for view in views]
        chosen = [rows[place] for place in (learn or range(len(views)))]
        fitted = fit_linear(
            torch.from_numpy(np.concatenate([view[seen] for view, seen in chosen]).astype(np.float32)),
            torch.from_numpy(np.concatenate([target[seen] for _, seen in chosen])),
            torch.from_numpy(np.concatenate([say[seen] for _, seen in chosen])),
            loss=loss,
            outputs=target.shape[1],
            l2=l2,
        )
        for view, said in zip(views, scores, strict=True):
            said[fold == k] = fitted(torch.from_numpy(view[fold == k].astype(np.float32))).numpy()
    return scores


def regression(setup: Setup, inputs: dict[str, Array]) -> dict[str, Array]:
    """Log P(category) (N, 7) by regime, by a logistic regression on what the routes say (N, ...) in either regime.

    As the ensemble does, it learns from networks that never saw the breed. It is fitted without the dogs that it reads,
    and in the second regime without their breeds. Both annotators speak: a photo counts once for each of its labels.
    """
    names = len(CATEGORIES)
    known = {regime: np.maximum(said, setup.members["floor"]) for regime, said in inputs.items()}
    learned, share = known["unseen breeds"], setup.labels.category.astype(np.float64)
    found = {}
    for regime, by in REGIMES.items():
        fold = setup.folds[by]
        found[regime] = np.zeros((len(fold), names))
        for k in range(int(fold.max()) + 1):
            photo, label = np.nonzero(share * (fold != k)[:, None])
            member = LogisticRegression(C=_C, max_iter=2000)
            member.fit(learned[photo], label, sample_weight=share[photo, label])
            said = np.full(((fold == k).sum(), names), _NEVER)
            said[:, member.classes_] = member.predict_log_proba(known[regime][fold == k])
            found[regime][fold == k] = log_softmax(said)
    return found


def blend(*routes: Array) -> Array:
    """Log probabilities (N, 7): the mean of the routes' logs."""
    return log_softmax(np.mean(routes, 0))


COLUMNS = (
    "trial", "route", "regime", "photos", "accuracy", "macro_f1_without_mixed", "log_loss", "soft_log_loss", "brier",
    "against", "difference", "difference_low", "difference_high", "verdict", "relative_seconds",
    "auc", "found_at_1", "found_at_3", "found_at_5", "refused", "no_dog", "settled", "settled_right", "note",
)  # fmt: skip
_FIGURES = ("accuracy", "macro_f1_without_mixed", "log_loss", "soft_log_loss")
_RESAMPLES, _SEED = 2000, 8
Row = dict[str, Any]


def category_row(
    labels: Labels,
    log_p: NDArray[Any],
    *,
    regime: str,
    chosen: NDArray[Any] | None = None,
    other: NDArray[Any] | None = None,
    **words: Any,
) -> Row:
    """Accuracy, F1, log loss and Brier score of log probabilities (N, 7) on the chosen photos.

    Args:
        other: what ``words["against"]`` names, (N, 7); the difference is this log loss less the other's. Its interval
            resamples breeds where breeds were held out, else dogs; the verdict is by the interval.
        words: trial, route, note and the like.
    """
    chosen = np.arange(len(labels)) if chosen is None else chosen
    found = category_figures(log_p, labels, chosen)
    row = {"regime": regime, "photos": len(chosen), **{name: found[name] for name in _FIGURES}, **words}
    row["brier"] = float(np.square(np.exp(log_p[chosen]) - labels.category[chosen]).sum(1).mean())
    if other is None:
        return row | {"against": ""}
    truth = labels.category_hard[chosen]
    keys = (labels.breed if regime.startswith("unseen breeds") else labels.group)[chosen]
    mean, low, high = interval(other[chosen, truth] - log_p[chosen, truth], keys)
    verdict = "helps" if high < 0 else "harms" if low > 0 else "no clear difference"
    return row | {"difference": mean, "difference_low": low, "difference_high": high, "verdict": verdict}


def interval(values: NDArray[Any], keys: NDArray[Any]) -> tuple[float, float, float]:
    """Mean of the values (n,) and its 95 % interval, by bootstrap over groups of equal key."""
    _, place = np.unique(keys, return_inverse=True)
    totals, counts = np.bincount(place, values), np.bincount(place)
    drawn = np.random.default_rng(_SEED).multinomial(len(totals), np.full(len(totals), 1 / len(totals)), _RESAMPLES)
    low, high = np.quantile(drawn @ totals / (drawn @ counts), [0.025, 0.975])
    return float(values.mean()), float(low), float(high)


def write(path: Path, columns: tuple[str, ...], rows: list[Row]) -> None:
    """Write the table, figures to four decimals; empty where a column does not apply."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, columns, lineterminator="\n")
        table.writeheader()
        table.writerows([{name: _shown(value) for name, value in row.items()} for row in rows])


def _shown(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) else value
