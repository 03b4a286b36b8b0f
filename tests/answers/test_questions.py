"""The questionnaire: complete, in every language, with a drawing wherever one is named."""

import re
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest

import coatclass.answers
from coatclass.answers import (
    LANGUAGES,
    Answers,
    doubts,
    drawing,
    drawing_names,
    due,
    question,
    questionnaire_version,
    questions,
)
from coatclass.answers.questionnaire import holds
from coatclass.reasons import said
from coatclass.resources import read_toml
from coatclass.taxonomy import Curl, Lie, MatState, Patience, Texture, Undercoat
from coatclass.words import FOLDER

DATA = Path(coatclass.answers.__file__).parent / "data"
SVG = "{http://www.w3.org/2000/svg}"


def toml(name):
    return tomllib.loads((DATA / name).read_text(encoding="utf-8"))


def test_every_answer_has_its_question_and_every_question_its_answer():
    assert {spec.id for spec in questions()} == set(Answers.model_fields)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_question_is_worded_in_every_language(language):
    for spec in questions(language):
        assert spec.text.endswith("?"), spec.id
        assert len(spec.help) > 10, spec.id
        assert spec.version == questionnaire_version()
        for choice in spec.choices:
            assert choice.label and choice.explains, (spec.id, choice.value)
        assert (spec.unit is not None) == (spec.kind in ("number", "shares")), spec.id


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_words_what_the_structure_asks_and_nothing_else(language):
    structure, words = toml("questions.toml"), read_toml(FOLDER / language / "questions.toml")
    assert set(words) == set(structure) - {"version"} | {"drawings"}
    for name, row in structure.items():
        if name == "version":
            continue
        assert list(words[name].get("choices", {})) == row.get("choices", []), name
        assert set(row.get("choice_drawings", {})) <= set(row.get("choices", ())), name
        assert ("unit" in words[name]) == ("unit" in row), name
        assert language == "en" or words[name]["text"] != question(name).text, name
    assert set(words["drawings"]) == set(drawing_names())


def test_steps_and_cautions_are_as_many_in_every_language():
    for spec in questions():
        for other in (question(spec.id, language) for language in LANGUAGES):
            assert (len(other.steps), bool(other.caution)) == (len(spec.steps), bool(spec.caution)), spec.id


@pytest.mark.parametrize("language", LANGUAGES)
def test_all_languages_share_structure(language):
    for english, other in zip(questions("en"), questions(language), strict=True):
        for shared in ("id", "group", "kind", "unit", "minimum", "maximum", "drawing", "ask_when"):
            assert getattr(english, shared) == getattr(other, shared)
        assert [choice.value for choice in english.choices] == [choice.value for choice in other.choices]


@pytest.mark.parametrize(
    ("name", "words"),
    [("feel", Texture), ("curl", Curl), ("undercoat_seen", Undercoat), ("lie", Lie), ("mats", MatState),
     ("patience", Patience)],
)  # fmt: skip
def test_choices_are_the_words_of_the_taxonomy(name, words):
    assert [choice.value for choice in question(name).choices] == list(words)


def test_choices_are_exactly_what_the_answers_accept():
    for spec in questions():
        if spec.kind == "choice":
            for choice in spec.choices:
                filled = {spec.id: choice.value}
                if spec.id == "trunk_length_by":
                    filled["trunk_length_mm"] = 20
                assert getattr(Answers(**filled), spec.id) == choice.value


def test_lengths_in_english_come_with_inches():
    text = question("trunk_length_mm").help
    assert {"25 mm (1 in)", "50 mm (2 in)", "75 mm (3 in)"} <= set(re.findall(r"\d+ mm \(\d in\)", text))


def test_the_four_home_checks_have_steps_a_caution_and_a_drawing():
    checks = [spec for spec in questions() if spec.group == "home_check"]
    assert [spec.id for spec in checks] == ["undercoat_seen", "comb_reaches_skin", "top_coat_lets_go", "wet_lock_curls"]
    for spec in checks:
        assert len(spec.steps) == 3 and spec.caution and spec.drawing


