"""The command line speaks the terminal's language, or the one that is asked for."""

from __future__ import annotations

import json

import pytest

from coatclass.cli import language_of, main

VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")


@pytest.fixture(autouse=True)
def no_locale(monkeypatch):
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)


@pytest.mark.parametrize(
    ("environment", "arguments", "language"),
    [
        ({}, ["check"], "en"),
        ({"LANG": "de_AT.UTF-8"}, ["check"], "de"),
        ({"LANG": "de_DE", "LC_ALL": "C.UTF-8"}, ["check"], "en"),  # POSIX, 8.2: LC_ALL goes before all others
        ({"LANG": "nl_NL.UTF-8"}, ["check"], "en"),
        ({}, ["assess", "--language", "de"], "de"),
        ({"LANG": "de"}, ["assess", "--language=en"], "en"),
        ({}, ["assess", "--language"], "en"),
    ],
)
def test_the_language_of_a_call(monkeypatch, environment, arguments, language):
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert language_of(arguments) == language


def test_a_plan_help_and_refusals_in_german(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps({"feel": "silky", "curl": "straight", "trunk_length_mm": 120}), encoding="utf-8")
    assert main(["assess", "--answers", str(answers)]) == 0
    german = capsys.readouterr().out
    assert "Ihre Ausstattung" in german and "Wachstum, Länge, Gründe, Quellen und mehr" in german
    assert "Your kit" not in german
    assert main(["assess", "--answers", str(tmp_path / "none.json")]) == 3
    assert capsys.readouterr().err.endswith("none.json: gibt es nicht. Prüfen Sie Namen und Ordner.\n")
    with pytest.raises(SystemExit):
        main(["assess", "--help"])
    assert "Antworten auf den Fragebogen (JSON)" in capsys.readouterr().out


def test_json_is_the_same_in_every_language(capsys, tmp_path):
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps({"feel": "silky", "age_months": 30}), encoding="utf-8")
    made = []
    for language in ("en", "de"):
        assert main(["assess", "--language", language, "--json", "--answers", str(answers)]) == 0
        made.append(capsys.readouterr().out)
    assert made[0] == made[1]


def test_a_breed_that_was_not_understood_is_said_in_german(capsys):
    assert main(["assess", "--language", "de", "--breed", "mutt"]) in (0, 3)
    assert "ist eine Kreuzung unbekannter Rassen" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "german", "english"),
    [
        (["rules", "--tool", "face_comb"], ("Werkzeug", "hilfreich", "übliche Praxis, ohne Quelle"), "common practice"),
        (["check"], ("Gefunden", "Rassen und Kreuzungen", "Bildmodell"), "further names"),
        (["serve", "--help"], ("einen erfundenen Salon öffnen",), "salon, apart"),
        (["user", "add", "--help"], ("was die Person darf",), "what they may do"),
        (["learn", "--help"], ("ohne Rückfrage verwenden",), "without asking"),
        (["records", "--help"], ("eine noch leere Kartei",), "into records"),
        (["score", "--help"], ("Prozesse, die sich die Arbeit teilen",), "to share the work"),
        (["evaluate", "--help"], ("Bootstrap-Stichproben", "woher das Foto stammt"), "bootstrap resamples"),
    ],
)
def test_tables_and_help_in_german(capsys, monkeypatch, arguments, german, english):
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    monkeypatch.setenv("COLUMNS", "250")
    try:
        assert main(arguments) == 0
    except SystemExit as end:
        assert end.code == 0
    said = capsys.readouterr().out
    assert all(words in said for words in german)
    assert english not in said


def test_the_rules_as_json_are_the_same_in_every_language(capsys):
    made = []
    for language in ("en", "de"):
        assert main(["rules", "--json", "--language", language]) == 0
        made.append(capsys.readouterr().out)
    assert made[0] == made[1]
