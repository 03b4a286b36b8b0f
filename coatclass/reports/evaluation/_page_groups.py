"""The page's sections on for whom and from what: people, subgroups, answers, worse pictures."""

from __future__ import annotations

from collections.abc import Mapping
from math import log
from typing import Any

from coatclass.reports.evaluation import _plots as plots
from coatclass.reports.evaluation._bootstrap import Figure
from coatclass.reports.evaluation._groups import TRAITS_TOLD
from coatclass.reports.evaluation._markup import (
    NAMES,
    cell,
    extra_cell,
    figure_cells,
    line,
    number,
    plot,
    say,
    spoken,
    table,
    word_cell,
)

_MANY_INTERVALS = "Subgroups overlap, and of so many 95 % intervals about one in twenty misses by chance."

__all__ = ["people", "regimes", "robust", "served"]


def people(report: Mapping[str, Any]) -> list[str]:
    parts = []
    if confidence := report.get("by_confidence"):
        rows = (
            line(
                f"{r['confidence']:g}",
                *(cell(r["n"]), figure_cells(r["accuracy"])),
                *(figure_cells(r["log_loss_against_annotators"]), figure_cells(r["brier_against_annotators"])),
                *(cell(r["settled"]), cell(r["wrong_among_settled"])),
            )
            for r in confidence
        )
        head = ["confidence", "photos", "accuracy", "95 %", "log loss against both", "95 %"]
        head += ["Brier against both", "95 %", "share settled", "settled and wrong"]
        parts.append(
            table("By the less sure annotator's confidence (larger: surer), where two people labelled", head, rows)
        )
    if people := report.get("annotators"):
        for name, title in (
            ("category_kappa", "Category: Cohen's kappa"),
            ("band_quadratic_weighted_kappa", "Band: quadratic-weighted kappa"),
        ):
            rows = (line(pair, figure_cells(figure)) for pair, figure in people.get(name, {}).items())
            if name in people:
                parts.append(table(title, ["pair", "kappa", "95 % interval"], rows))
        parts += _split(people["where_people_split"])
    return ["<h2>Against people</h2>", *parts] if parts else []


def _split(split: Mapping[str, Any]) -> list[str]:
    """Photos to which two people gave different labels: as a whole, and one by one."""
    if not split["n"]:
        return []
    whole = (
        line(NAMES.get(key, spoken(key)), cell(Figure(*value).value if isinstance(value, tuple) else value))
        for key, value in split.items()
        if key != "photos"
    )
    photos = (
        line(
            photo["file"],
            *(
                word_cell(f"{label} ({p:.0%})")
                for label, p in zip(photo["labels"], photo["probabilities"], strict=True)
            ),
            word_cell(photo["said"]),
            word_cell(spoken(photo["verdict"] or "")),
            *(cell(photo["log_loss"]), cell(photo["brier"])),
        )
        for photo in split["photos"]
    )
    head = ["photo", "first person", "second person", "said", "verdict", "log loss", "Brier score"]
    return [
        table("Where the two people named different categories", ["", "value"], whole),
        table(
            "The photos on which they split: each label with the model's probability; scores against both "
            f"(best log loss: {number(log(2))} nats)",
            head,
            photos,
            words=head[:5],
        ),
    ]


def served(report: Mapping[str, Any]) -> list[str]:
    rows = report["subgroups"]
    judged = [(f"{r['kind']}: {r['name']}", Figure(*r["accuracy"])) for r in rows if "accuracy" in r]
    overall = Figure(*report["photo"]["category"]["accuracy"]).value
    missing = [f"{r['kind']}: {r['name']} ({r['n']})" for r in rows if "accuracy" not in r]
    parts = ["<h2>Who is served worse?</h2>", say(f"{TRAITS_TOLD} {_MANY_INTERVALS}")]
    caption = "Accuracy of the category by subgroup, with counts of photos and 95 % intervals; dashed: all photos"
    parts.append(plot(plots.bars_with_intervals(judged, "accuracy", overall), caption))
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
        table(
            "",
            ["subgroup", "photos", "accuracy", "95 % interval", "log loss", "share settled", "settled and wrong"],
            cells,
        )
    )
    if missing:
        parts.append(say(f"Too few to judge: {'; '.join(missing)}."))
    return parts


