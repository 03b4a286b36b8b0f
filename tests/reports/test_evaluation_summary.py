"""METRICS.md says what the report says, and every number in it is the report's own."""

from __future__ import annotations

import csv
import re

import numpy as np
import pytest
from simulated_dogs import dogs

from coatclass.reports.evaluation import build_report, shown_table, write_report
from coatclass.resources import released
from coatclass.taxonomy import CATEGORIES
from tests.later import Later
from training.evaluation.tables import interval, summary

Later("mapie")
Later("matplotlib")
reference = Later("sklearn.metrics")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The report as plain JSON, and the page of Markdown made of it."""
    out = tmp_path_factory.mktemp("report")
    cases = dogs()
    built = build_report(cases, "simulated dogs", resamples=20, draws=2)
    built["extras"] = [{"title": "More", "text": "Told.", "head": ["extra", "share"], "rows": [["one", 0.25]]}]
    report = write_report(built, cases, out)
    return report, summary(report), (out / "evaluation.html").read_text(encoding="utf-8")


def rows_of(page: str, title: str) -> list[list[str]]:
    """The cells of the table whose first heading is this."""
    lines = page.splitlines()
    start = next(n for n, text in enumerate(lines) if text.startswith(f"| {title}"))
    table = []
    for text in lines[start + 2 :]:
        if not text.startswith("|"):
            break
        table.append([cell.strip() for cell in text.strip("|").split("|")])
    return table


def test_each_class_has_the_precision_recall_and_f1_of_scikit_learn(written):
    report, page, _ = written
    judged = dogs().judged
    guess = judged.p_category.argmax(axis=1)
    expected = reference.precision_recall_fscore_support(judged.truth, guess, labels=range(7), zero_division=0)
    for place, row in enumerate(report["classes"]["category"]):
        found = [row["precision"], row["recall"], row["f1"], row["labelled"]]
        assert found == pytest.approx([values[place] for values in expected], abs=1e-5)
        assert row["precision_interval"][0] <= row["precision"] <= row["precision_interval"][1]
    table = rows_of(page, "Class")
    assert [row[0] for row in table[:7]] == list(CATEGORIES)
    assert f"{report['classes']['category'][0]['f1']:.3f}" == table[0][3]


def test_the_confusion_matrix_counts_every_judged_dog(written):
    report, page, _ = written
    counts = np.array([[int(n) for n in row[1:]] for row in rows_of(page, "Label of the category")])
    assert counts.sum() == report["data"]["dogs"]
    assert np.trace(counts) / counts.sum() == pytest.approx(report["photo"]["category"]["accuracy"]["value"], abs=1e-4)


def test_coverage_is_told_for_each_class_of_both_sets(written):
    report, page, _ = written
    names = [row[0] for row in rows_of(page, "Prediction sets")]
    assert names == [f"{what}: {row['class']}" for what in ("category", "band") for row in report["sets"][what]]


def test_ready_made_tables_are_taken_over(written):
    assert rows_of(written[1], "extra") == [["one", "0.250"]]


def test_subgroups_and_photos_on_which_people_split_are_told(written):
    report, page, _ = written
    told = {row[0] for row in rows_of(page, "Subgroup")}
    assert told == {f"{r['kind']}: {r['name']}" for r in report["subgroups"] if "accuracy" in r}
    split = rows_of(page, "The two labels")
    assert len(split) == report["annotators"]["where_annotators_split"]["n"] + 1  # and one row for all
    means = report["annotators"]["where_annotators_split"]
    each = [photo["log_loss"] for photo in means["photos"]]
    assert means["log_loss_against_annotators"]["value"] == pytest.approx(np.mean(each), abs=1e-4)
    # Cross-entropy is never below the entropy of the votes, log 2 where two people split (Gibbs' inequality).
    assert min(each) >= np.log(2) - 1e-6


def test_confidence_is_scored_against_both_annotators(written):
    report, page, _ = written
    assert len(rows_of(page, "Less sure annotator's confidence")) == len(report["by_confidence"]) == 3
    for row in report["by_confidence"]:
        level = dogs().judged.where(lambda case, row=row: case.confidence == row["confidence"])
        shares, p = level.shares, level.p_category
        expected = np.mean([-(q * np.log(of)).sum() for q, of in zip(shares, p, strict=True)])
        assert row["log_loss_against_annotators"]["value"] == pytest.approx(expected, abs=1e-4)
        assert 0 <= row["brier_against_annotators"]["value"] <= 2


def test_what_each_question_is_worth_is_tabled_both_ways_and_called_simulated(written):
    report, page, html = written
    table = rows_of(page, "Question (simulated)")
    worth = report["simulated_question_worth"]["rows"]
    assert [row[0] for row in table] == [row["question"] for row in worth]
    for cells, row in zip(table, worth, strict=True):
        assert cells[1] == f"{row['category_gain']:+.4f}"
        assert cells[2] == (f"{row['category_loss_without']:+.4f}" if "category_loss_without" in row else "")
    lost = next(row["category_loss_without"] for row in worth if "category_loss_without" in row)
    assert f"{lost:.3f}" in html[html.index("worth in nats") :]


def test_reliability_is_drawn_for_answers_and_both_and_called_simulated(written):
    report, _, html = written
    simulated = report["calibration"]["simulated_answers"]
    for regime in ("answers", "both"):
        assert sum(count for _, _, count in simulated[regime]["category_bins"]) == simulated["n"]
    trust = html[
        html.index('">Do the probabilities mean what they say?</h2>') : html.index(
            '">Sets, verdicts', html.index("<h2")
        )
    ]
    marked = trust[trust.index('<div class="simulated">') : trust.index("</div>", trust.index('class="simulated"'))]
    assert marked.count("<svg") == 4
    assert trust.count("<svg") == 4 + 3  # photo alone: two diagrams and the risk-coverage curve
    assert all("simulated" in label for label in re.findall(r'aria-label="([^"]*)"', marked))


def test_of_each_variant_one_row_is_shown_and_the_file_keeps_all():
    head = ["variant", "share", "chosen", "log loss"]
    rows = [["a", "0.0", "", 0.3], ["a", "0.5", "yes", 0.2], ["b", "0.0", "", 0.4], ["b", "1.0", "", 0.5]]
    extra = {"head": head, "rows": rows}
    expected = (["variant", "share", "log loss"], [["a", "0.5", 0.2], ["b", "0.0", 0.4]])
    assert shown_table(extra) == expected
    assert len(extra["rows"]) == 4 and extra["head"] == head
    assert shown_table({"head": ["variant", "share"], "rows": [["a", "0"], ["a", "1"]]})[1] == [["a", "0"], ["a", "1"]]


def test_the_released_ablations_are_shown_at_the_share_that_was_chosen():
    from training.evaluation.generalisation import ablations

    models = released("models")
    with (models / "ablations.csv").open(newline="", encoding="utf-8") as stream:
        read = [row for row in csv.DictReader(stream) if row["val_blend_log_loss"]]
    table = next(extra for extra in ablations(models) if extra["id"] == "ablations")
    head, rows = shown_table(table)
    assert len(set(head)) == len(head), "no two columns are called the same"
    assert [row[0] for row in rows] == list(dict.fromkeys(row["config"] for row in read))
    chosen = {row["config"]: float(row["val_blend_log_loss"]) for row in read if row["chosen"]}
    assert chosen
    shown = {row[0]: row[head.index("val: log loss")] for row in rows}
    assert {name: shown[name] for name in chosen} == chosen


def test_intervals_below_nothing_are_not_joined_by_a_dash():
    assert interval((0.5, 0.75)) == "(0.500–0.750)"
    assert interval((-0.5, -0.0001)) == "(-0.500 to -0.000)"
    assert interval((-0.0001, 0.25)) == "(-0.000 to 0.250)"


def test_figures_are_not_those_of_photos_that_could_be_opened(written):
    """*Usable* is the annotators' word for one dog whose coat can be judged; pictures that open are no such thing."""
    assert "usable" not in written[1]
