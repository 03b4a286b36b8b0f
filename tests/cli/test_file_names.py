"""Whatever a photo is called, the table has a row for it, a spreadsheet runs nothing, and the name leads back."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from coatclass.scoring import read_path, written_path

ROOT = Path(__file__).resolve().parents[2]
NAMES = [
    b"plain.jpg",
    b"latin-1 Stra\xdfe.jpg",
    b"\xff\xfe.jpg",
    "Zoë 毛.jpg".encode(),
    b"two\nlines.jpg",
    b"carriage\rreturn.jpg",
    b"=cmd.jpg",
    b"+1.jpg",
    b"-x.jpg",
    b"@sum.jpg",
    b'quo"te,comma.jpg',
    b"file:odd%20name.jpg",
    b"\x1b[31mred.jpg",
]


@pytest.fixture
def folder(tmp_path):
    Image.effect_noise((90, 90), 60).convert("RGB").save(tmp_path / "noise.jpg")
    content = (tmp_path / "noise.jpg").read_bytes()
    (tmp_path / "noise.jpg").unlink()
    for name in NAMES:
        Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)).write_bytes(content)
    return tmp_path


def python(*arguments, cwd):
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run([sys.executable, *arguments], cwd=cwd, env=environment, capture_output=True, check=False)


def coatclass(*arguments, cwd):
    return python("-m", "coatclass", *arguments, cwd=cwd)


def test_every_name_gets_a_row_that_leads_back_and_is_no_formula(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "table.csv"
    done = coatclass("score", ".", "--out", str(out), cwd=folder)
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    with out.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(NAMES)
    assert {os.fsencode(read_path(row["file"]).name) for row in rows} == set(NAMES)
    for row in rows:
        assert row["file"][0] not in "=+-@\t\r"
        assert (folder / read_path(row["file"])).is_file()
    again = coatclass("score", str(out), "--out", str(out.with_name("again.csv")), cwd=folder)  # not there: refused
    assert again.returncode == 0
    with out.with_name("again.csv").open(newline="", encoding="utf-8") as stream:
        assert len(list(csv.DictReader(stream))) == len(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_path_is_read_back_as_it_was_written(name):
    path = Path(os.fsdecode(name))
    assert read_path(written_path(path)) == path
    written_path(path).encode()


ASSESS_EACH = """
import sys
from coatclass.cli import main
print(*[main(["assess", *form, name]) for name in sys.argv[1:] for form in ([], ["--json"])], file=sys.stderr)
"""


def test_assess_prints_any_name_without_a_traceback(folder):
    """In a process of its own, whose output is encoded as a terminal's is."""
    names = [b"\xff\xfe.jpg", b"two\nlines.jpg", b"\x1b[31mred.jpg"]
    done = python("-c", ASSESS_EACH, *(os.fsdecode(b"./" + name) for name in names), cwd=folder)
    assert b"Traceback" not in done.stderr, done.stderr.decode(errors="replace")
    codes = done.stderr.split(b"\n")[-2].split()
    assert len(codes) == 2 * len(names) and set(codes) <= {b"0", b"3"}
    assert b"\x1b[31m" not in done.stdout + done.stderr
