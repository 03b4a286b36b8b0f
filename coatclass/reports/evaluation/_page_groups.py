"""The page's sections on for whom and from what: people, subgroups, answers, worse pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coatclass.reports.evaluation import _plots as plots
from coatclass.reports.evaluation._bootstrap import Figure
from coatclass.reports.evaluation._markup import (
    cell,
    escape,
    figure_cells,
    line,
    plot,
    table,
)

__all__ = ["people", "regimes", "robust", "served"]


def people(report: Mapping[str, Any]) -> list[str]:
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


def served(report: Mapping[str, Any]) -> list[str]:
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


def regimes(report: Mapping[str, Any]) -> list[str]:
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


def robust(report: Mapping[str, Any]) -> list[str]:
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
