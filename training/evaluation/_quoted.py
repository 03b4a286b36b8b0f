"""The figures that README and model card quote: written between two marks, from ``metrics.json``, never by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from training.evaluation._markdown import counted, table, with_interval

__all__ = ["BEGIN", "END", "between_marks", "quote", "quoted"]

Reading = dict[str, float] | None  # a figure with its interval, if it was measured

BEGIN, END = "<!-- figures of models/metrics.json: begin -->", "<!-- figures of models/metrics.json: end -->"

# Part, figure, its name for people, and what was hoped for (none: nothing was).
_FIGURES = (
    ("category", "accuracy", "category: accuracy", 0.95),
    ("category", "macro_f1_without_mixed", "macro-F1 without *mixed*", 0.90),
    ("category", "log_loss", "log loss, nats", None),
    ("category", "ece_15", "ECE, 15 bins", None),
    ("category", "coverage_at_2_percent_error", "answered at 2 % error", 0.90),
    ("category", "coverage_at_5_percent_error", "answered at 5 % error", None),
    ("band", "exact", "length band: exact", None),
    ("band", "quadratic_weighted_kappa", "length band: quadratic-weighted kappa", 0.95),
)
_SURE = 3.0  # both annotators' confidence where they were sure
_SURE_HOPE = 0.99
_WRONG_ANSWERS = 0.1
# Rows of the table of unseen breeds, and the accuracy hoped for.
_OUT_OF_FOLD = (
    ("dog never seen", 0.95),
    ("breed never seen", 0.90),
    ("breed never seen, named by ImageNet", None),
    ("breed never seen, not named by ImageNet", None),
)


def quoted(report: dict[str, Any]) -> str:
    """A table of the release beside its reference and its aims, and what else a reader must know; Markdown."""
    data, made = report["data"], report["made_by"]
    reference = report["reference"]["figures"]["category"]["accuracy"]
    lines = [
        f"Photo alone, on {data['dogs']} test photos of {data['groups']} dogs ({data['refused']} more could not be "
        "used). Cross-validated: on train and val. In brackets 95 % intervals: over dogs; over breeds where the breed "
        "was never seen; exact for counts. The reference is a plain logistic regression on frozen features, on all "
        f"{reference['n']} photos of the split. Image model "
        f"`{made['image_model']}`, ensemble `{made['ensemble']}`.",
        "",
        *table(("", "released", "reference", "aim", "short by"), _rows(report)),
        "",
        *(f"- {sentence}" for sentence in _sentences(report)),
    ]
    return "\n".join(lines)


def _rows(report: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    judged, reference = report["photo"], report["reference"]["figures"]
    for part, name, label, hope in _FIGURES:
        yield _row(label, judged[part][name], reference[part][name], hope)
    sure = next(row for row in report["by_confidence"] if row["confidence"] == _SURE)
    yield _row("accuracy where both annotators were sure", sure["accuracy"], None, _SURE_HOPE)
    for name, hope in _OUT_OF_FOLD:
        ours, theirs = (_out_of_fold(report, before + name) for before in ("", "reference, "))
        yield _row(f"cross-validated, {name}: accuracy", ours, theirs, hope)


def _row(label: str, ours: Reading, theirs: Reading, hope: float | None) -> tuple[str, ...]:
    if hope is None or ours is None:
        return label, with_interval(ours), with_interval(theirs), "", ""
    short = f"{hope - ours['value']:.3f}" if ours["value"] < hope else "reached"
    return label, with_interval(ours), with_interval(theirs), f"{hope:.2f}", short


def _out_of_fold(report: dict[str, Any], name: str) -> Reading:
    part = next(part for part in report["extras"] if part["id"] == "unseen_breeds")
    rows = {row[0]: row for row in part["rows"]}
    figure: Reading = rows[name][part["head"].index("accuracy")] if name in rows else None
    return figure


def _sentences(report: dict[str, Any]) -> list[str]:
    settled = next(row for row in report["verdicts"] if row["verdict"] == "settled")
    test, others = report["mixed"]["these photos"], report["mixed"]["train and val, out of fold"]
    cats, people = report["dog"], report["annotators"]["category_kappa"]
    return [
        f"Where it says *settled* ({settled['share']:.0%} of photos), wrong are {counted(settled, 'wrong')}.",
        f"Mixed coats called something else with confidence, the dangerous error: "
        f"{test['called_something_else_with_confidence']} of {test['photos']} on test, "
        f"{others['called_something_else_with_confidence']} of {others['photos']} out of fold; ruled out without "
        f"a word of a groomer: {test['ruled_out_without_hands']} and {others['ruled_out_without_hands']}. A photo "
        "alone recognises next to none: hands must.",
        f"With answers beside the photo, one in ten of them wrong, accuracy is "
        f"{with_interval(_answered(report, 'both'))}; with answers alone {with_interval(_answered(report, 'answers'))} "
        "(**simulated** answers; photo alone on the same dogs "
        f"{with_interval(report['simulated_answers']['photo']['accuracy'])}).",
        f"Cats given a coat: {cats['other_pictures_given_a_coat']['count']} of {cats['other_pictures']}.",
        f"Two people agree with each other at kappa {people['first and second person']['value']:.2f}; the model agrees "
        f"with each at {people['model and first']['value']:.2f} and {people['model and second']['value']:.2f}.",
    ]


def _answered(report: dict[str, Any], regime: str) -> dict[str, float]:
    rows = report["simulated_answers"]["rows"]
    figure: dict[str, float] = next(
        row["accuracy"] for row in rows if row["regime"] == regime and row["error_rate"] == _WRONG_ANSWERS
    )
    return figure


def quote(report: dict[str, Any], *files: Path) -> None:
    """Put the figures between the marks of each file.

    Raises:
        ValueError: if a file lacks the marks.
    """
    for path in files:
        text = path.read_text(encoding="utf-8")
        before, _, rest = text.partition(BEGIN)
        _, found, after = rest.partition(END)
        if not found:
            raise ValueError(f"{path.name} lacks the marks {BEGIN} and {END}")
        path.write_text(f"{before}{BEGIN}\n{quoted(report)}\n{END}{after}", encoding="utf-8")


def between_marks(text: str) -> str:
    """What stands between the marks."""
    return text.partition(BEGIN)[2].partition(END)[0].strip()