def regimes(report: Mapping[str, Any]) -> list[str]:
    parts = []
    if own := report.get("own_answers"):
        names = [name for name in ("accuracy", "log_loss", "band_exact") if name in own["photo"]]
        rows = (
            line(regime, *(figure_cells(own[regime][name]) for name in names))
            for regime in ("photo", "answers", "both")
        )
        head = ["regime", *(title for name in names for title in (NAMES[name], "95 %"))]
        parts.append(table(f"With these dogs' own answers ({own['n']} dogs)", head, rows))
    if sweep := report.get("simulated_answers"):
        parts.append(
            '<div class="simulated"><p class="say"><strong>Simulated answers.</strong> These answers are made up: '
            "they are drawn from stated tables of what owners say about each coat, for the "
            f"{sweep['n']} photos whose length is known; the same photos stand behind photo alone.</p>"
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
        parts.append(_sweep(sweep))
        if worth := report.get("simulated_question_worth"):
            parts += _worth(worth)
        parts.append("</div>")
    return ["<h2>Answers</h2>", *parts] if parts else []


def _sweep(sweep: Mapping[str, Any]) -> str:
    """The figures behind the plots of simulated answers."""
    names = [name for name in ("accuracy", "log_loss", "band_exact") if name in sweep["photo"]]
    rows = [("photo alone", sweep["photo"])]
    rows += [
        (f"{title}, {row['error_rate']:.0%} wrong (simulated)", row)
        for regime, title in (("answers", "answers alone"), ("both", "photo and answers"))
        for row in sweep["rows"]
        if row["regime"] == regime
    ]
    lines = (line(title, *(extra_cell(row[name]) for name in names)) for title, row in rows)
    head = ["", *(NAMES[name] for name in names)]
    return table("As answers get worse (simulated); 95 % intervals, from resampling dogs", head, lines)


def _worth(worth: Mapping[str, Any]) -> list[str]:
    """What each question adds alone, and what is lost when it alone is left out."""
    caption = "What each answer alone adds to the photo (simulated). A measured length replaces what the photo says of "
    caption += "the band: by rule, a ruler beats an estimate. Here it is compared with bands judged by eye."
    keys = ("category_gain", "category_loss_without", "band_gain", "band_loss_without")
    rows = (line(spoken(row["question"]), *(cell(row.get(key)) for key in keys)) for row in worth["rows"])
    title = f"Each question's worth in nats of log loss (simulated, {worth['error_rate']:.0%} of answers wrong, "
    title += f"{worth['n']} photos): "
    title += "saved when it alone is added to the photo; lost when it alone is left out of all answers"
    head = ["question", "category: added", "category: left out", "band: added", "band: left out"]
    return [plot(plots.worth_plot(worth), caption), table(title, head, rows)]


def robust(report: Mapping[str, Any]) -> list[str]:
    section = report.get("robustness")
    if not section:
        return []
    strengths = (
        line(kind, word_cell(curve["unit"]), *(cell(f"{row['strength']:g}") for row in curve["rows"][1:]))
        for kind, curve in section["curves"].items()
    )
    refused, accuracy, settled = (
        [line(kind, *(show(row, section["n"]) for row in curve["rows"])) for kind, curve in section["curves"].items()]
        for show in (_refused, _accuracy, _settled)
    )
    head = ["severity", "0", "1", "2", "3", "4", "5"]
    return [
        "<h2>Worse pictures</h2>",
        f'<p class="say">{section["n"]} of the photos, short side {section["short_side_px"]} px, by the convention of '
        "Hendrycks and Dietterich 2019: each corruption at five severities; 0 is untouched. Photos that were refused "
        "have no answer: read each accuracy beside the number of photos that it is of.</p>",
        plot(plots.robustness_plot(section), "Accuracy of the category as pictures get worse, where not refused"),
        plot(
            plots.robustness_plot(section, dangerous=True),
            f"The dangerous part: how many of the {section['n']} photos were settled and wrong",
        ),
        table("Strengths", ["severity", "what", "1", "2", "3", "4", "5"], strengths, words=["what"]),
        table("Photos refused, and photos judged but called doubtful", head, refused),
        table(
            "Accuracy where not refused, and of how many photos (95 % interval, from resampling dogs)", head, accuracy
        ),
        table("Wrong among settled (exact 95 % interval of the rate)", head, settled),
    ]


def _refused(row: Mapping[str, Any], photos: int) -> str:
    refused, doubtful = (round(row[key] * photos) for key in ("refused", "doubtful"))
    return cell(f"{refused} + {doubtful}")


def _accuracy(row: Mapping[str, Any], _photos: int) -> str:
    if "accuracy" not in row:
        return cell("all refused")
    low, high = row["accuracy_interval"]
    shown = f"{number(row['accuracy'])} of {row['answered']} <span>({number(low)} to {number(high)})</span>"
    return f'<td class="n tall">{shown}</td>'


def _settled(row: Mapping[str, Any], _photos: int) -> str:
    if not row.get("settled_photos"):
        return cell("none settled")
    low, high = row["settled_wrong_interval"]
    shown = f"{row['settled_wrong']} of {row['settled_photos']} <span>({low:.2f} to {high:.2f})</span>"
    return f'<td class="n tall">{shown}</td>'
