"""Photos from folders, patterns, archives, tables and URLs: the same rows, and nothing hostile gets far."""

from __future__ import annotations

import csv
import io
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from coatclass.cli import main
from coatclass.errors import InputError
from coatclass.photo import default_limits
from coatclass.scoring import COLUMNS, local, photos_at, score, sources
from coatclass.scoring import tables as scoring_tables
from coatclass.scoring.tables import FAILED, made_by
from tests.written import write_csv as write

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def folder(photos, tmp_path_factory):
    """Four real photos in two folders, one file that is no picture, and one that is none of ours."""
    folder = tmp_path_factory.mktemp("scoring") / "dogs"
    (folder / "b" / "c").mkdir(parents=True)
    chosen = sorted((photos / "open").glob("*.jpg"))[::300][:4]
    for path, to in zip(chosen, ("a.jpg", "b/c/d.JPG", "b/e.jpg", "f.jpeg"), strict=True):
        shutil.copy(path, folder / to)
    (folder / "b" / "broken.png").write_bytes(b"no picture")
    (folder / "notes.txt").write_text("no photo")
    return folder


@pytest.fixture(scope="module")
def scored(folder, tmp_path_factory):
    """Their rows without the name of the file."""
    return nameless(table(folder, tmp_path_factory.mktemp("whole") / "t.csv"))


def table(path, out, **how):
    score(photos_at(path), out, **how)
    return read(out)


def read(path):
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def nameless(rows):
    return [{name: cell for name, cell in row.items() if name != "file"} for row in rows]


def test_a_folder_is_gone_through_in_the_order_of_its_paths(folder):
    expected = [path for path in sorted(folder.rglob("*")) if path.suffix.lower() in sources.SUFFIXES]
    assert [photo.source for photo in photos_at(folder)] == expected
    assert photos_at(folder).count() == len(expected) == 5


@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("*.jpg", ["a.jpg"]),
        ("**/*.jpg", ["a.jpg", "b/e.jpg"]),
        ("b/*", ["b/broken.png", "b/e.jpg"]),
        ("**/[de].*", ["b/c/d.JPG", "b/e.jpg"]),
        ("b/?/[!x].JPG", ["b/c/d.JPG"]),
    ],
)
def test_a_pattern_means_what_it_means_to_pythons_own_glob(folder, pattern, names):
    found = [str(photo.source.relative_to(folder)) for photo in photos_at(f"{folder}/{pattern}")]
    assert found == names
    # The reference: the standard library's glob, which holds all names at once.
    reference = sorted(path for path in folder.glob(pattern) if path.is_file())
    assert found == [str(path.relative_to(folder)) for path in reference]


def pack_zip(folder, to):
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(folder.rglob("*")):
            packed.write(path, path.relative_to(folder))
        packed.writestr("__MACOSX/._a.jpg", b"a shadow")
    return to


def pack_tar(folder, to, mode):
    with tarfile.open(to, mode) as packed:
        for path in sorted(folder.rglob("*")):
            packed.add(path, str(path.relative_to(folder)), recursive=False)
        link = tarfile.TarInfo("link.jpg")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
        packed.addfile(link)
    return to


