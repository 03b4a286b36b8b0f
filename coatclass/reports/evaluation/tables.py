"""The one list of figures that page, Markdown, README and model card show, with their names; and ready-made tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coatclass.taxonomy import BANDS, LengthBand, band_label

__all__ = ["FIGURES", "label", "number", "shown_table", "spoken"]

# Names for people, by the name of the data.
_LABELS = {
    "accuracy": "accuracy",
    "balanced_accuracy": "balanced accuracy",
    "macro_f1": "macro-F1",
    "macro_f1_without_mixed": "macro-F1 without mixed",
    "log_loss": "log loss, nats",
    "brier": "Brier score (0 to 2)",
    "ece_15": "calibration error, 15 bins (ECE)",
    "adaptive_ece_15": "calibration error, 15 bins of equal count",
    "aurc": "area under risk-coverage curve (AURC)",
    "coverage_at_2_percent_error": "answered at 2 % error",
    "coverage_at_5_percent_error": "answered at 5 % error",
    "log_loss_against_annotators": "log loss against both annotators, nats",
    "brier_against_annotators": "Brier score against both annotators",
    "exact": "exact band",
    "within_one": "within one band",
    "quadratic_weighted_kappa": "quadratic-weighted kappa",
    "n": "photos",
    "band_exact": "exact band",
    "band_log_loss": "band log loss, nats",
}

_OF_CATEGORY = (
    "accuracy", "balanced_accuracy", "macro_f1", "macro_f1_without_mixed", "log_loss", "brier", "ece_15",
    "adaptive_ece_15", "aurc", "coverage_at_2_percent_error", "coverage_at_5_percent_error",
    "log_loss_against_annotators", "brier_against_annotators",
)  # fmt: skip
_OF_BAND = ("exact", "within_one", "quadratic_weighted_kappa", "log_loss", "ece_15")

FIGURES: tuple[tuple[str, str], ...] = (
    *(("category", name) for name in _OF_CATEGORY),
    *(("band", name) for name in _OF_BAND),
)
"""Part of the report and name of each main figure, in the order shown."""

_CHOSEN = "chosen"


def label(name: str) -> str:
    """A figure's name for people."""
    return _LABELS.get(name) or spoken(name)


def spoken(word: str) -> str:
    """A name of the data as people write it: bands in millimetres, no underscores."""
    return band_label(LengthBand(word)).partition(" (")[0] if word in BANDS else word.replace("_", " ")


def number(value: float) -> str:
    """Three decimals; no minus before a rounded zero."""
    return f"{round(value, 3) + 0.0:.3f}"


def shown_table(extra: Mapping[str, Any]) -> tuple[list[str], list[list[Any]]]:
    """Head and rows of a ready-made table as people are shown them; the JSON keeps every row.

    Where a column tells which rows were chosen: one row a variant, without that column. Variants are named in the
    first column. One of which no row was chosen is shown by its first row.
    """
    head, rows = list(extra["head"]), [list(row) for row in extra["rows"]]
    if _CHOSEN not in head:
        return head, rows
    place = head.index(_CHOSEN)
    first: dict[Any, Sequence[Any]] = {}
    for row in rows:
        if row[0] not in first or (row[place] and not first[row[0]][place]):
            first[row[0]] = row
    return _without(head, place), [_without(row, place) for row in first.values()]


def _without(cells: Sequence[Any], place: int) -> list[Any]:
    return [*cells[:place], *cells[place + 1 :]]
