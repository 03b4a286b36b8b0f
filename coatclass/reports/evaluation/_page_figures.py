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
    say,
    spoken,
    table,
)

__all__ = ["doubt", "main_figures", "trust"]

_PARTS = (("category", "Coat category"), ("band", "Length band (one dog, visible length)"))
_MIXED = (
    ("called_something_else_with_confidence", "interval", "settled as something else"),
    ("ruled_out_without_hands", "ruled_out_interval", "ruled out without hands"),
    ("sent_to_a_groomer", "sent_interval", "sent to a groomer"),
)


def main_figures(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Photo alone</h2>"]
    parts += [say(note) for note in report.get("notes", ())]
    if reference := report.get("reference"):
        parts += _beside(report["photo"], reference)
    else:
        parts += [figures_table(title, report["photo"][part]) for part, title in _PARTS if part in report["photo"]]
    for what, title in (("category", "Category"), ("band", "Length band")):
        if what in report["confusion"]:
            counts, words = report["confusion"][what], report["words"]["categories" if what == "category" else "bands"]
            parts.append(plot(plots.confusion_plot(counts, words), f"{title}: label by what was said, in photos"))
    parts += [_classes(what, rows) for what, rows in report["classes"].items()]
    if dog := report.get("dog"):
        parts.append(plot(plots.roc_plot(dog["roc"]), "Dog or not a dog"))
        given = dog["other_pictures_given_a_coat"]
        area = Figure(*dog["figures"]["area_under_roc"])
        parts.append(
            say(
                f"Area under the curve {number(area.value)} (95 % interval {number(area.low)} to {number(area.high)}). "
                f"{given['count']} of {dog['other_pictures']} other pictures were given a coat "
                f"(exact 95 % interval of the rate {number(given['interval'][0])} to {number(given['interval'][1])})."
            )
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
    return table(
        f"Each {what}: right among those said (precision), right among those there are (recall); exact intervals",
        head,
        cells,
    )


def _beside(photo: Mapping[str, Any], reference: Mapping[str, Any]) -> list[str]:
    """Each part as one table, the reference's figures beside the release's, each over the photos that it judged."""
    parts = [say(f"Reference: {reference['what']}. It judges the photos, too, that the release refused.")]
    for part, title in _PARTS:
        theirs = reference["figures"].get(part, {})
        shared = {name: figure for name, figure in photo.get(part, {}).items() if name in theirs}
        if not shared:
            continue
        rows = [
            line(NAMES.get(name, name), figure_cells(of), figure_cells(theirs[name])) for name, of in shared.items()
        ]
        first = next(iter(shared))
        released, reference_photos = Figure(*shared[first]).n, Figure(*theirs[first]).n
        head = [f"released ({released} photos)", "95 % interval", f"reference ({reference_photos})", "95 % interval"]
        parts.append(table(title, ["figure", *head], rows))
    return parts


def trust(report: Mapping[str, Any]) -> list[str]:
    """Reliability diagrams of each regime, and the risk-coverage curve."""
    calibration = report["calibration"]
    return [
        "<h2>Do the probabilities mean what they say?</h2>",
        say(
            "A dot on the line means what it says; a larger dot stands for more photos, and the bar is the exact 95 % "
            "interval of its share right: few photos tell little."
        ),
        *_reliable(calibration, "photo alone"),
        plot(
            plots.risk_coverage_plot(calibration["risk_coverage"]),
            "Category: how many photos can be answered at which error, photo alone",
        ),
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
    said = f"<strong>Simulated answers</strong>, {section['error_rate']:.0%} of them wrong, "
    said += f"for the {section['n']} photos whose length is known."
    return [f'<div class="simulated"><p class="say">{said}</p>', *plots_of_both, "</div>"]


def doubt(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Sets, verdicts and the dangerous error</h2>"]
    promise = report["promise"]["set_reliability"]
    for what, rows in report["sets"].items():
        parts.append(plot(plots.coverage_plot(rows, promise), f"Prediction sets of the {what}: promised {promise:.0%}"))
    parts.append(
        say(
            f"A set names every {' or '.join(report['sets'])} that the photo leaves possible. That it holds the label "
            f"for {promise:.0%} is promised on average over dogs, not for each class. Intervals are exact."
        )
    )
    head = ["label", "photos", "set holds the label", "95 % interval", "mean size", "share that names one"]
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
            cell(r["wrong"] / r["n"] if r["n"] else None),
            interval_cell(r["interval"]),
        )
        for r in report["verdicts"]
    )
    head = ["verdict", "photos", "share of photos", "first choice wrong", "share wrong", "95 % interval"]
    parts.append(table("Verdicts, photo alone; exact intervals of the share wrong", head, rows))
    parts += _settled(report["settled"])
    for name, mixed in report["mixed"].items():
        parts.append(_mixed(name, mixed))
    return parts


def _settled(settled: Mapping[str, Any]) -> list[str]:
    """Where *settled* is wrong more often than it promises on average."""
    promised = f"{settled['promised_wrong_at_most']:.0%}"
    parts = [
        say(
            f"Among settled coats at most {promised} should be wrong. That is an average over dogs: for a coat or a "
            "source of photos it can be more. Coats that are not listed were never settled. Intervals are exact "
            "(Clopper and Pearson 1934)."
        )
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
        f"{mixed[key]} {what} (exact 95 % interval of the rate {mixed[interval][0]:.2f} to {mixed[interval][1]:.2f})"
        for key, interval, what in _MIXED
    ]
    return (
        f'<p class="say"><strong>Mixed coats, {escape(name)}:</strong> {mixed["photos"]} photos; {"; ".join(said)}. '
        "Ruled out without hands: settled or narrowed to other coats, so that nobody is told to have it touched.</p>"
    )
