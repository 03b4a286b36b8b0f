"""The table of many photos: one row a photo, the same whatever the workers, shards or interruptions."""

from __future__ import annotations

import csv
import json
import shutil

import pytest

from coatclass.cli import main
from coatclass.scoring import COLUMNS, local, photos_at, score
from coatclass.scoring.tables import made_by
from tests.written import write_csv as write


@pytest.fixture
def folder(photos, tmp_path):
    """A dozen real photos, a cat-less mix of coats, and one file that is no picture."""
    target = tmp_path / "dogs"
    target.mkdir()
    for path in sorted((photos / "open").glob("*.jpg"))[::100]:
        shutil.copy(path, target)
    (target / "broken.jpg").write_bytes(b"no picture")
    return target


def read(path):
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_one_row_a_photo_with_probabilities_that_sum_to_one(folder, tmp_path):
    out = tmp_path / "table.csv"
    assert main(["score", str(folder), "--out", str(out)]) == 0
    rows = read(out)
    assert [row["file"] for row in rows] == [str(path) for path in sorted(folder.iterdir())]
    assert tuple(rows[0]) == COLUMNS
    for row in rows:
        if row["status"] == "refused":
            assert row["p_hair"] == ""
            continue
        assert sum(float(row[name]) for name in COLUMNS if name.startswith("p_")) == pytest.approx(1)
        assert sum(float(row[name]) for name in COLUMNS if name.startswith("b_")) == pytest.approx(1)
        assert row["category"] in row["category_set"].split()
    assert next(row for row in rows if "broken" in row["file"])["status"] == "refused"


def test_rows_do_not_depend_on_the_number_of_workers(folder, tmp_path):
    files = photos_at(folder)
    score(files, tmp_path / "one.csv", workers=1)
    score(files, tmp_path / "two.csv", workers=2)
    assert read(tmp_path / "one.csv") == read(tmp_path / "two.csv")


def test_shards_are_disjoint_and_together_whole(folder, tmp_path):
    """Each photo is in one shard, though the list names some of them twice; cheap here: no photo is opened."""
    names = [str(path) for path in sorted(folder.iterdir())]
    write(tmp_path / "list.csv", [{"file": name} for name in [*names, *names[:3]]])
    photos = photos_at(tmp_path / "list.csv")
    parts = []
    for part in (1, 2, 3):
        index = local.PhotoIndex()
        parts.append([photo.file for photo in photos if index.add(photo.file, {}, (part, 3))])
    assert sorted(file for part in parts for file in part) == names
    assert max(map(len, parts)) - min(map(len, parts)) <= 1


def test_an_interrupted_run_goes_on_where_it_stopped(folder, tmp_path, monkeypatch):
    files = photos_at(folder)
    out = tmp_path / "table.csv"
    score(files, tmp_path / "whole.csv")
    done = []

    def interrupted(file, source):
        if len(done) == 4:
            raise KeyboardInterrupt
        done.append(file)
        return real(file, source)

    real = local.score_photo
    monkeypatch.setattr(local, "score_photo", interrupted)
    with pytest.raises(KeyboardInterrupt):
        score(files, out)
    assert not out.exists()
    journal = tmp_path / "table.csv.partial"
    assert len(journal.read_text().splitlines()) == 4
    with journal.open("a") as stream:
        stream.write('{"file": "cut in the mid')  # as a kill would leave it
    again = []
    monkeypatch.setattr(local, "score_photo", lambda file, source: again.append(file) or real(file, source))
    score(files, out)
    assert len(again) == files.count() - 4
    assert read(out) == read(tmp_path / "whole.csv")
    assert not journal.exists()


def test_parquet_holds_the_same_rows_and_what_made_them(folder, tmp_path):
    import pyarrow.parquet as pq

    files = photos_at(str(folder / "*[02468].jpg"))
    score(files, tmp_path / "t.csv")
    score(files, tmp_path / "t.parquet")
    table = pq.read_table(tmp_path / "t.parquet")
    for row, text in zip(table.to_pylist(), read(tmp_path / "t.csv"), strict=True):
        assert {name: "" if value is None else str(value) for name, value in row.items()} == text
    assert table.schema.metadata[b"coatclass"].decode() == made_by()


def test_a_list_of_photos_names_them_relative_to_itself(folder):
    names = sorted(path.name for path in folder.iterdir())[:3]
    (folder / "list.csv").write_text("file,remark\n" + "".join(f"{name},x\n" for name in names))
    photos = photos_at(folder / "list.csv")
    assert [photo.source for photo in photos] == [folder / name for name in names]
    assert photos.carried == {"remark": "text"}


def test_the_output_of_assess_fits_the_schema(photos, capsys):
    import jsonschema

    photo = sorted((photos / "open").glob("*.jpg"))[0]
    assert main(["assess", str(photo), "--json"]) == 0
    assessment = json.loads(capsys.readouterr().out)
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.validate(assessment, schema)
    assert list(assessment["category"]["probabilities"]) == ["hair", "fur", "mixed", "wire", "curly", "drop", "arctic"]


def test_check_finds_this_installation_whole(capsys):
    assert main(["check"]) == 0
    assert "fault" not in capsys.readouterr().out
