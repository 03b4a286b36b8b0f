"""A table of scores evaluated a piece at a time: the figures of the whole, and two runs compared on the same dogs."""

from __future__ import annotations

import csv
import json
import random
import re
from dataclasses import replace

import numpy as np
import pytest
from simulated_dogs import dogs

from coatclass.cli import main
from coatclass.contract import CoatEstimate, Decision, Verdict
from coatclass.errors import InputError
from coatclass.reports.evaluation import (
    LabelledPhotos,
    build_report,
    compare,
    metrics,
    read_scored,
    report_of_scores,
    sums,
)
from coatclass.reports.evaluation.report import PREDICTIONS, write_predictions
from coatclass.scoring import tables
from coatclass.words import in_language
from tests.later import Later
from tests.written import write_csv as write

Later("matplotlib")
stats = Later("scipy.stats")


@pytest.fixture(scope="module")
def cases():
    """Simulated dogs, two photos each, a sixth labelled wrongly; sources, hidden coats, one refused, five cats."""
    rows = [
        replace(case, category=(case.category + 1) % 7, band=3 - case.band) if i % 6 == 0 and case.is_dog else case
        for i, case in enumerate(dogs(600).rows)
    ]
    rows = [replace(case, source=("shelter", "show", "")[i % 3], usable=i % 7 != 0) for i, case in enumerate(rows)]
    refused = Decision(categories=(), bands=(), verdict=Verdict.UNUSABLE_PHOTO)
    rows[3] = replace(rows[3], estimate=None, evidence=None, decision=refused)
    return LabelledPhotos(tuple(rows))


