"""What people type is understood, or said not to be: breeds, tools' names, missing parts, and a first --help."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib import util
from pathlib import Path

import pytest

from coatclass import toolkit
from coatclass.breeds import find, how_read
from coatclass.cli import main

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("said", "read"),
    [
        ("mutt", "cross of unknown breeds"),
        ("Mischling", "cross of unknown breeds"),
        ("Cocker-Pudel-Mix", "Poodle"),
        ("Goldendoodle F1b", "The generation F1B is not counted"),
        ("Havaneser", "read as Havanese"),
        ("Zzyzx hound of nowhere", "no breed that we know"),
    ],
)
def test_a_breed_is_understood_or_said_not_to_be(capsys, said, read):
    assert main(["assess", "--breed", said, "--json"]) == (0 if find(said).known else 3)  # 3: nothing could be told
    captured = capsys.readouterr()
    assert read in captured.err
    json.loads(captured.out)  # what programs read stays clean


@pytest.mark.parametrize("said", ["no idea", "weiß nicht", "street dog", "not a poodle"])
def test_who_knows_no_breed_is_not_corrected(said):
    assert how_read(said) == ""


def test_two_names_side_by_side_are_the_parents_of_a_mix_and_one_long_name_is_not():
    assert find("Cocker-Pudel-Mix").parents == find("cocker x pudel").parents != ()
    assert find("labrador retriever mix").parents == ("labrador_retriever", None)


@pytest.mark.parametrize("language", ["en", "de"])
def test_rules_take_every_name_that_a_kit_prints(capsys, language):
    for tool in ("soft_slicker", "medium_fine_comb", "carding_knife"):
        assert main(["rules", "--json", "--tool", toolkit.tool_name(tool, language=language)]) == 0
        named = capsys.readouterr().out
        assert main(["rules", "--json", "--tool", tool]) == 0
        assert named == capsys.readouterr().out


def test_a_cross_comes_as_json_with_shares_that_sum_to_one(capsys):
    assert main(["cross", "Golden Retriever", "Poodle", "--json"]) == 0
    [found] = json.loads(capsys.readouterr().out)
    assert sum(found["probabilities"].values()) == pytest.approx(1, abs=1e-3)
    assert sum(one["share"] for one in found["touch"]["outcomes"]) == pytest.approx(1, abs=1e-3)
    assert all(found["kits"].values())


def test_evaluation_asks_for_what_it_needs_before_it_reads_a_photo(capsys, tmp_path, monkeypatch):
    there = util.find_spec
    monkeypatch.setattr("coatclass.errors.find_spec", lambda name: None if name == "matplotlib" else there(name))
    assert main(["evaluate", str(tmp_path / "there-is-none.csv"), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "pip install" in said and "[evaluate]" in said and str(ROOT) in said  # the command that works in a checkout
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("locale", "begins", "photo"),
    [
        ("C", "Set coatclass up", "PHOTO"),
        ("de_AT.UTF-8", "Richtet coatclass", "FOTO"),
        ("fr_FR", "Set", "PHOTO"),
    ],
)
def test_the_start_script_tells_of_its_own_options_in_the_terminals_language_before_anything_is_installed(
    locale, begins, photo, tmp_path
):
    bare = [sys.executable, "-S", str(ROOT / "app" / "start.py"), "--help"]  # -S: without what was installed
    environment = {"PATH": os.environ["PATH"], "LC_ALL": locale, "PYTHONUTF8": "1"}
    shown = subprocess.run(bare, check=False, capture_output=True, encoding="utf-8", env=environment, cwd=tmp_path)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert shown.stdout.startswith(begins)
    for option in ("--no-browser", "--port", "--text", photo):
        assert option in shown.stdout


def test_a_name_that_is_read_as_it_was_written_needs_no_word(capsys):
    assert main(["assess", "--breed", "Havanese", "--json"]) == 0
    assert capsys.readouterr().err == ""
