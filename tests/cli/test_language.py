"""The command line speaks the terminal's language, or the one that is asked for."""

from __future__ import annotations

import json

import pytest

from coatclass.cli import language_of, main
from coatclass.cli.rendering import learning_told
from coatclass.learning import LearningReport, Scores
from coatclass.records import Session, UserRole, add_user, open_records
from coatclass.records.tables import KINDS, changes
from coatclass.words import catalogue

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
        ({"LANG": "de"}, ["assess", "--language=xx"], "de"),  # so that the refusal is understood
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


# --- what commands report -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["score"], "Es fehlt: path, --out. Hilfe gibt es mit --help."),
        (["frob"], "Argument COMMAND: 'frob' steht nicht zur Wahl. Möglich sind: "),
        (["user", "frob"], "Argument ACTION: 'frob' steht nicht zur Wahl. Möglich sind: "),
        (["rules", "--of"], "Argument --of: Hier fehlt eine Angabe."),
        (["rules", "--often"], "Unbekannte Argumente: --often."),
        (["serve", "--port", "high"], "Argument --port: muss eine ganze Zahl von 0 bis 65535 sein, nicht 'high'"),
        (["sheet", "--out", "x.pdf", "--today", "tomorrow"], "muss ein Datum sein wie 2026-03-01, nicht 'tomorrow'"),
        (["score", "x", "--out", "y.csv", "--shard", "3/2"], "muss aussehen wie 2/5 (Teil 2 von 5), nicht '3/2'"),
    ],
)
def test_a_wrong_call_is_refused_in_german(capsys, monkeypatch, arguments, problem):
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("Aufruf: ")
    assert problem in said
    assert "usage" not in said


def test_every_kind_of_record_that_is_counted_has_its_name():
    archived = [kind.table.name for record, kind in KINDS.items() if record is not Session]  # sessions never leave
    for language in ("en", "de"):
        texts = catalogue(language, "commands")
        named = {kind: [texts.count(f"records.count.{kind}", n) for n in (1, 2)] for kind in (*archived, changes.name)}
        assert len({one for one, _ in named.values()}) == len(named)
        assert [kind for kind, (one, several) in named.items() if one == several] == []


def test_a_backup_is_reported_in_german(capsys, tmp_path):
    database = f"sqlite:///{tmp_path / 'r.sqlite'}"
    with open_records(database) as salon:
        add_user(salon, "Ada", "four wet terriers", UserRole.GROOMER)
    file = tmp_path / "kartei.zip"
    assert main(["records", "--database", database, "--language", "de", "backup", str(file)]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"Gesichert nach {file}: 1 Konto, ")
    assert said.endswith("Bewahren Sie die Datei so sicher auf wie die Kartei selbst.\n")


def test_what_was_learned_is_reported_with_the_languages_numbers(capsys, tmp_path):
    database = f"sqlite:///{tmp_path / 'r.sqlite'}"
    scores = Scores(log_loss=0.75, accuracy=0.5)
    report = LearningReport(
        findings=40, dogs=1, by_regime={"answers": 40}, before=scores, after=scores, gain_interval=(-0.025, 0.5)
    )
    said = learning_told(report, catalogue("de", "commands"))
    assert "40 Befunde von 1 Hund" in said
    assert "0,75 -> 0,75 (Rückgang -0,025 bis +0,5, 95-%-Intervall: nicht mehr, als der Zufall erklärt)" in said
    assert "50 % -> 50 %" in said
    assert main(["learn", "--database", database, "--language", "de", "--use", "released"]) == 0
    assert capsys.readouterr().out == "In Gebrauch: released.\n"


def test_scoring_is_reported_in_german(capsys, tmp_path):
    folder = tmp_path / "hunde"
    folder.mkdir()
    (folder / "leer.jpg").write_bytes(b"no picture")
    out = tmp_path / "t.csv"
    assert main(["score", "--language", "de", str(folder), "--out", str(out)]) == 0
    assert " ".join(capsys.readouterr().err.split()).startswith("1 Foto: 1 abgelehnt. Geschrieben nach ")