@pytest.fixture(scope="module")
def table(cases, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scored")
    write_predictions(cases, folder)
    return folder / PREDICTIONS


@pytest.fixture
def small_pieces(monkeypatch):
    monkeypatch.setattr(tables, "ROWS", 97)


def rows_of(path):
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_the_figures_are_those_of_all_cases_held_at_once(cases, table, small_pieces):
    ours = report_of_scores(table, "t", resamples=400)
    whole = build_report(cases, "t", resamples=400, simulate=False)
    for part in ("category", "band"):
        assert list(ours["photo"][part]) == list(whole["photo"][part])
        for name, figure in whole["photo"][part].items():
            found = ours["photo"][part][name]
            assert found.value == pytest.approx(figure.value, abs=1e-9), name
            assert found.n == figure.n
            # Two ways of resampling the same 300 dogs: their ends differ by chance, by far less than they are apart.
            width = figure.high - figure.low
            assert abs(found.low - figure.low) <= 0.25 * width, (name, found, figure)
            assert abs(found.high - figure.high) <= 0.25 * width, (name, found, figure)
    for section in ("confusion", "classes", "verdicts", "settled", "mixed", "data"):
        assert ours[section] == whole[section], section
    for one, other in zip(ours["sets"]["category"], whole["sets"]["category"], strict=True):
        assert one.pop("interval") == pytest.approx(other.pop("interval"))
        assert one == pytest.approx(other)
    for key in ("category_bins", "band_bins"):
        for one, other in zip(ours["calibration"][key], whole["calibration"][key], strict=True):
            assert one == pytest.approx(other)
    assert [error["file"] for error in ours["errors"]] == [error["file"] for error in whole["errors"]]
    by_source = {row["name"]: row for row in whole["subgroups"] if row["kind"] == "source"}
    found = {row["name"]: row for row in ours["subgroups"] if row["kind"] == "source"}
    assert set(found) == set(by_source)
    for name, row in by_source.items():
        assert found[name]["n"] == row["n"] and found[name]["wrong_among_settled"] == row["wrong_among_settled"]
        assert found[name]["accuracy"].value == pytest.approx(row["accuracy"].value)
        assert found[name]["log_loss"].value == pytest.approx(row["log_loss"].value)


def test_the_order_of_the_rows_and_the_size_of_the_pieces_change_nothing(table, tmp_path, monkeypatch):
    rows = rows_of(table)
    random.Random(1).shuffle(rows)
    shuffled = write(tmp_path / "shuffled.csv", rows)
    one = report_of_scores(table, "t", resamples=50)["photo"]
    monkeypatch.setattr(tables, "ROWS", 31)
    other = report_of_scores(shuffled, "t", resamples=50)["photo"]
    for part, figures in one.items():
        for name, figure in figures.items():
            assert tuple(other[part][name]) == pytest.approx(tuple(figure), abs=2e-6), name


def test_each_dog_counts_as_poisson_says_and_the_same_in_every_piece():
    """Against the distribution itself (scipy), by a chi-square test at 1 in 10,000."""
    groups = sums.hashed(f"dog {number}" for number in range(2000))
    counts = sums.poisson_counts(groups, 250)
    observed = np.bincount(counts.astype(int).ravel(), minlength=8)
    expected = stats.poisson.pmf(np.arange(7), 1)
    expected = np.append(expected, 1 - expected.sum()) * counts.size
    assert stats.chisquare(np.append(observed[:7], observed[7:].sum()), expected).pvalue > 1e-4
    assert np.array_equal(sums.poisson_counts(groups[[5, 5, 9]], 250), counts[[5, 5, 9]])
    off_diagonal = np.corrcoef(counts[:, :40].T)[~np.eye(40, dtype=bool)]
    assert abs(off_diagonal).max() < 5 / np.sqrt(len(groups))


def test_figures_of_counts_are_the_figures_of_the_photos():
    """Sureness on a grid, so that many photos tie: both forms of each definition must agree."""
    rng = np.random.default_rng(3)
    sure = rng.integers(1, 33, 500) / 32
    right = rng.random(500) < sure
    step = ((1 - sure) * 32).astype(int)
    photos = np.bincount(step, minlength=32).astype(float)[None]
    wrong = np.bincount(step[~right], minlength=32).astype(float)[None]
    level = 1 - np.arange(32) / 32
    assert metrics.area_under_risk_coverage_of(photos, wrong)[0] == pytest.approx(
        metrics.area_under_risk_coverage(sure, right)
    )
    for risk in (0.02, 0.1, 0.3, 0.9):
        assert metrics.coverage_at_risk_of(photos, wrong, risk)[0] == pytest.approx(
            metrics.coverage_at_risk(sure, right, risk)
        )
    # Photos that tie are split between bins in the order of the table by one, evenly by the other.
    assert metrics.adaptive_calibration_error_of(photos, wrong, level)[0] == pytest.approx(
        metrics.adaptive_calibration_error(sure, right), abs=0.03
    )


# --- two runs ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def other(cases, table):
    """The same photos, less sure of everything, in another order, without labels, and one photo less."""
    rows = [row for row in rows_of(table) if row["file"] != "10.jpg"]
    for row in rows:
        if row["p_hair"]:
            p = [float(row[name]) for name in row if name.startswith("p_")]
            for name, value in zip([n for n in row if n.startswith("p_")], np.array(p) * 0.8 + 0.2 / 7, strict=True):
                row[name] = repr(float(value))
    rows = [{name: cell for name, cell in row.items() if name not in ("truth", "truth_band", "group")} for row in rows]
    random.Random(2).shuffle(rows)
    return write(table.with_name("other.csv"), rows)


def test_a_run_against_itself_differs_by_nothing(table):
    found = compare(table, table, resamples=50)
    assert (found["only_here"], found["only_there"]) == (0, 5)  # five cats have no label of a coat
    for figures in found["figures"].values():
        for name, of in figures.items():
            assert tuple(of["difference"])[:3] == (0, 0, 0), name


def test_differences_are_paired_by_photo_and_resampled_by_dog(cases, table, other):
    found = compare(table, other, resamples=500)
    judged = cases.judged.where(lambda case: case.file != "10.jpg")
    assert (found["photos"], found["only_here"], found["only_there"]) == (
        len(judged),
        1,
        5,
    )  # five cats, unlabelled there
    p, truth = judged.p_category, judged.truth
    flat = p * 0.8 + 0.2 / 7
    of = found["figures"]["category"]["log_loss"]
    assert of["here"].value == pytest.approx(metrics.log_loss(truth, p))
    assert of["there"].value == pytest.approx(metrics.log_loss(truth, flat))
    # The reference: the same photos resampled together, in memory.
    paired = metrics.bootstrap(
        {"log_loss": lambda r: metrics.log_loss(truth[r], p[r]) - metrics.log_loss(truth[r], flat[r])}, judged.groups
    )["log_loss"]
    assert of["difference"].value == pytest.approx(paired.value)
    width = paired.high - paired.low
    assert of["difference"].low == pytest.approx(paired.low, abs=0.25 * width)
    assert of["difference"].high == pytest.approx(paired.high, abs=0.25 * width)
    alone = of["here"].high - of["here"].low
    assert width < alone  # what pairing is for
    assert of["difference"].n == len(judged) and found["figures"]["category"]["accuracy"]["difference"].value == 0


def test_runs_on_other_labels_or_other_photos_are_not_compared(table, tmp_path):
    rows = rows_of(table)
    rows[0] = rows[0] | {"truth": "wire" if rows[0]["truth"] != "wire" else "fur"}
    with pytest.raises(InputError, match=r"column truth: calls 0\.jpg"):
        compare(table, write(tmp_path / "labels.csv", rows), resamples=5)
    elsewhere = [row | {"file": f"x{row['file']}"} for row in rows]
    with pytest.raises(InputError, match="0 photos in common"):
        compare(table, write(tmp_path / "elsewhere.csv", elsewhere), resamples=5)
    with pytest.raises(InputError, match="more than once"):
        compare(table, write(tmp_path / "twice.csv", [*rows_of(table), rows_of(table)[1]]), resamples=5)


# --- the command ------------------------------------------------------------------------------------------------------


def test_the_command_needs_no_photo_breaks_down_and_compares(table, other, tmp_path, capsys):
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows = [row | {"clinic": f"clinic {place % 2}"} for place, row in enumerate(rows_of(table))]
    columns = {name: [row[name] or None for row in rows] for name in rows[0]}
    columns |= {n: [float(c) if c else None for c in columns[n]] for n in columns if n[:2] in ("p_", "b_")}
    pq.write_table(pa.table(columns), tmp_path / "scored.parquet")
    out = tmp_path / "out"
    command = ["evaluate", str(tmp_path / "scored.parquet"), "--out", str(out), "--resamples", "40"]
    assert main([*command, "--by", "clinic", "--against", str(other)]) == 0
    report = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    assert [row["name"] for row in report["subgroups"] if row["kind"] == "clinic"] == ["clinic 0", "clinic 1"]
    assert report["photo"]["category"]["accuracy"]["n"] == report["data"]["dogs"]
    assert report["comparison"]["figures"]["category"]["log_loss"]["difference"]["value"] != 0
    page = (out / "evaluation.html").read_text(encoding="utf-8")
    assert "Against another run" in page and "clinic: clinic 0" in page
    contents = re.search(r'<nav aria-label="Contents">(.*?)</nav>', page, re.DOTALL)[1]
    links = re.findall(r'<a href="#([^"]+)">([^<]+)</a>', contents)
    assert [title for _, title in links] == re.findall(r"<h2[^>]*>([^<]+)</h2>", page)
    assert all(f'id="{place}"' in page for place, _ in links) and len(links) >= 5


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda row: row | {"truth": "poodle"}, "'poodle' as truth in row 2"),
        (lambda row: row | {"truth": "Hair"}, "'Hair' as truth in row 2. It must be one of: hair, fur"),
        (
            lambda row: row | {"usable": "perhaps"},
            "'perhaps' as usable in row 2. It must be one of: y, yes, true, 1, n",
        ),
        (lambda row: row | {"file": " "}, "names no file in row 2"),
        (lambda row: row | {"truth_band": "long"}, "'long' as truth_band in row 2"),
        (lambda row: row | {"category": "poodle"}, "'poodle' as category in row 2"),
        (lambda row: row | {"length_band": "long"}, "'long' as length_band in row 2"),
        (lambda row: row | {"p_hair": "0.9", "p_fur": "0.9"}, "in row 2 that don't add up to 1"),
        (lambda row: row | {"p_hair": "-0.5", "p_fur": "1.5"}, "in row 2 that don't add up to 1"),
        (lambda row: row | {"p_hair": "nan"}, "in row 2 that don't add up to 1"),
        (lambda row: row | {"p_hair": "inf", "p_fur": "-inf"}, "in row 2 that don't add up to 1"),
        (lambda row: row | {"b_under_19mm": "", "b_over_75mm": "1e300"}, "in row 2 that don't add up to 1"),
        (lambda row: row | {"p_hair": ""}, "lacks some of the probabilities in row 2"),
        (lambda row: row | {"p_hair": "much"}, "'much' as p_hair in row 2: no number"),
        (lambda row: row | {"p_fur": "0,9"}, "'0,9' as p_fur in row 2: no number.*points in numbers"),
        (lambda row: row | {"usable": "perhaps"}, "'perhaps' as usable in row 2"),
        (lambda row: row | {"category_set": "hair poodle"}, "'hair poodle' as category_set"),
        (lambda row: row | {"verdict": "sure"}, "'sure' as verdict in row 2"),
        (lambda row: {k: v for k, v in row.items() if k != "truth"}, "no column 'truth'"),
        (
            lambda row: {k: v for k, v in row.items() if k not in ("category_set", "verdict")},
            "has no columns category_set, verdict",
        ),
    ],
)
def test_a_bad_table_of_scores_is_refused_by_row_and_column(table, tmp_path, change, says):
    rows = rows_of(table)[:30]
    changed = [change(rows[0]), *rows[1:]]
    changed = [{name: row.get(name, "") for name in changed[0]} for row in changed]
    with pytest.raises(InputError, match=says):
        report_of_scores(write(tmp_path / "bad.csv", changed), "t", resamples=2)


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_workbench_refuses_the_same_words_in_a_table_of_scores(table, tmp_path, language):
    rows = rows_of(table)[:30]
    for wrong, says in (({"truth": "Hair"}, "Hair"), ({"usable": "perhaps"}, "perhaps"), ({"file": ""}, "2")):
        with pytest.raises(InputError, match=says) as caught:
            read_scored(write(tmp_path / "bad.csv", [rows[0] | wrong, *rows[1:]]))
        for sentence in (caught.value.problem, caught.value.next_step):
            assert in_language(sentence, language) != sentence or language == "en", sentence


