"""Pieces of HTML: escaped text, tables, figures with their intervals, plots."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from coatclass.reports.evaluation._bootstrap import Figure
from coatclass.taxonomy import BANDS, LengthBand, band_label

__all__ = [
    "NAMES",
    "cell",
    "counted",
    "escape",
    "extra_cell",
    "figure_cells",
    "figures_table",
    "interval_cell",
    "is_word",
    "line",
    "number",
    "plot",
    "say",
    "spoken",
    "table",
    "word_cell",
]

_NUMBERS = ' class="n"'
_LONG_NAME = 20  # letters, beyond which a name may take several lines, in a column that is kept wide
NAMES = {
    "n": "photos",
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
    "band_exact": "exact band",
    "band_log_loss": "band log loss, nats",
}


def escape(value: Any) -> str:
    """Text that is safe inside HTML."""
    return html.escape(str(value))


def spoken(word: str) -> str:
    """A name of the data as people write it: bands in millimetres, no underscores."""
    return band_label(LengthBand(word)).partition(" (")[0] if word in BANDS else word.replace("_", " ")


def counted(n: int, thing: str) -> str:
    """So many of a thing, which takes an s where there is not just one."""
    return f"{n} {thing}{'' if n == 1 else 's'}"


def number(value: float) -> str:
    """Three decimals; no minus before nothing."""
    return f"{round(value, 3) + 0.0:.3f}"


def figure_cells(value: Any) -> str:
    """A figure with its interval, as table cells."""
    figure = Figure(*value)
    return f'<td class="n">{number(figure.value)}</td><td class="n">{number(figure.low)} to {number(figure.high)}</td>'


def table(caption: str, head: Sequence[str], rows: Iterable[str], *, words: Sequence[str] = ()) -> str:
    """A table that scrolls by itself on a narrow screen; its first column and ``words`` hold text, the rest numbers."""
    titles = "".join(
        f'<th scope="col"{"" if place == 0 or title in words else _NUMBERS}>{escape(title)}</th>'
        for place, title in enumerate(head)
    )
    caption = f"<caption>{escape(caption)}</caption>" if caption else ""
    body = f"<thead><tr>{titles}</tr></thead><tbody>{''.join(rows)}</tbody>"
    return f'<div class="wide"><table>{caption}{body}</table></div>'


def line(name: str, *cells: str) -> str:
    """A row of a table."""
    width = ' class="long"' if len(name) > _LONG_NAME else ""
    return f'<tr><th scope="row"{width}>{escape(name)}</th>{"".join(cells)}</tr>'


def cell(value: Any) -> str:
    """One value; a dash where there is none."""
    shown = number(value) if isinstance(value, float) else value
    return f'<td class="n">{escape("–" if shown in (None, "") else shown)}</td>'


def word_cell(value: Any) -> str:
    """One value that is a word."""
    return f"<td>{escape(value)}</td>"


def is_word(value: Any) -> bool:
    """Whether a value of a ready-made table is text and no number."""
    return isinstance(value, str) and any(letter.isalpha() for letter in value)


def extra_cell(value: Any) -> str:
    """A figure with its interval below it, or a plain value."""
    if isinstance(value, Figure):
        shown, interval = number(value.value), f"({number(value.low)} to {number(value.high)})"
        return f'<td class="n tall">{shown} <span>{interval}</span></td>'
    return cell(value)


def interval_cell(value: Sequence[float] | None) -> str:
    """Low to high."""
    return '<td class="n">–</td>' if value is None else f'<td class="n">{number(value[0])} to {number(value[1])}</td>'


def say(text: str) -> str:
    """A paragraph of plain words."""
    return f'<p class="say">{escape(text)}</p>'


def plot(svg: str, caption: str) -> str:
    """A plot with its caption, which also is its spoken name."""
    labelled = svg.replace("<svg ", f'<svg role="img" aria-label="{escape(caption)}" ', 1)
    return f"<figure>{labelled}<figcaption>{escape(caption)}</figcaption></figure>"


def figures_table(caption: str, figures: Mapping[str, Any]) -> str:
    """Named figures with their intervals."""
    rows = (line(NAMES.get(name, spoken(name)), figure_cells(figure)) for name, figure in figures.items())
    return table(caption, ["figure", "value", "95 % interval"], rows)
