"""A researcher's own table: what is wrong with it is said in plain words, and what it lacks is left out."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from simulated_dogs import dogs

from coatclass.errors import InputError
from coatclass.reports.evaluation import LabelledPhotos, build_report, evaluate_table, read_table, write_report
from coatclass.reports.evaluation.cases import UNKNOWN
from coatclass.taxonomy import BANDS, CATEGORIES
from tests.later import Later

Later("matplotlib")
LETTERS = dict(zip("ABCD", BANDS, strict=True))


def table(folder: Path, rows: list[dict[str, str]]) -> Path:
    path = folder / "data.csv"
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(dict.fromkeys(name for row in rows for name in row)))
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"file": "a.jpg", "category": "poodle", "band": ""}, "'poodle' as category in row 2"),
        ({"file": "a.jpg", "category": "fur", "band": "long"}, "'long' as band in row 2"),
        ({"file": "", "category": "fur", "band": ""}, "names no file in row 2"),
        ({"file": "a.jpg", "band": ""}, "no column category"),
        ({"file": "a.jpg", "category": "fur", "band": "", "confidence": "high"}, "'high' as confidence"),
        ({"file": "a.jpg", "category": "fur", "confidence": "\u00b2"}, "as confidence in row 2"),
        ({"file": "a.jpg", "category": "fur", "confidence": "nan"}, "'nan' as confidence"),
        ({"file": "a.jpg", "category": "fur", "usable": "maybe"}, "'maybe' as usable in row 2. It must be one of: y"),
        ({"file": "a.jpg", "category": "fur", "answers": "none.json"}, "answers 'none.json' in row 2"),
        ({"file": "none.jpg", "category": "fur"}, "'none.jpg' in row 2"),
        ({"file": ".", "category": "fur"}, "'.' in row 2"),
    ],
)
def test_a_bad_table_is_refused_by_row_and_column(tmp_path, row, says):
    (tmp_path / "a.jpg").write_bytes(b"")
    with pytest.raises(InputError, match=says):
        read_table(table(tmp_path, [row]))


def test_a_table_that_is_missing_or_no_text_is_refused(tmp_path):
    with pytest.raises(InputError, match="can't be read"):
        read_table(tmp_path / "none.csv")
    (tmp_path / "bytes.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputError, match="UTF-8"):
        read_table(tmp_path / "bytes.csv")
    (tmp_path / "long.csv").write_text("file,category\n" + "x" * 200_000 + ",fur\n")
    with pytest.raises(InputError, match="not a CSV"):
        read_table(tmp_path / "long.csv")


def test_files_that_are_not_there_are_named_before_any_photo_is_looked_at(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"")
    rows = [{"file": name, "category": "fur"} for name in ("a.jpg", "gone.jpg", "lost.jpg")]
    looked = []
    with pytest.raises(InputError, match=r"names 2 files .*3 \('gone.jpg'\), 4 \('lost.jpg'\)"):
        evaluate_table(table(tmp_path, rows), tmp_path / "out", advance=lambda: looked.append(1))
    assert not looked and not (tmp_path / "out").exists()


def test_all_mistyped_labels_are_told_at_once_and_capital_letters_are_no_mistake(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"")
    labels = ("FUR", "furr", " Hair ", "curls", "not_a_dog")
    rows = [{"file": "a.jpg", "category": label} for label in labels]
    with pytest.raises(InputError, match=r"2 unknown words as category, by row: 3 \('furr'\), 5 \('curls'\)"):
        read_table(table(tmp_path, rows))
    read = read_table(table(tmp_path, [rows[0], rows[2], rows[4]])).rows
    assert [case.category for case in read] == [CATEGORIES.index("fur"), CATEGORIES.index("hair"), UNKNOWN]
    assert [case.is_dog for case in read] == [True, True, False]


def test_a_no_is_a_no_in_every_spelling_and_two_columns_of_one_name_are_refused(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"")
    said = {"n": False, "NO": False, "False": False, "0": False, "": True, "Yes": True, "TRUE": True, "1": True}
    rows = [{"file": "a.jpg", "category": "fur", "usable": word} for word in said]
    assert [case.usable for case in read_table(table(tmp_path, rows)).rows] == list(said.values())
    (tmp_path / "data.csv").write_text("file,category,category\na.jpg,fur,hair\n")
    with pytest.raises(InputError, match="more than one column called 'category'"):
        read_table(tmp_path / "data.csv")


def test_a_table_without_the_columns_tells_which_it_has(tmp_path):
    with pytest.raises(InputError, match=r"no columns category, file\. .*It has: photo, label\."):
        read_table(table(tmp_path, [{"photo": "a.jpg", "label": "fur"}]))


def test_a_photo_is_found_however_its_accents_are_written(tmp_path):
    """One letter has two spellings in Unicode (Standard Annex 15): composed and decomposed."""
    composed, decomposed = "Gro\u00dfe H\u00fcndin.jpg", "Gro\u00dfe Hu\u0308ndin.jpg"
    for there, named in ((composed, decomposed), (decomposed, composed)):
        folder = tmp_path / str(there == composed)
        folder.mkdir()
        (folder / there).write_bytes(b"")
        assert read_table(table(folder, [{"file": named, "category": "fur"}])).rows[0].path.is_file()


def test_photos_that_can_not_be_judged_are_too_few_and_the_first_reason_is_told(tmp_path):
    (tmp_path / "text.jpg").write_text("no picture")
    path = table(tmp_path, [{"file": "text.jpg", "category": "fur", "band": "under_19mm"}])
    with pytest.raises(InputError, match=r"1 were refused, the first, text.jpg: .+\. At least 5"):
        evaluate_table(path, tmp_path / "out")
    assert [file.name for file in (tmp_path / "out").iterdir()] == ["predictions.csv"]


def test_photos_without_a_group_are_told_of(tmp_path):
    cases = dogs(80)
    assert build_report(cases, "t", resamples=5, simulate=False).get("notes") is None
    alone = LabelledPhotos(tuple(replace(case, group=case.file) for case in cases.rows))
    report = build_report(alone, "t", resamples=5, simulate=False)
    assert report["notes"][0].startswith("No photo has a group: each") and "too narrow" in report["notes"][0]
    write_report(report, alone, tmp_path)
    assert "counted as a dog of its own" in (tmp_path / "evaluation.html").read_text(encoding="utf-8")
    some = LabelledPhotos((*alone.rows[:3], *cases.rows[3:]))
    assert build_report(some, "t", resamples=5, simulate=False)["notes"][0].startswith(
        "3 of 80 photos have no group: each"
    )


def test_where_few_dogs_make_intervals_too_narrow_the_exact_ones_are_pointed_to():
    # Eight photos of four dogs, all right: resampling gives the interval 1 to 1, Clopper and Pearson do not.
    told = build_report(dogs(8), "t", resamples=5, simulate=False)
    assert "fewer than 30 dogs (here 4)" in told["notes"][0] and "exact" in told["notes"][0]


def test_with_few_lengths_only_what_concerns_the_length_is_left_out(tmp_path):
    cases = dogs(40)
    few = LabelledPhotos(tuple(replace(c, band=c.band if i < 4 else -1) for i, c in enumerate(cases.rows)))
    report = build_report(few, "t", resamples=5)
    assert "4 coats" in report["notes"][-1] and "left out" in report["notes"][-1]
    assert set(report["photo"]) == set(report["confusion"]) == set(report["sets"]) == {"category"}
    assert "band_bins" not in report["calibration"] and "simulated_answers" not in report
    assert "category_kappa" in report["annotators"]
    write_report(report, few, tmp_path)
    page = (tmp_path / "evaluation.html").read_text(encoding="utf-8")
    assert "Band, " not in page and "Length band" not in page and "4 coats" in page


def test_each_refused_photo_is_listed_with_its_reason(tmp_path):
    from coatclass.errors import PhotoError
    from coatclass.photo import load, refusal

    cases = dogs(20)
    (tmp_path / "cut.jpg").write_bytes(b"")
    with pytest.raises(PhotoError) as refused:
        load(tmp_path / "cut.jpg", name="cut.jpg")
    bad = replace(
        cases.rows[0], file="cut.jpg", estimate=None, evidence=None, decision=None, report=refusal(refused.value)
    )
    report = write_report(build_report(LabelledPhotos((bad, *cases.rows)), "t", resamples=5), cases, tmp_path)
    (listed,) = report["refused_photos"]
    assert listed["file"] == "cut.jpg" and listed["is_dog"] and listed["reason"].endswith(".")
    assert report["data"]["refused"] == 1
    page = (tmp_path / "evaluation.html").read_text(encoding="utf-8")
    assert "cut.jpg" in page[page.index(">Photos that were refused</h2>") :]


def test_breeds_are_told_apart_by_what_the_image_model_could_know_of_them():
    neither = "neither trained on nor named by ImageNet"
    # An affenpinscher is in the training photos and in ImageNet's list; nobody has photographs of a griffin.
    named = ["affenpinscher"] * 12 + ["griffin"] * 8
    cases = LabelledPhotos(tuple(replace(c, breed=b) for c, b in zip(dogs(20).rows[:20], named, strict=True)))
    rows = {r["name"]: r["n"] for r in build_report(cases, "t", resamples=5, simulate=False)["subgroups"]
            if r["kind"] == "breed"}  # fmt: skip
    assert rows == {"the image model was trained on it": 12, "ImageNet names it, untrained": 0, neither: 8}
    unnamed = build_report(dogs(20), "t", resamples=5, simulate=False)["subgroups"]
    assert not [row for row in unnamed if row["kind"] == "breed"]


def labelled(photos: Path, split: str = "val") -> list[dict[str, str]]:
    """Rows of the labelled photos as a researcher would write them."""
    with (photos / "manifest.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["split"] == split and row["band"] in LETTERS]
    return [
        {"file": str(photos / r["file"]), "category": r["category"], "band": LETTERS[r["band"]], "breed": r["breed"]}
        for r in rows
    ]


@pytest.mark.photos
@pytest.mark.slow
def test_a_table_of_real_photos_is_evaluated_from_end_to_end(photos, tmp_path):
    path = table(tmp_path, labelled(photos)[:24])
    report = evaluate_table(path, tmp_path / "out", resamples=20, gallery=3)
    assert report["data"]["photos"] == 24
    assert report["photo"]["category"]["accuracy"]["value"] > 0.6
    assert (tmp_path / "out" / "evaluation.html").stat().st_size > 20_000
    assert next(r for r in report["subgroups"] if r["name"] == "the image model was trained on it")["n"] > 12


@pytest.mark.photos
@pytest.mark.slow
def test_own_answers_other_pictures_and_errors_are_shown(photos, not_dogs, tmp_path):
    """Answers said to be the owner's own, made up here; a wrong label makes an error that is bound to be shown."""
    rows = labelled(photos)[:10]
    short = [row for row in rows if row["category"] == "fur"]
    (tmp_path / "answers.json").write_text(json.dumps({"feel": "silky", "shedding": "seasonal"}))
    rows = [row | {"answers": "answers.json" if row in short else ""} for row in rows]
    shutil.copy(short[0]["file"], tmp_path / "mislabelled.jpg")
    rows.append({"file": "mislabelled.jpg", "category": "curly"})
    cats = sorted(not_dogs.glob("**/*.jpg"))[:5]
    rows += [{"file": str(cat), "category": "not_a_dog"} for cat in cats]
    report = evaluate_table(table(tmp_path, rows), tmp_path / "out", resamples=5, simulate=False)
    assert report["data"]["other_pictures"] == 5
    assert report["dog"]["figures"]["area_under_roc"]["value"] > 0.9
    assert report["own_answers"]["n"] == len(short)
    assert report["calibration"]["own_answers"]["simulated"] is False
    page = (tmp_path / "out" / "evaluation.html").read_text(encoding="utf-8")
    assert "mislabelled.jpg" in [error["file"] for error in report["errors"]]
    gallery = page[page.rindex("The most confident errors") :]
    assert gallery.count("data:image/jpeg;base64,") == len(report["errors"])
    assert "these dogs&#39; own answers" in page
    assert "imulated" not in page[page.index("</style>") :]