def test_a_no_is_a_no_however_a_table_writes_it(table, tmp_path):
    """Parquet by pyarrow: booleans and whole numbers keep their types; a missing one counts as an empty cell, a yes."""
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    rows = rows_of(table)
    hidden = [row["usable"] == "n" for row in rows]
    texts = {name: [row[name] for row in rows] for name in rows[0]}
    ways = {
        "booleans": pa.array([False if no else None if n % 2 else True for n, no in enumerate(hidden)]),
        "whole numbers": pa.array([int(not no) for no in hidden]),
        "words": pa.array(["No" if no else "" for no in hidden]),
    }

    def lengths(path):
        return next(iter(report_of_scores(path, "t", resamples=2)["photo"]["band"].values())).n

    expected = lengths(table)
    assert 0 < expected < sum(row["truth_band"] != "" for row in rows)
    for name, column in ways.items():
        path = tmp_path / f"{name}.parquet"
        pq.write_table(pa.table({**texts, "usable": column}), path)
        assert lengths(path) == expected, name


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_table_with_two_columns_of_one_name_is_refused(table, tmp_path, capsys, ending, language):
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    rows, path = rows_of(table)[:30], tmp_path / f"twice{ending}"
    names = [*rows[0], "truth"]
    if ending == ".csv":
        lines = [names, *([*row.values(), "fur"] for row in rows)]
        path.write_text("\n".join(",".join(line) for line in lines), encoding="utf-8")
    else:
        pq.write_table(pa.table([pa.array([row[name] for row in rows]) for name in names], names=names), path)
    assert main(["evaluate", str(path), "--out", str(tmp_path / "out"), "--language", language]) == 3
    said = " ".join(capsys.readouterr().err.split())
    assert {"en": "more than one column called 'truth'", "de": "mehr als eine Spalte namens „truth“"}[language] in said
    assert not (tmp_path / "out").exists()


