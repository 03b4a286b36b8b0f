"""The figures of a trial, and the table they go into."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.image._labels import Labels
from training.image._metrics import category_figures

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