@pytest.mark.parametrize("kind", ["zip", "tar", "tgz"])
def test_photos_are_read_from_an_archive_without_unpacking_it(folder, scored, tmp_path, kind):
    archive = tmp_path / f"dogs.{kind}"
    if kind == "zip":
        pack_zip(folder, archive)
    else:
        pack_tar(folder, archive, "w:gz" if kind == "tgz" else "w")
    rows = table(archive, tmp_path / "t.csv", workers=2 if kind == "zip" else 1)
    assert nameless(rows) == scored
    assert [row["file"] for row in rows] == [
        f"{archive}/{name}" for name in ("a.jpg", "b/broken.png", "b/c/d.JPG", "b/e.jpg", "f.jpeg")
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == [archive.name, "t.csv"]


def test_names_in_an_archive_lead_nowhere_outside_it(tmp_path):
    with zipfile.ZipFile(tmp_path / "d.zip", "w") as packed:
        packed.writestr("../../up.jpg", b"x")
        packed.writestr("/etc/abs.jpg", b"x")
    rows = table(tmp_path / "d.zip", tmp_path / "t.csv")
    assert [row["file"] for row in rows] == [f"{tmp_path}/d.zip/../../up.jpg", f"{tmp_path}/d.zip/etc/abs.jpg"]
    assert {row["status"] for row in rows} == {"refused"}


def test_an_archive_that_unpacks_to_far_more_is_refused_and_one_entry_is_never_read_in_full(tmp_path, monkeypatch):
    """With ceilings of a tenth and a hundredth, to spare time."""
    limits = replace(default_limits(), max_bytes=5_000_000, archive_small_bytes=10_000_000)
    monkeypatch.setattr(sources, "default_limits", lambda: limits)
    with zipfile.ZipFile(tmp_path / "one.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("big.jpg", b"\xff\xd8\xff" + bytes(limits.max_bytes + 1_000_000))
    for photo in photos_at(tmp_path / "one.zip"):
        assert len(photo.source.read()) == limits.max_bytes + 1
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        for number in range(11):
            packed.writestr(f"{number}.jpg", bytes(1_000_000))
    with pytest.raises(InputError, match="far more"):
        photos_at(tmp_path / "bomb.zip")
    with tarfile.open(tmp_path / "bomb.tgz", "w:gz") as packed:
        padding = tarfile.TarInfo("padding.bin")
        padding.size = 11_000_000
        packed.addfile(padding, io.BytesIO(bytes(padding.size)))
        packed.addfile(tarfile.TarInfo("a.jpg"))
    with pytest.raises(InputError, match="far more"):
        photos_at(tmp_path / "bomb.tgz")


def test_a_header_that_claims_much_is_not_read(tmp_path):
    header = tarfile.TarInfo("pax")
    header.type, header.size = tarfile.XHDTYPE, 200_000_000
    (tmp_path / "h.tar").write_bytes(header.tobuf() + bytes(1_000_000))
    with pytest.raises(InputError, match="can't be read as an archive"):
        photos_at(tmp_path / "h.tar")


@pytest.mark.parametrize("name", ["a.zip", "a.tar", "a.tar.gz"])
def test_what_is_no_archive_is_said(tmp_path, name):
    (tmp_path / name).write_bytes(b"\x1f\x8bno archive" * 60)
    with pytest.raises(InputError, match="can't be read as an archive"):
        photos_at(tmp_path / name)


def test_a_damaged_or_locked_entry_is_a_row(folder, tmp_path):
    data = bytearray(pack_zip(folder, tmp_path / "d.zip").read_bytes())
    place = data.index(b"a.jpg") + 400
    data[place : place + 40] = bytes(40)
    (tmp_path / "d.zip").write_bytes(data)
    rows = table(tmp_path / "d.zip", tmp_path / "t.csv")
    assert [row["status"] for row in rows][:2] == ["refused", "refused"] and rows[2]["status"] != "refused"


# --- tables of photos -------------------------------------------------------------------------------------------------


def test_further_columns_are_carried_and_a_label_is_not_lost_to_a_score(folder, scored, tmp_path):
    rows = [
        {"file": "a.jpg", "category": "wire", "dog": "=one", "status": ""},
        {"file": "b/e.jpg", "category": "fur", "dog": "two", "status": "mine"},
    ]
    listed = write(folder / "list.csv", rows)
    try:
        found = table(listed, tmp_path / "t.csv")
    finally:
        listed.unlink()
    assert list(found[0]) == [*COLUMNS, "given_category", "dog", "given_status"]
    assert [(r["given_category"], r["dog"], r["given_status"]) for r in found] == [
        ("wire", "=one", ""), ("fur", "two", "mine")
    ]  # fmt: skip
    ours = [{name: row[name] for name in COLUMNS[1:]} for row in found]
    assert ours == [scored[0], scored[3]]
    again = table(tmp_path / "t.csv", tmp_path / "again.csv")  # a table of scores as a list: its scores give way
    assert again == found


def test_a_parquet_list_keeps_its_types(folder, tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    given = {
        "file": [str(folder / "a.jpg"), str(folder / "b" / "broken.png")],
        "id": [2**53 + 1, None],
        "weight": [1.5, float("nan")],
        "seen": [True, None],
        "when": pa.array([0, 1], pa.timestamp("s")),
        "breed": pa.array(["beagle", None]).dictionary_encode(),
    }
    pq.write_table(pa.table(given), tmp_path / "list.parquet")
    score(photos_at(tmp_path / "list.parquet"), tmp_path / "t.parquet")
    found = pq.read_table(tmp_path / "t.parquet")
    assert [str(found.schema.field(name).type) for name in given] == [
        "string", "int64", "double", "bool", "string", "string"
    ]  # fmt: skip
    assert found["id"].to_pylist() == [2**53 + 1, None] and found["seen"].to_pylist() == [True, None]
    assert found["when"].to_pylist()[1] == "1970-01-01 00:00:01" and found["breed"].to_pylist() == ["beagle", None]


def test_a_url_is_read_as_the_file_that_it_names(folder, scored, tmp_path):
    rows = table(f"file://{folder}", tmp_path / "t.csv")
    assert nameless(rows) == scored
    assert rows[0]["file"] == f"file://{folder}/a.jpg"
    write(tmp_path / "list.csv", [{"file": rows[0]["file"]}, {"file": "gone.jpg"}])
    by_list = table(f"file://{tmp_path}/list.csv", tmp_path / "by.csv")
    assert nameless(by_list)[0] == scored[0]
    assert by_list[1]["file"] == f"file://{tmp_path}/gone.jpg" and by_list[1]["status"] == "refused"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda folder: folder / "none", "does not exist"),
        (lambda folder: f"{folder}/*.tiff", "names no photos"),
        (lambda folder: write(folder / "no.csv", [{"photo": "a.jpg"}]), "no column 'file'"),
        (lambda folder: _bytes(folder / "two.csv", b"file,file\na.jpg,b.jpg\n"), "more than one column called 'file'"),
        (lambda folder: _two_files(folder / "two.parquet"), "more than one column called 'file'"),
        (
            lambda folder: write(folder / "gap.csv", [{"file": "a.jpg", "dog": "x"}, {"file": " ", "dog": "y"}]),
            "no file in row 3",
        ),
        (lambda folder: _gap(folder / "gap.parquet"), "names no file in row 3"),
        (lambda folder: folder / "empty", "names no photos"),
        (lambda folder: "nosuch://bucket/dogs", "can't be read"),
        (lambda folder: _bytes(folder / "x.parquet", b"no table"), "can't be read as Parquet"),
        (lambda folder: _bytes(folder / "x.csv", b"file\n\xff\xfe"), "not a CSV in UTF-8"),
    ],
)
def test_what_names_no_photos_is_said_with_what_to_do(tmp_path, make, says):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=says):
        photos_at(make(tmp_path))