def test_a_photo_that_stands_there_twice_is_refused_with_its_rows(table, tmp_path, monkeypatch):
    from coatclass.scoring import tables

    rows = rows_of(table)[:30]
    monkeypatch.setattr(tables, "ROWS", 7)  # in other pieces than the first time
    twice = write(tmp_path / "twice.csv", [*rows, rows[20], rows[3], rows[20]])
    with pytest.raises(InputError, match="the same photo in rows 22 and 32"):
        report_of_scores(twice, "t", resamples=2)
    report_of_scores(write(tmp_path / "once.csv", rows), "t", resamples=2)


def test_what_is_missing_is_said_before_anything_is_read(table, tmp_path, capsys):
    plain = write(tmp_path / "photos.csv", [{"file": "a.jpg", "category": "fur"}])
    (tmp_path / "file").write_text("")
    for arguments, says in (
        ([str(table), "--robustness", "3"], "needs photos"),
        ([str(table), "--by", "clinic"], "no column clinic"),
        ([str(table), "--against", str(plain)], "no table of scores"),
        ([str(plain), "--by", "breed"], "takes a table of scores"),
    ):
        assert main(["evaluate", *arguments, "--out", str(tmp_path / "out")]) == 3
        assert says in " ".join(capsys.readouterr().err.split())
    assert main(["evaluate", str(table), "--out", str(tmp_path / "file" / "out")]) == 3
    assert not (tmp_path / "out").exists()


def test_predictions_stay_when_there_are_too_few_to_report(tmp_path):
    from coatclass.reports.evaluation import evaluate_table

    (tmp_path / "text.jpg").write_text("no picture")
    photos = write(tmp_path / "photos.csv", [{"file": "text.jpg", "category": "fur", "band": "under_19mm"}])
    with pytest.raises(InputError, match="At least 5"):
        evaluate_table(photos, tmp_path / "out")
    (row,) = rows_of(tmp_path / "out" / PREDICTIONS)
    assert (row["file"], row["status"], row["truth"], row["p_hair"]) == ("text.jpg", "refused", "fur", "")


def test_a_table_of_nobody_but_refused_photos_is_too_few(table, tmp_path):
    rows = [row | {name: "" for name in row if name[:2] in ("p_", "b_")} for row in rows_of(table)[:9]]
    with pytest.raises(InputError, match="has 0 dogs"):
        report_of_scores(write(tmp_path / "none.csv", rows), "t", resamples=2)


def test_an_estimate_survives_the_table(cases, table):
    rows = {row["file"]: row for row in rows_of(table)}
    case = cases.rows[0]
    assert isinstance(case.estimate, CoatEstimate)
    assert [float(rows[case.file][f"p_{name}"]) for name in ("hair", "fur")] == list(case.estimate.category[:2])
