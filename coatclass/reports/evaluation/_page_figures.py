"""The page's sections on how right and how sure: figures, confusions, calibration, sets, verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coatclass.reports.evaluation import _plots as plots
from coatclass.reports.evaluation._bootstrap import Figure
from coatclass.reports.evaluation._markup import (
    NAMES,
    cell,
    escape,
    figure_cells,
    figures_table,
    interval_cell,
    line,
    number,
    plot,
    spoken,
    table,
)

__all__ = ["doubt", "main_figures", "trust"]

_MIXED = (
    ("called_something_else_with_confidence", "interval", "settled as something else"),
    ("ruled_out_without_hands", "ruled_out_interval", "ruled out without hands"),
    ("sent_to_a_groomer", "sent_interval", "sent to a groomer"),
)


def main_figures(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Photo alone</h2>"]
    parts += [f'<p class="say">{escape(note)}</p>' for note in report.get("notes", ())]
    parts.append(figures_table("Coat category", report["photo"]["category"]))
    if "band" in report["photo"]:
        parts.append(figures_table("Length band (one dog, visible length)", report["photo"]["band"]))
    if reference := report.get("reference"):
        parts.append(_beside(report["photo"], reference))
    for what, title in (("category", "Category"), ("band", "Length band")):
        if what in report["confusion"]:
            counts, words = report["confusion"][what], report["words"]["categories" if what == "category" else "bands"]
            parts.append(plot(plots.confusion_plot(counts, words), f"{title}: label by what was said"))
    parts += [_classes(what, rows) for what, rows in report["classes"].items()]
    if dog := report.get("dog"):
        parts.append(plot(plots.roc_plot(dog["roc"]), "Dog or not a dog"))
        given = dog["other_pictures_given_a_coat"]
        parts.append(
            f'<p class="say">Area under the curve {number(Figure(*dog["figures"]["area_under_roc"]).value)}. '
            f"{given['count']} of {dog['other_pictures']} other pictures were given a coat "
            f"(95 % interval {number(given['interval'][0])} to {number(given['interval'][1])}).</p>"
        )
    return parts


def _classes(what: str, rows: Sequence[Mapping[str, Any]]) -> str:
    cells = (
        line(
            spoken(r["class"]),
            *(cell(r["labelled"]), cell(r["said"]), cell(r["right"])),
            *(cell(r["precision"]), interval_cell(r["precision_interval"])),
            *(cell(r["recall"]), interval_cell(r["recall_interval"]), cell(r["f1"])),
        )
        for r in rows
    )
    head = [what, "labelled", "said", "right", "precision", "95 % interval", "recall", "95 % interval", "F1"]
    return table(f"Each {what}: right among those said (precision), right among those there are (recall)", head, cells)


def _beside(photo: Mapping[str, Any], reference: Mapping[str, Any]) -> str:
    rows = []
    for part in ("category", "band"):
        for name, figure in photo.get(part, {}).items():
            if name in reference["figures"].get(part, {}):
                other = reference["figures"][part][name]
                label = f"{part}: {NAMES.get(name, name)}"
                rows.append(line(label, figure_cells(figure), figure_cells(other)))
    head = ["figure", "released", "95 % interval", "reference", "95 % interval"]
    return table(f"Released beside the reference ({reference['what']})", head, rows)


def trust(report: Mapping[str, Any]) -> list[str]:
    """Reliability diagrams of each regime, and the risk-coverage curve."""
    calibration = report["calibration"]
    return [
        "<h2>Do the probabilities mean what they say?</h2>",
        "<p>A dot on the line means what it says; a larger dot stands for more photos.</p>",
        *_reliable(calibration, "photo alone"),
        plot(plots.risk_coverage_plot(calibration["risk_coverage"]), "How many dogs can be answered at which error"),
        *_other_regimes(calibration.get("own_answers"), "these dogs' own answers"),
        *_other_regimes(calibration.get("simulated_answers"), "simulated answers"),
    ]


def _reliable(calibration: Mapping[str, Any], regime: str) -> list[str]:
    return [
        plot(plots.reliability_plot(calibration[f"{what}_bins"], what), f"{what.capitalize()}, {regime}")
        for what in ("category", "band")
        if f"{what}_bins" in calibration
    ]


def _other_regimes(section: Mapping[str, Any] | None, whose: str) -> list[str]:
    """Answers alone, and photo with answers; within the mark of simulation where answers are made up."""
    if not section:
        return []
    plots_of_both = [
        *_reliable(section["answers"], f"{whose} alone"),
        *_reliable(section["both"], f"photo and {whose}"),
    ]
    if not section["simulated"]:
        return plots_of_both
    said = f"<strong>Simulated answers</strong>, {section['error_rate']:.0%} of them wrong, for {section['n']} dogs."
    return [f'<div class="simulated"><p class="say">{said}</p>', *plots_of_both, "</div>"]


def doubt(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Sets, verdicts and the dangerous error</h2>"]
    promise = report["promise"]["set_reliability"]
    for what, rows in report["sets"].items():
        parts.append(plot(plots.coverage_plot(rows, promise), f"Prediction sets of the {what}: promised {promise:.0%}"))
    head = ["class", "photos", "coverage", "95 % interval", "mean size", "single"]
    for what, rows in report["sets"].items():
        cells = (
            line(
                spoken(r["class"]),
                *(cell(r["n"]), cell(r["coverage"]), interval_cell(r["interval"])),
                *(cell(r["mean_size"]), cell(r["single"])),
            )
            for r in rows
        )
        parts.append(table(f"Prediction sets: {what}", head, cells))
    rows = (
        line(
            spoken(r["verdict"]),
            cell(r["n"]),
            cell(r["share"]),
            cell(r["wrong"]),
            interval_cell(r["interval"]),
        )
        for r in report["verdicts"]
    )
    parts.append(
        table("Verdicts, photo alone", ["verdict", "dogs", "share", "first choice wrong", "95 % interval"], rows)
    )
    parts += _settled(report["settled"])
    for name, mixed in report["mixed"].items():
        parts.append(_mixed(name, mixed))
    return parts


def _settled(settled: Mapping[str, Any]) -> list[str]:
    """Where *settled* is wrong more often than it promises on average."""
    promised = f"{settled['promised_wrong_at_most']:.0%}"
    parts = [
        f'<p class="say">Among settled coats at most {promised} should be wrong. That is an average over dogs: for a '
        "coat or a source of photos it can be more. Intervals are exact (Clopper and Pearson 1934).</p>"
    ]
    for key, title, first in (
        ("by_said", "Settled, by what was said", "said"),
        ("by_source", "Settled, by the source of the photo", "source"),
    ):
        rows = (
            line(r["name"], cell(r["n"]), cell(r["wrong"]), cell(r["share"]), interval_cell(r["interval"]))
            for r in (*settled[key], settled["all"])
        )
        if settled[key]:
            parts.append(table(title, [first, "settled", "wrong", "share wrong", "95 % interval"], rows))
    return parts


def _mixed(name: str, mixed: Mapping[str, Any]) -> str:
    if not mixed["photos"]:
        return f'<p class="say">Mixed coats, {escape(name)}: none.</p>'
    said = [
        f"{mixed[key]} {what} (95 % interval of the rate {mixed[interval][0]:.2f} to {mixed[interval][1]:.2f})"
        for key, interval, what in _MIXED
    ]
    return (
        f'<p class="say"><strong>Mixed coats, {escape(name)}:</strong> {mixed["photos"]} photos; {"; ".join(said)}. '
        "Ruled out without hands: settled or narrowed to other coats, so that nobody is told to have it touched.</p>"
    )
