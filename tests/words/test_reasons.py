"""Reasons: kept as a code with values, said in any language; the English is what the JSON holds."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

from coatclass import estimating
from coatclass.answers import Answers, doubts, problems
from coatclass.contract import Reason
from coatclass.decision import decide
from coatclass.reasons import reason, said
from coatclass.resources import read_toml
from coatclass.words import FOLDER, LANGUAGES, in_language

ROOT = Path(__file__).resolve().parents[2]
OTHERS = [language for language in LANGUAGES if language != "en"]
# Answers that bring many kinds of reasons, the names invented or ordinary breeds.
DOGS = [
    Answers(breed="Goldendoodle", curl="straight", wet_lock_curls=True),
    Answers(parents=("Poodle", "zzyzx"), age_months=4),
    Answers(breed="Labradoodle", breed_known_by="guess", trunk_length_mm=19, trunk_length_by="ruler"),
    Answers(breed="x", breed_known_by="dna_test", dna_breeds={"Beagle": 50, "Pug": 48}),
    Answers(breed="x", breed_known_by="dna_test", dna_breeds={"Beagle": 30, "Pug": 20}),
    Answers(dna_result={"FGF5 c.284G>T": "T/T", "MC5R": "two copies"}, breed="Poodle"),
    Answers(feel="silky", lie="hangs", trunk_length_mm=20),
    Answers(),
]


def reasons_of(answers: Answers) -> tuple[Reason, ...]:
    return (*decide_on(answers), *doubts(answers))


def decide_on(answers: Answers) -> tuple[Reason, ...]:
    return estimating.decide(estimating.estimate([], answers)).reasons


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("answers", DOGS, ids=range(len(DOGS)))
def test_every_reason_of_a_dog_is_said_in_every_language(answers, language):
    found = reasons_of(answers)
    assert found
    for one in found:
        told = said(one, language)
        assert told != one.text
        assert "{" not in told
        kept = Reason.model_validate_json(one.model_dump_json())  # as records keep it
        assert said(kept, language) == told
        assert said(kept, "en") == one.text


def test_a_reason_kept_before_it_had_values_is_told_by_its_words():
    found = decide(None).reasons[0]
    assert said(Reason(code="of an older version", text=found.text), "de") == said(found, "de")
    measured = reason("measured", length=19.0)
    assert (
        said(Reason(code="measured", text=measured.text), "de")
        == "Die Länge wurde gemessen, also gilt die Messung: 19 mm (3/4 in)."
    )
    assert said(measured, "de").endswith("19 mm (3/4 Zoll).")


def test_answers_to_look_at_again_are_worded_as_they_were_asked():
    clash = reason("sources_disagree", photo="wire", answers="curly", check=[("feel", "silky"), ("age_months", 30.0)])
    assert "How does the hair on the back and sides feel? (Silky)" in clash.text
    assert "in months? (30 months)" in clash.text
    german = said(clash, "de")
    assert "Wie fühlt sich das Haar an Rücken und Seiten an? (Seidig)" in german
    assert "ist es ein Rauhaarfell, nach den Antworten ein lockiges Fell" in german


def test_contradictions_are_told_with_their_values():
    found = problems({"age_months": 2, "last_trim_how": "clipped", "last_trim_weeks": 60})
    assert [one.text for one in found] == ["The dog is 2 months old, yet the last trim is longer ago."]
    assert in_language(found[0].text, "de") == "Der Hund ist 2 Monate alt, doch der letzte Schnitt ist länger her."


def test_every_code_that_is_used_has_its_sentence():
    """The codes in the source, and those of the data files, against the texts."""
    texts = read_toml(FOLDER / "en" / "reasons.toml")
    known = set(texts) | {f"ancestry.{key}" for key in texts["ancestry"]}
    used = set()
    for path in (ROOT / "coatclass").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
                first = node.args[0]
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    used |= {first.value} if node.func.id == "reason" else set()
                    used |= {f"ancestry.{first.value}"} if node.func.id == "_told" else set()
    checks = read_toml(ROOT / "coatclass" / "answers" / "data" / "checks.toml")
    used |= {row["code"] for row in checks["doubt"] + checks["contradiction"]}
    used |= set(read_toml(ROOT / "coatclass" / "photo" / "data" / "limits.toml")["finding"])
    assert len(used) > 50
    assert used <= known, used - known


# --- sentences made in English --------------------------------------------------------------------------------------


def test_a_sentence_made_in_english_is_found_by_its_shape():
    made = reason("over_100_percent", total="130").text
    assert in_language(made, "de") == "Die Rassen des Gentests ergeben zusammen 130 %, mehr als 100 %."
    assert in_language(made, "en") == made
    assert in_language("Nobody ever wrote this.", "de") == "Nobody ever wrote this."
    assert json.dumps(in_language("", "de")) == '""'


def test_breeds_are_called_as_the_language_calls_them():
    made = [one for one in decide_on(Answers(parents=("Pug", "Standard Poodle"))) if "Pug" in one.text]
    assert made
    assert all("Mops" in said(one, "de") and "Großpudel" in said(one, "de") for one in made)