def _two_files(path):
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    pq.write_table(pa.table([["a.jpg"], ["b.jpg"]], names=["file", "file"]), path)
    return path


def _gap(path):
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    pq.write_table(pa.table({"file": ["a.jpg", None, "b.jpg"]}), path)
    return path


def _bytes(path, content):
    path.write_bytes(content)
    return path


# --- going on ---------------------------------------------------------------------------------------------------------


def test_existing_rows_are_kept_by_path_and_the_others_scored(folder, scored, tmp_path, monkeypatch):
    out = tmp_path / "t.csv"
    table(f"{folder}/*.jpg", out)
    made = []
    real = local.score_photo
    monkeypatch.setattr(local, "score_photo", lambda file, source: made.append(file) or real(file, source))
    assert nameless(table(folder, out, skip_existing=True)) == scored
    assert [Path(file).name for file in made] == ["broken.png", "d.JPG", "e.jpg", "f.jpeg"]
    made.clear()
    table(folder, out, skip_existing=True)
    assert not made
    assert [Path(row["file"]).name for row in table(f"{folder}/b/*", out, skip_existing=True)] == [
        "broken.png",
        "e.jpg",
    ]
    table(f"{folder}/b/*", out)
    assert len(made) == 2  # without it, all is made anew


def test_rows_of_another_release_are_not_mixed_in(folder, tmp_path):
    import pyarrow.parquet as pq

    out = tmp_path / "t.parquet"
    score(photos_at(f"{folder}/*.jpg"), out)
    assert local.tables.maker(out) == made_by()
    old = pq.read_table(out).replace_schema_metadata({"coatclass": "coatclass 0.0.1"})
    pq.write_table(old, out)
    with pytest.raises(InputError, match=r"made by coatclass 0\.0\.1"):
        score(photos_at(folder), out, skip_existing=True)
    journal = tmp_path / "new.csv.partial"
    journal.write_text('{"file": "%s", "status": "used", "made_by": "coatclass 0.0.1"}\n' % (folder / "a.jpg"))
    assert table(folder, tmp_path / "new.csv")[0]["p_hair"] != ""


def test_one_photo_on_which_the_program_fails_is_a_row_and_is_said(folder, tmp_path, monkeypatch, capsys):
    from coatclass import estimating

    real = estimating.estimate_photo

    def fails_once(source, **named):
        if Path(source).name == "a.jpg":
            raise MemoryError("no room")
        return real(source, **named)

    monkeypatch.setattr(estimating, "estimate_photo", fails_once)
    assert main(["score", str(folder), "--out", str(tmp_path / "t.csv")]) == 0
    rows = read(tmp_path / "t.csv")
    assert [row["status"] == FAILED for row in rows] == [True, False, False, False, False]
    said = " ".join(capsys.readouterr().err.split())
    assert "1 failed" in said and "MemoryError: no room" in said


