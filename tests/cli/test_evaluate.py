"""``coatclass evaluate``: from the command line to the two files, on a few real photos."""

from __future__ import annotations

import csv
import json

import pytest

from coatclass.cli import main
from coatclass.taxonomy import BANDS
from tests.later import Later
from tests.written import write_csv as write

Later("matplotlib")


@pytest.fixture
def data(photos, tmp_path):
    """Five photos of the val split, as a researcher would list them, and one file that is no picture."""
    letters = dict(zip("ABCD", BANDS, strict=True))
    with (photos / "manifest.csv").open(encoding="utf-8") as stream:
        chosen = [row for row in csv.DictReader(stream) if row["split"] == "val" and row["band"] in letters][::60][:5]
    rows = [
        {"file": str(photos / r["file"]), "category": r["category"], "band": letters[r["band"]], "group": r["group"]}
        for r in chosen
    ]
    (tmp_path / "broken.jpg").write_bytes(b"no picture")
    return write(tmp_path / "dogs.csv", [*rows, {"file": "broken.jpg", "category": "fur", "band": "", "group": "x"}])


@pytest.mark.photos
@pytest.mark.slow
def test_the_command_writes_the_report_with_worse_pictures_and_refusals(data, tmp_path, capsys):
    out = tmp_path / "report"
    assert main(["evaluate", str(data), "--out", str(out), "--robustness", "1", "--resamples", "10"]) == 0
    assert "evaluation.html" in capsys.readouterr().out
    report = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    assert report["data"]["photos"] == 6 and report["data"]["refused"] == 1
    assert [photo["file"] for photo in report["refused_photos"]] == ["broken.jpg"]
    assert len(report["notes"]) == 1 and "fewer than 30 dogs" in report["notes"][0]
    assert {len(curve["rows"]) for curve in report["robustness"]["curves"].values()} == {6}
    page = (out / "evaluation.html").read_text(encoding="utf-8")
    assert "broken.jpg" in page and "Wrong among settled" in page


def test_the_help_names_every_column_that_is_read(capsys):
    from coatclass.reports.evaluation import COLUMNS

    with pytest.raises(SystemExit) as stopped:
        main(["evaluate", "--help"])
    assert stopped.value.code == 0
    said = capsys.readouterr().out
    told = said[said.index("columns of DATA.csv") :].partition("\n\n")[0]
    listed = [line.split()[0] for line in told.splitlines()[1:] if line[2:3] != " "]
    expected = {
        "file", "category", "band", "group", "breed", "source", "usable", "category_1", "band_1", "category_2",
        "band_2", "confidence", "answers",
    }  # fmt: skip
    assert set(listed) == set(COLUMNS) == expected
    assert "not_a_dog" in said and all(band in said for band in BANDS)


def test_a_photo_that_is_not_there_is_bad_input_and_nothing_is_written(tmp_path, capsys):
    table = write(tmp_path / "dogs.csv", [{"file": "gone.jpg", "category": "fur", "band": ""}])
    assert main(["evaluate", str(table), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert "gone.jpg" in said and "row 2" in said and "Traceback" not in said
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("mark", [";", "\t"])
@pytest.mark.parametrize("columns", [("file", "category"), ("file", "p_hair", "truth")])
def test_a_table_with_other_marks_between_its_columns_is_told_which_to_use(tmp_path, capsys, mark, columns):
    table = tmp_path / "dogs.csv"
    table.write_text(mark.join(columns) + "\n" + mark.join("x" * len(columns)) + "\n", encoding="utf-8")
    for language, told in (("en", "commas between the columns"), ("de", "mit Kommas zwischen den Spalten")):
        assert main(["evaluate", str(table), "--out", str(tmp_path / "out"), "--language", language]) == 3
        assert told in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("option", ["--robustness", "--gallery", "--resamples"])
def test_counts_below_nothing_are_bad_usage(option, tmp_path):
    with pytest.raises(SystemExit) as stopped:
        main(["evaluate", "dogs.csv", "--out", str(tmp_path), option, "-1"])
    assert stopped.value.code == 2