def test_nobody_is_asked_to_pull_or_comb_at_a_dog_that_hurts():
    for trouble in (Answers(skin_trouble=("sores",)), Answers(mats={"trunk": "felted"})):
        asked = {spec.id for spec in due(trouble)}
        assert not asked & {"comb_reaches_skin", "top_coat_lets_go", "wet_lock_curls"}
    assert {"comb_reaches_skin", "top_coat_lets_go"} <= {spec.id for spec in due(Answers(skin_trouble=()))}


def test_questions_are_due_only_when_they_make_sense():
    def asked(**answers):
        return {spec.id for spec in due(Answers(**answers))}

    assert "last_trim_weeks" in asked(last_trim_how="clipped")
    assert "last_trim_weeks" not in asked(last_trim_how="never")
    assert "brushed_before_bath" not in asked(baths_per_month=0)
    assert "parents" in asked() and "parents" not in asked(breed="Puli")
    assert "feel" not in asked(feel="soft")


def test_every_condition_names_a_question_and_a_test():
    checks = toml("checks.toml")
    conditions = [condition for spec in questions() for condition in spec.ask_when]
    conditions += [condition for row in checks["contradiction"] + checks["doubt"] for condition in row["when"]]
    tests = {"given", "is", "in", "above", "below", "has", "lacks", "may_cord"}
    for condition in conditions:
        assert condition["field"] in Answers.model_fields
        assert len(condition) == 2 and set(condition) - {"field"} <= tests


def test_an_unanswered_question_fulfils_no_condition_but_lacks_and_not_given():
    nothing = Answers()
    assert not holds({"field": "feel", "in": ["soft"]}, nothing)
    assert not holds({"field": "age_months", "below": 18}, nothing)
    assert holds({"field": "mats", "lacks": ["felted"]}, nothing)
    assert holds({"field": "breed", "given": False}, nothing)


def test_a_surprise_is_a_doubt_and_not_an_error():
    assert [doubt.code for doubt in doubts(Answers(curl="straight", wet_lock_curls=True))] == ["straight_yet_wet_curls"]
    assert [doubt.code for doubt in doubts(Answers(age_months=7))] == ["puppy_coat"]
    assert doubts(Answers(curl="curly", wet_lock_curls=True, age_months=60)) == ()
    codes = [row["code"] for row in toml("checks.toml")["doubt"]]
    assert len(codes) == len(set(codes)) >= 12
    assert said(doubts(Answers(age_months=7))[0], "de").startswith("Das Erwachsenenfell")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", drawing_names())
def test_drawings_are_plain_lines_with_a_title_and_a_description(name, language):
    svg = drawing(name, language)
    root = ElementTree.fromstring(svg)
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title.text and len(description.text) > 15
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert title.get("id").startswith(name)  # ids stay unique when several drawings stand on one page
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", svg)) <= {"#111", "#fff"}  # readable without colour
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
        "svg", "title", "desc", "rect", "g", "path", "circle", "ellipse", "text",
    }  # fmt: skip
    assert len(svg) < 20_000


def test_a_drawing_speaks_the_language_asked_for():
    assert '<title id="curl-wavy-title">Wavy</title>' in drawing("curl-wavy")
    assert '<title id="curl-wavy-title">Wellig</title>' in drawing("curl-wavy", "de")


def test_every_drawing_is_used_and_every_drawing_named_exists():
    named = {spec.drawing for spec in questions()} | {c.drawing for spec in questions() for c in spec.choices}
    assert named - {None} == set(drawing_names())


@pytest.mark.parametrize("call", [lambda: question("colour"), lambda: questions("xx"), lambda: drawing("cat")])
def test_unknown_names_are_refused(call):
    with pytest.raises(ValueError, match="there is no"):
        call()
