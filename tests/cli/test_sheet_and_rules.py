"""Sheets come out whole in every form; rules come with their sources."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import pytest

from coatclass.cli import main

DEMO = Path(__file__).resolve().parents[2] / "app" / "demo"


@pytest.mark.parametrize(
    ("name", "starts"), [("s.pdf", b"%PDF-"), ("s.html", b"<!DOCTYPE html>"), ("s.ics", b"BEGIN:VCALENDAR")]
)
def test_a_sheet_is_written_in_the_form_that_its_name_asks_for(tmp_path, name, starts):
    out = tmp_path / name
    assert main(["sheet", "--answers", str(DEMO / "otter.json"), "--name", "Otter", "--out", str(out)]) == 0
    content = out.read_bytes()
    assert content.lower().startswith(starts.lower())
    assert len(content) > 1000


def test_the_same_dog_keeps_its_calendar_entries(tmp_path):
    def uids(name: str) -> set[str]:
        out = tmp_path / name
        arguments = ["--answers", str(DEMO / "otter.json"), "--name", "Otter", "--today", "2026-03-02"]
        assert main(["sheet", *arguments, "--out", str(out)]) == 0
        return {line for line in out.read_text().splitlines() if line.startswith("UID:")}

    assert uids("one.ics") == uids("two.ics") != set()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--out", "s.doc"], ".pdf"),
        (["--out", "nowhere/s.pdf"], "folder"),
        (["missing.jpg", "--out", "s.pdf"], "missing.jpg"),
    ],
)
def test_a_sheet_that_cannot_be_made_leaves_nothing_behind(tmp_path, monkeypatch, capsys, arguments, said):
    monkeypatch.chdir(tmp_path)
    known = [] if "missing.jpg" in arguments else ["--answers", str(DEMO / "otter.json")]
    assert main(["sheet", *known, *arguments]) == 3
    assert said.replace("missing.jpg", "photo") in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_every_rule_names_its_source(capsys):
    assert main(["rules", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert set(listed) == {"tools", "harm", "care"}
    records = [record for part in listed.values() for record in part]
    assert len(records) > 250
    assert all(record["source"].strip() for record in records)


def test_an_unknown_tool_is_named_with_those_there_are(capsys):
    assert main(["rules", "--tool", "garden_rake"]) == 3
    assert "Undercoat rake" in capsys.readouterr().err


def test_what_a_visit_showed_changes_the_plan_in_the_terminal_and_on_the_sheet(tmp_path, capsys):
    answers, visits = tmp_path / "answers.json", tmp_path / "visits.json"
    answers.write_text(json.dumps({"feel": "woolly", "curl": "curly", "breed": "Poodle", "trunk_length_mm": 40}))
    seen = {"on": date.today().isoformat(), "check": {"stopped": ["legs"], "faults": ["surface_only"]}}
    visits.write_text(json.dumps([seen]))
    dog = ["--answers", str(answers), "--visits", str(visits)]
    assert main(["assess", *dog]) == 0
    assert "Only the surface was brushed" in capsys.readouterr().out
    assert main(["assess", *dog, "--json"]) == 0
    [technique, *_] = json.loads(capsys.readouterr().out)["changes"]
    assert technique["kind"] == "technique"
    sheet = tmp_path / "sheet.html"
    assert main(["sheet", *dog, "--out", str(sheet)]) == 0
    assert technique["text"].split(".")[0] in sheet.read_text("utf-8")
    later = (date.today() + timedelta(weeks=60)).isoformat()  # by then the check says nothing of today's brushing
    assert main(["sheet", *dog, "--today", later, "--out", str(sheet)]) == 0
    assert technique["text"].split(".")[0] not in sheet.read_text("utf-8")


@pytest.mark.parametrize("content", ["{", '[{"on": "yesterday"}]', '[{"on": "2026-02-02", "check": {}}]'])
def test_visits_that_cannot_be_read_are_refused_with_the_way_on(tmp_path, capsys, content):
    visits = tmp_path / "visits.json"
    visits.write_text(content)
    assert main(["assess", "--breed", "Poodle", "--visits", str(visits)]) == 3
    assert "coatclass schema visits" in capsys.readouterr().err
