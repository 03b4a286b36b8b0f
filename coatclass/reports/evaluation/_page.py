"""The report as one HTML page that needs no network and prints well."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
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
    table,
)

__all__ = ["page"]

_STYLE = Path(__file__).with_name("page.css")


def page(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> str:
    """The whole page."""
    parts = [*_head(report), *_main_figures(report), *_trust(report), *_doubt(report), *_people(report)]
    parts += [*_served(report), *_regimes(report), *_robust(report), *_extras(report), *_errors(report, thumbnails)]
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report['title'])}</title><style>{_STYLE.read_text(encoding='utf-8')}</style></head><body>\n{body}\n</body></html>\n"
    )


def _head(report: Mapping[str, Any]) -> list[str]:
    data, made = report["data"], report["made_by"]
    return [
        f"<h1>{escape(report['title'])}</h1>",
        f'<p class="say">{data["dogs"]} photos of dogs with a known coat ({data["groups"]} dogs), '
        f"{data['refused']} photos refused, {data['other_pictures']} other pictures. "
        f"Image model {escape(made['image_model'])}, ensemble {escape(made['ensemble'])}, "
        f"coatclass {escape(made['coatclass'])}. "
        "Intervals are 95 %, from resampling dogs, not photos.</p>",
    ]


def _main_figures(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Photo alone</h2>"]
    parts += [f'<p class="say">{escape(note)}</p>' for note in report.get("notes", ())]
    parts.append(figures_table("Coat category", report["photo"]["category"]))
    if "band" in report["photo"]:
        parts.append(figures_table("Length band (one dog, visible length)", report["photo"]["band"]))
    if reference := report.get("reference"):
        parts.append(_beside(report["photo"], reference))
    words = report["words"]
    parts.append(
        plot(
            plots.confusion_plot(report["confusion"]["category"], words["categories"]),
            "Category: label by what was said",
        )
    )
    parts.append(
        plot(plots.confusion_plot(report["confusion"]["band"], words["bands"]), "Length band: label by what was said")
    )
    if dog := report.get("dog"):
        parts.append(plot(plots.roc_plot(dog["roc"]), "Dog or not a dog"))
        given = dog["other_pictures_given_a_coat"]
        parts.append(
            f'<p class="say">Area under the curve {number(Figure(*dog["figures"]["area_under_roc"]).value)}. '
            f"{given['count']} of {dog['other_pictures']} other pictures were given a coat "
            f"(95 % interval {number(given['interval'][0])} to {number(given['interval'][1])}).</p>"
        )
    return parts


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


def _trust(report: Mapping[str, Any]) -> list[str]:
    calibration = report["calibration"]
    return [
        "<h2>Do the probabilities mean what they say?</h2>",
        plot(
            plots.reliability_plot(calibration["category_bins"], "category"),
            "Category: a dot on the line means what it says",
        ),
        plot(plots.reliability_plot(calibration["band_bins"], "band"), "Length band"),
        plot(plots.risk_coverage_plot(calibration["risk_coverage"]), "How many dogs can be answered at which error"),
    ]


def _doubt(report: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Sets, verdicts and the dangerous error</h2>"]
    promise = report["promise"]["set_reliability"]
    for what, rows in report["sets"].items():
        parts.append(plot(plots.coverage_plot(rows, promise), f"Prediction sets of the {what}: promised {promise:.0%}"))
    head = ["class", "photos", "coverage", "95 % interval", "mean size", "single"]
    for what, rows in report["sets"].items():
        cells = (
            line(
                r["class"].replace("_", " "),
                *(cell(r["n"]), cell(r["coverage"]), interval_cell(r["interval"])),
                *(cell(r["mean_size"]), cell(r["single"])),
            )
            for r in rows
        )
        parts.append(table(f"Prediction sets: {what}", head, cells))
    rows = (
        line(
            r["verdict"].replace("_", " "),
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
    for name, mixed in report["mixed"].items():
        parts.append(_mixed(name, mixed))
    return parts


def _mixed(name: str, mixed: Mapping[str, Any]) -> str:
    if not mixed["photos"]:
        return f'<p class="say">Mixed coats, {escape(name)}: none among these photos.</p>'
    low, high = mixed["interval"]
    return (
        f'<p class="say"><strong>Mixed coats, {escape(name)}:</strong> {mixed["photos"]} photos; '
        f"{mixed['called_something_else_with_confidence']} were settled as something else "
        f"(95 % interval of the rate {low:.2f} to {high:.2f}), {mixed['sent_to_a_groomer']} were sent to a groomer.</p>"
    )


def _people(report: Mapping[str, Any]) -> list[str]:
    parts = []
    if confidence := report.get("by_confidence"):
        rows = (
            line(
                f"{r['confidence']:g}",
                *(cell(r["n"]), figure_cells(r["accuracy"])),
                *(cell(r["settled"]), cell(r["wrong_among_settled"])),
            )
            for r in confidence
        )
        head = ["less sure annotator", "photos", "accuracy", "95 % interval", "settled", "of these wrong"]
        parts.append(table("Accuracy by the annotators' own confidence (3 sure, 1 guessing)", head, rows))
    if people := report.get("annotators"):
        for name, title in (
            ("category_kappa", "Category: Cohen's kappa"),
            ("band_quadratic_weighted_kappa", "Band: quadratic-weighted kappa"),
        ):
            rows = (line(pair, figure_cells(figure)) for pair, figure in people[name].items())
            parts.append(table(title, ["pair", "kappa", "95 % interval"], rows))
        if people["where_people_split"]["n"]:
            rows = (line(key.replace("_", " "), cell(value)) for key, value in people["where_people_split"].items())
            parts.append(table("Where the two people named different categories", ["", "value"], rows))
    return ["<h2>Against people</h2>", *parts] if parts else []


def _served(report: Mapping[str, Any]) -> list[str]:
    rows = report["subgroups"]
    judged = [(f"{r['kind']}: {r['name']}", Figure(*r["accuracy"])) for r in rows if "accuracy" in r]
    overall = Figure(*report["photo"]["category"]["accuracy"]).value
    missing = [f"{r['kind']}: {r['name']} ({r['n']})" for r in rows if "accuracy" not in r]
    parts = ["<h2>Who is served worse?</h2>"]
    parts.append(
        plot(plots.bars_with_intervals(judged, "accuracy (line: all)", overall), "Accuracy by subgroup, with counts")
    )
    cells = (
        line(
            f"{r['kind']}: {r['name']}",
            *(cell(r["n"]), figure_cells(r["accuracy"]), cell(Figure(*r["log_loss"]).value)),
            *(cell(r["settled"]), cell(r["wrong_among_settled"])),
        )
        for r in rows
        if "accuracy" in r
    )
    parts.append(
        table("", ["subgroup", "photos", "accuracy", "95 % interval", "log loss", "settled", "of these wrong"], cells)
    )
    if missing:
        parts.append(f'<p class="say">Too few to judge: {escape("; ".join(missing))}.</p>')
    return parts


def _regimes(report: Mapping[str, Any]) -> list[str]:
    parts = []
    if own := report.get("own_answers"):
        rows = (
            line(regime, *(figure_cells(own[regime][name]) for name in ("accuracy", "log_loss", "band_exact")))
            for regime in ("photo", "answers", "both")
        )
        head = ["regime", "accuracy", "95 %", "log loss", "95 %", "exact band", "95 %"]
        parts.append(table(f"With these dogs' own answers ({own['n']} dogs)", head, rows))
    if sweep := report.get("simulated_answers"):
        parts.append(
            '<div class="simulated"><p class="say"><strong>Simulated answers.</strong> No real answers exist yet: '
            "these are drawn from stated tables of what owners say about each coat.</p>"
        )
        parts.append(
            plot(plots.sweep_plot(sweep, "accuracy", "accuracy"), "Category accuracy as answers get worse (simulated)")
        )
        parts.append(
            plot(
                plots.sweep_plot(sweep, "log_loss", "log loss, nats"),
                "Category log loss as answers get worse (simulated)",
            )
        )
        parts.append(
            plot(plots.sweep_plot(sweep, "band_exact", "exact band"), "Length band as answers get worse (simulated)")
        )
        if worth := report.get("simulated_question_worth"):
            parts.append(
                plot(
                    plots.worth_plot(worth),
                    "What each answer alone adds to the photo (simulated). A measured length replaces what the photo "
                    "says of the band: by rule, a ruler beats an estimate. Here it is compared with bands "
                    "judged by eye.",
                )
            )
        parts.append("</div>")
    return ["<h2>Answers</h2>", *parts] if parts else []


def _robust(report: Mapping[str, Any]) -> list[str]:
    section = report.get("robustness")
    if not section:
        return []
    strengths = (
        line(kind, f"<td>{escape(curve['unit'])}</td>", *(cell(f"{row['strength']:g}") for row in curve["rows"][1:]))
        for kind, curve in section["curves"].items()
    )
    refused = (
        line(kind, *(cell(f"{row['refused'] + row['doubtful']:.0%}") for row in curve["rows"]))
        for kind, curve in section["curves"].items()
    )
    return [
        "<h2>Worse pictures</h2>",
        f'<p class="say">{section["n"]} of the photos, short side {section["short_side_px"]} px, by the convention of '
        "Hendrycks and Dietterich 2019: each corruption at five severities.</p>",
        plot(plots.robustness_plot(section), "Left: accuracy. Right: the dangerous part, settled and wrong"),
        table("Strengths", ["corruption", "what", "1", "2", "3", "4", "5"], strengths),
        table("Share refused or called doubtful", ["corruption", "0", "1", "2", "3", "4", "5"], refused),
    ]


def _extras(report: Mapping[str, Any]) -> list[str]:
    """Tables that come ready made: generalisation, ablations."""
    parts = []
    for extra in report.get("extras", ()):
        rows = (line(str(row[0]), *(_extra_cell(value) for value in row[1:])) for row in extra["rows"])
        parts += [
            f"<h2>{escape(extra['title'])}</h2>",
            f'<p class="say">{escape(extra["text"])}</p>',
            table("", extra["head"], rows),
        ]
    return parts


def _extra_cell(value: Any) -> str:
    if isinstance(value, Figure):
        shown, interval = number(value.value), f"({number(value.low)} to {number(value.high)})"
        return f'<td class="n tall">{shown} <span>{interval}</span></td>'
    return cell(value)


def _errors(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> list[str]:
    figures = []
    for error in report["errors"]:
        image = thumbnails.get(error["file"])
        picture = f'<img src="{image}" alt="{escape(error["file"])}">' if image else ""
        people = f"; people: {', '.join(error['annotators'])}" if error["annotators"] else ""
        sure = f" (confidence {error['annotators_confidence']:g})" if error["annotators_confidence"] else ""
        caption = f"{error['said']} at {error['sureness']:.0%}, label {error['label']}{people}{sure}; "
        caption += f"verdict {error['verdict']}. {error['file']}"
        figures.append(f"<figure>{picture}<figcaption>{escape(caption)}</figcaption></figure>")
    shown = f'<div class="gallery">{"".join(figures)}</div>'
    return (
        ["<h2>The most confident errors</h2>", "<p>What the program did not look at is pale.</p>", shown]
        if figures
        else []
    )
