"""Answers files: what is good comes back unchanged, what is bad is refused in plain words, all of it at once."""

import json

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coatclass.answers import Answers, json_schema, parse, problems
from coatclass.errors import AnswersError
from coatclass.taxonomy import BodyZone, MatState, Texture

from .conftest import answered

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def refused(data) -> AnswersError:
    with pytest.raises(AnswersError) as caught:
        parse(data)
    return caught.value


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow], deadline=None, max_examples=40)
@given(answered())
def test_answers_written_and_read_again_are_the_same(answers):
    written = answers.model_dump_json(exclude_none=True)
    assert parse(written) == answers
    assert parse(written.encode()) == answers


@settings(deadline=None)
@given(st.dictionaries(st.sampled_from([*Answers.model_fields, "nonsense"]), JSON, max_size=6))
def test_anything_at_all_is_either_answers_or_refused_on_purpose(data):
    try:
        answers = parse(data)
    except AnswersError as error:
        assert error.exit_code == 3
        assert len(problems(data)) > 0
        assert "pydantic" not in str(error)
    else:
        assert isinstance(answers, Answers)
        assert problems(data) == ()


@settings(deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_either_answers_or_refused_on_purpose(data):
    try:
        parse(data)
    except AnswersError as error:
        assert error.code in {"not_json", "not_answers", "encoding", "unknown", "doubled"}


def test_every_question_may_be_skipped():
    assert parse("{}") == Answers()
    assert parse(dict.fromkeys(Answers.model_fields)) == Answers()


def test_a_blank_text_counts_as_skipped():
    assert parse({"breed": "  "}).breed is None


def test_words_become_the_taxonomy():
    answers = parse('{"feel": "harsh", "mats": {"behind_ears": "tight_mats"}}')
    assert answers.feel is Texture.HARSH
    assert answers.mats == {BodyZone.BEHIND_EARS: MatState.TIGHT_MATS}


def test_all_problems_are_named_at_once():
    error = refused(
        {"feeel": "silky", "age_months": -3, "swims": "yes", "last_trim_how": "never", "last_trim_weeks": 2}
    )
    for words in ("'feeel' is not a question", "Did you mean 'feel'?", "from 0 to 360 (months)", "true or false"):
        assert words in str(error)
    assert "never trimmed" in str(error)  # also what lies between answers that are fine one by one


@pytest.mark.parametrize(
    ("data", "code", "words"),
    [
        ({"curls": "curly"}, "unknown", "Did you mean 'curl'?"),
        ({"feel": "silkky"}, "unknown_choice", "Did you mean 'silky'?"),
        ({"curl": 3}, "unknown_choice", "one of straight, wavy, curly"),
        ({"mats": {"eers": "mats"}}, "unknown_choice", "Did you mean 'ears'?"),
        ({"mats": ["tail"]}, "wrong_type", "pairs of name and value"),
        ({"parents": "poodle"}, "wrong_type", "a list"),
        ({"parents": ["a", "b", "c"]}, "too_much", "at most 2"),
        ({"age_months": "30"}, "wrong_type", "a number from 0 to 360"),
        ({"age_months": True}, "wrong_type", "a number from 0 to 360"),
        ({"age_months": float("nan")}, "out_of_range", "a number from 0 to 360"),
        ({"trunk_length_mm": 0}, "out_of_range", "from 1 to 800 (mm)"),
        ({"weight_kg": 10**400}, "wrong_type", "from 0.3 to 120 (kg)"),
        ({"breed": 7}, "wrong_type", "a text in quotes"),
        ({"breed": "x" * 100}, "too_much", "at most 80 characters"),
        ({"owned_tools": [{}]}, "missing_part", "'owned_tools.0.kind' is missing"),
        ({"owned_tools": [{"kind": "comb", "gap": 1}]}, "unknown", "not a question"),
        ({"skin_trouble": ["sore"]}, "unknown_choice", "Did you mean 'sores'?"),
        ({"dna_breeds": {"poodle": 70, "beagle": 60}}, "over_100_percent", "130 %"),
        ({"age_months": 6, "last_trim_weeks": 90}, "before_birth", "the last trim is longer ago"),
        ({"age_months": 6, "days_since_combed": 400}, "before_birth", "the last comb-through is longer ago"),
        ({"baths_per_month": 0, "brushed_before_bath": "always"}, "no_bath_yet_brushed_before", "no bath"),
        ({"trunk_length_by": "ruler"}, "length_by_without_length", "not how long"),
        ("", "not_json", "is empty"),
        ("{feel: silky}", "not_json", "line 1, column 2"),
        ("[1, 2]", "not_answers", "a list"),
        ('{"swims": true, "swims": false}', "doubled", "'swims' more than once"),
        ("[" * 100_000, "not_answers", "too deep"),
        ('{"age_months": ' + "9" * 5000 + "}", "not_answers", "too long number"),
        (b"\xff\xfe{\x00}\x00", "encoding", "UTF-8"),
        (b" " * 300_000, "too_large", "256 kB"),
        (" " * 300_000, "too_large", "256 kB"),
    ],
)
def test_bad_answers_are_refused_with_a_reason(data, code, words):
    error = refused(data)
    assert error.code == code
    assert words in str(error)
    assert error.next_step


def test_files_are_read_and_bad_files_refused(tmp_path):
    good = tmp_path / "dog.json"
    good.write_text('\ufeff{"feel": "soft"}', encoding="utf-8")  # some editors begin a file with a mark
    assert parse(good).feel is Texture.SOFT
    assert refused(tmp_path / "none.json").code == "missing"
    assert refused(tmp_path).code in {"folder", "unreadable"}  # Windows calls a folder unreadable
    big = tmp_path / "big.json"
    big.write_bytes(b" " * 1_000_000)
    assert refused(big).code == "too_large"


def test_a_refusal_names_the_file_but_not_its_folder(tmp_path):
    bad = tmp_path / "dog.json"
    bad.write_text('{"age_months": -1}')
    assert refused(bad).source == "dog.json"
    assert str(tmp_path) not in str(refused(bad))


def test_answers_can_not_be_changed_and_never_contradict_themselves():
    answers = Answers(breed="Puli")
    with pytest.raises(ValueError, match="frozen"):
        answers.breed = "Pumi"
    with pytest.raises(ValueError, match="never trimmed"):
        Answers(last_trim_how="never", last_trim_weeks=3)


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow], deadline=None, max_examples=20)
@given(answered())
def test_the_json_schema_accepts_what_the_program_accepts(answers):
    # outside check: the reference validator of JSON Schema 2020-12
    jsonschema.Draft202012Validator(json_schema()).validate(json.loads(answers.model_dump_json(exclude_none=True)))


@pytest.mark.parametrize("bad", [{"feeel": 1}, {"feel": "rough"}, {"age_months": 400}, {"parents": ["a", "b", "c"]}])
def test_the_json_schema_refuses_what_the_program_refuses(bad):
    assert not jsonschema.Draft202012Validator(json_schema()).is_valid(bad)
    assert problems(bad)


@pytest.mark.parametrize(
    "many",
    [
        {f"{n:x}": 1 for n in range(5000)},
        {"skin_trouble": ["a"] * 5000},
        {"mats": {f"{n:x}": 1 for n in range(5000)}},
        {"owned_tools": [{"x" * 5000: 1}] * 40},
        {"y" * 5000: 1},
    ],
)
def test_however_much_is_wrong_the_refusal_stays_one_that_can_be_read(many):
    for data in (many, json.dumps(many)):
        with pytest.raises(AnswersError) as caught:
            parse(data)
        assert len(caught.value.problem) < 12_000
        assert len(problems(many)) <= 20


def test_half_a_character_is_no_question():
    for data in ('{"\\ud800": 1}', {"\ud800": 1}):
        with pytest.raises(AnswersError) as caught:
            parse(data)
        assert caught.value.code == "unknown"
        assert "\\ud800" in caught.value.problem