def test_missing_model_files_end_the_work_in_every_process(folder, tmp_path):
    """An error of ours comes whole out of a worker, and as itself."""
    import pickle

    from coatclass.errors import MissingExtraError, ModelFilesError, PhotoError

    for error in (ModelFilesError("models/coat.onnx", "is missing.", "Reinstall."), MissingExtraError("This", "web"),
                  PhotoError("a", "b.", "c.", code="empty")):  # fmt: skip
        back = pickle.loads(pickle.dumps(error))
        assert type(back) is type(error) and str(back) == str(error) and back.code == error.code


def test_what_storage_can_not_hand_out_now_is_failed_not_refused_and_tried_again(folder, scored, tmp_path, monkeypatch):
    """fsspec's file system in memory, behind which the connection fails for one photo, three times in a row."""
    import fsspec

    kept = fsspec.filesystem("memory")
    for path in sorted(folder.rglob("*.*")):
        if path.is_file():
            kept.pipe_file(f"/salon/dogs/{path.relative_to(folder)}", path.read_bytes())
    monkeypatch.setattr(scoring_tables, "_PAUSE_S", 0.0)
    real, tries = type(kept)._open, []

    def fails(system, path, *args, **how):
        if path.endswith("e.jpg"):
            tries.append(path)
            raise ConnectionResetError("gone")
        return real(system, path, *args, **how)

    try:
        with monkeypatch.context() as patch:
            patch.setattr(type(kept), "_open", fails)
            rows = table("memory://salon/dogs", tmp_path / "t.csv")
        assert rows[0]["file"] == "memory://salon/dogs/a.jpg" and len(tries) == 3
        assert [row["status"] for row in rows].count(FAILED) == 1 and rows[3]["status"] == FAILED
        write(tmp_path / "list.csv", [{"file": row["file"], "visit": "7"} for row in rows])
        kept.pipe_file("/salon/list.csv", (tmp_path / "list.csv").read_bytes())
        score(photos_at("memory://salon/list.csv"), tmp_path / "t.csv", skip_existing=True)  # all but the failed one
        again = read(tmp_path / "t.csv")
    finally:
        kept.rm("/salon", recursive=True)
    assert nameless([{k: v for k, v in row.items() if k != "visit"} for row in again]) == scored


def test_two_runs_into_one_table_keep_out_of_each_others_rows(folder, scored, tmp_path):
    """Otherwise rows would come out under the names of other photos."""
    refused = []

    def another(row):
        with pytest.raises(InputError, match="another run"):
            score(photos_at(folder), tmp_path / "t.csv")
        refused.append(row)

    score(photos_at(folder), tmp_path / "t.csv", advance=another)
    assert len(refused) == 5 and nameless(read(tmp_path / "t.csv")) == scored
    assert [path.name for path in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize("between", [";", "\t"])
def test_a_list_as_spreadsheets_of_many_countries_write_it_is_read(folder, tmp_path, between):
    lines = (
        between.join(cells) for cells in (("file", "dog", "remark"), (str(folder / "a.jpg"), "5", "felted, behind"))
    )
    (tmp_path / "list.csv").write_text("\n".join(lines))
    (found,) = photos_at(tmp_path / "list.csv")
    assert found.source == folder / "a.jpg" and found.carried == {"dog": "5", "remark": "felted, behind"}


@pytest.mark.slow
def test_the_memory_that_is_needed_does_not_grow_with_the_number_of_photos(tmp_path):
    """Photos that are not there take no time: what is measured is the work around them. Rows are held by the piece."""
    peaks = []
    for many in (2_000, 8_000):
        write(tmp_path / "list.csv", [{"file": f"none-{number}.jpg", "remark": "x" * 200} for number in range(many)])
        code = (
            "import sys; from coatclass.scoring import tables; tables.ROWS = 500\n"
            "from coatclass.cli import main; main(sys.argv[1:])\n"
            "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))\n"
        )
        command = [sys.executable, "-c", code, "score", tmp_path / "list.csv", "--out", tmp_path / "t.parquet"]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        done = subprocess.run(command, check=True, capture_output=True, text=True, env=environment)
        peaks.append(int(done.stdout.split()[-1]) / 1024)
    assert peaks[1] - peaks[0] < 7, peaks  # MB; 6,000 rows held as dicts would be twice that
