"""One vocabulary, one folder a language: every language says the same, nothing is named twice, sets read alike."""

from __future__ import annotations

import re
import shutil
import string
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass import contract, toolkit, words
from coatclass.errors import InputError
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, CoatCategory, Curl, LengthBand, Lie, MatState, Patience, Texture, Undercoat
from coatclass.words import FOLDER, LANGUAGES, catalogue, languages
from coatclass.words.reading import every_text

Z = BodyZone
KINDS = {
    "zone": BodyZone,
    "coat": CoatCategory,
    "band": LengthBand,
    "tool": tuple(toolkit.catalogue()),
    "texture": Texture,
    "undercoat": Undercoat,
    "curl": Curl,
    "lie": Lie,
    "mat_state": MatState,
    "patience": Patience,
    "role": contract.Role,
    "verdict": contract.Verdict,
    "level": ("stop", "care", "note"),
    "risk": ("low", "moderate", "high"),
    "who": ("owner", "groomer", "vet"),
}


def flat(table, prefix=""):
    for key, value in table.items():
        if isinstance(value, dict):
            yield from flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def fields(value):
    texts = value if isinstance(value, list) else [value] if isinstance(value, str) else []
    return [{name for _, name, _, _ in string.Formatter().parse(text) if name} for text in texts]


def files(language):
    return {path.name: dict(flat(read_toml(path))) for path in (FOLDER / language).glob("*.toml")}


# --- every language says the same -----------------------------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_same_files_keys_and_placeholders(language):
    english, own = files("en"), files(language)
    assert set(own) <= set(english)
    done = words.about(language).reviewed  # a volunteer's folder may still lack rooms or texts
    assert not done or set(own) == set(english)
    for name, texts in own.items():
        optional = {f"{kind}.{n}" for kind in ("often", "minutes") for n in range(1, 15)} if name[:2] == "vo" else set()
        assert set(texts) - optional <= set(english[name]), name
        if done or name in ("language.toml", "vocabulary.toml"):
            assert set(english[name]) - optional <= set(texts), name
        for key in set(texts) & set(english[name]):
            assert fields(texts[key]) == fields(english[name][key]), (name, key)
            assert type(texts[key]) is type(english[name][key]), (name, key)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_word_has_one_name_of_its_own(kind, language):
    say = catalogue(language)
    names = [say.word(kind, word) for word in KINDS[kind]]
    assert all(names)
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_vocabulary_names_nothing_that_is_not_there(language):
    table = read_toml(FOLDER / language / "vocabulary.toml")
    for kind, known in KINDS.items():
        assert set(table[kind]) == set(known), kind
    assert tuple(table["zone"]) == tuple(BodyZone)


def test_the_languages_translate_and_do_not_copy():
    for kind in ("zone", "coat", "tool", "role", "verdict"):
        english, german = ([catalogue(one).word(kind, word) for word in KINDS[kind]] for one in ("en", "de"))
        assert not set(english) & set(german)


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_zone_coat_band_or_tool_is_named_in_a_second_file(language):
    """Neither a table of names beside the vocabulary's, nor a text that is nothing but such a name."""
    kinds = ("zone", "coat", "band", "tool")
    named = {catalogue(language).word(kind, word).casefold() for kind in kinds for word in KINDS[kind]}
    ids = {word for kind in kinds for word in KINDS[kind]} - {"mixed"}
    for path in (FOLDER / language).glob("*.toml"):
        if path.stem in ("vocabulary", "questions"):  # the questionnaire has its own wording
            continue
        for key, value in flat(read_toml(path)):
            if isinstance(value, str):
                assert value.casefold() not in named, (path.name, key)
                assert key.rpartition(".")[2] not in ids or " " in value, (path.name, key)


def test_nothing_outside_the_words_names_a_zone():
    """The names that differ from the identifier, so that finding one means that somebody named it anew."""
    telling = [name for zone in Z if (name := catalogue().zone(zone)) != zone and " " in name]
    # The questionnaire has its own wording.
    data = [
        path
        for path in FOLDER.parent.rglob("*.toml")
        if FOLDER not in path.parents and path.parent.parent.name != "answers"
    ]
    assert data
    for path in data:
        for key, value in flat(read_toml(path)):
            assert not isinstance(value, str) or value.casefold() not in telling, (path.name, key)


# --- sets of zones --------------------------------------------------------------------------------------------------


def test_the_whole_dog_means_every_zone():
    say = catalogue()
    assert say.zones(BodyZone) == "the whole dog"
    assert say.zones(set(Z) - {Z.FACE}) == "the whole dog except face"
    assert say.zones(()) == "nowhere"


def test_few_missing_zones_are_named_and_many_are_not():
    say = catalogue()
    five = [Z.SKULL, Z.FACE, Z.BEARD, Z.TOP_KNOT, Z.EARS]
    assert say.zones(set(Z) - set(five)) == "the whole dog except ears, top of the head, top knot, face and beard"
    assert say.zones(set(Z) - {*five, Z.TAIL}) == say.joined(
        say.zone(zone) for zone in Z if zone not in {*five, Z.TAIL}
    )
    assert say.zones([Z.FEET, Z.CHEST]) == "chest and feet"
    half = {Z.FEET, Z.CHEST, Z.NECK, Z.TAIL}  # as many missing as meant: the list is the plainer sentence
    assert say.zones({Z.FEET, Z.CHEST}, having=half) == "chest and feet"
    assert say.zones({Z.FEET, Z.CHEST, Z.NECK}, having=half) == "the whole dog except tail"


def test_a_zone_that_the_dog_does_not_have_is_not_missed_and_not_named():
    say, spitz = catalogue(), set(Z) - {Z.TOP_KNOT, Z.BEARD, Z.HARNESS_PATH}
    assert say.zones(spitz, having=spitz) == "the whole dog"
    assert say.zones(Z, having=spitz) == "the whole dog"
    assert say.zones({Z.BEARD}, having=spitz) == "nowhere"
    assert "beard" not in say.zones(spitz - {Z.FACE}, having=spitz)


@given(st.sets(st.sampled_from(list(Z))), st.sets(st.sampled_from(list(Z))), st.sampled_from(LANGUAGES))
def test_a_set_of_zones_is_told_truly(zones, having, language):
    """What is named is meant, or is all that is not meant."""
    say = catalogue(language)
    text = say.zones(zones, having=having)
    meant, missing = zones & having, having - zones
    if text == say.zones(()):
        assert not meant
    elif text == say.zones(BodyZone):
        assert meant and not missing
    else:
        excepted = text.startswith(say.zones(BodyZone))
        assert all(say.zone(zone) in text for zone in (missing if excepted else meant))
        assert not excepted or 1 <= len(missing) <= 5


# --- how often, how long, how much ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "english", "german"),
    [
        ((1,), "once a week", "einmal in der Woche"),
        ((2,), "twice a week", "zweimal in der Woche"),
        ((3.2,), "3 times a week", "3-mal in der Woche"),
        ((7,), "every day", "jeden Tag"),
        ((2, 3), "2 to 3 times a week", "2- bis 3-mal in der Woche"),
        ((1, 1.2), "once a week", "einmal in der Woche"),
        ((0.5,), "every 2 weeks", "alle 2 Wochen"),
        ((0.25, 1), "every 4 weeks", "alle 4 Wochen"),
    ],
)
def test_how_often(times, english, german):
    assert catalogue().often(*times) == english
    assert catalogue("de").often(*times) == german


def test_minutes_lengths_and_dates():
    say, german = catalogue(), catalogue("de")
    assert (say.minutes(1), say.minutes(10, 15), german.minutes(20)) == ("1 minute", "10 to 15 minutes", "20 Minuten")
    assert (say.mm(19), german.mm(19)) == ("19 mm (3/4 in)", "19 mm (3/4 Zoll)")
    assert (say.mm(25.4), say.mm(38), say.mm(0.5)) == ("25 mm (1 in)", "38 mm (1 1/2 in)", "0.5 mm")
    assert say.mm_range(8, 12) == "8 to 12 mm (3/8 to 1/2 in)"
    assert german.mm_range(0.8, 1.25) == "0,8 bis 1,25 mm"
    assert german.day(date(2026, 3, 3)) == "3. März 2026"
    assert german.either(["a", "b", "c"]) == "a, b oder c"


# --- languages are folders ------------------------------------------------------------------------------------------


def test_a_folder_is_all_that_a_language_needs(tmp_path):
    for language in LANGUAGES:
        shutil.copytree(FOLDER / language, tmp_path / language)
    shutil.copytree(FOLDER / "en", tmp_path / "xx")
    vocabulary = tmp_path / "xx" / "vocabulary.toml"
    vocabulary.write_text(vocabulary.read_text().replace('"tail"', '"cauda"'))
    assert languages(tmp_path) == (*LANGUAGES, "xx")
    say = catalogue("xx", folder=tmp_path)
    assert say.language == "xx"
    assert say.zones({Z.TAIL}) == "cauda"
    assert say.say("care.bath.rule") == catalogue(room="care").say("bath.rule")
    assert catalogue("xx", "owner", folder=tmp_path).language == "xx"


def test_a_language_without_pages_gets_them_in_english_whole(tmp_path):
    for language in ("en", "de"):
        shutil.copytree(FOLDER / language, tmp_path / language)
    (tmp_path / "de" / "owner.toml").unlink(missing_ok=True)
    say = catalogue("de", "owner", folder=tmp_path)
    assert say.language == "en"
    care = tmp_path / "de" / "care.toml"
    care.write_text(care.read_text().replace("rule = ", "another = ", 1))  # one text is missing: none is German
    assert catalogue("de", "care", folder=tmp_path).language == "en"
    mixed = catalogue("de", folder=tmp_path)
    assert mixed.say("care.step.look_title") == "Hands first"
    assert mixed.say("plan.section.week") == "Die Woche"
    assert say.zones(BodyZone) == catalogue("en").zones(BodyZone)
    assert catalogue("de", "plan", folder=tmp_path).language == "de"


def test_an_unknown_language_is_refused_with_those_that_are_there():
    with pytest.raises(InputError, match="Choose one of: en, de"):
        catalogue("xx")


def test_a_missing_text_is_an_error_and_not_an_empty_line():
    with pytest.raises(KeyError):
        catalogue(room="care").say("bath.nothing")
    with pytest.raises(KeyError):
        catalogue(room="care").say("bath.interval")


def test_texts_are_read_once():
    assert catalogue("de", "sheet") is catalogue("de", "sheet")
    assert words.LANGUAGES[0] == "en"


def test_a_language_says_its_own_name_and_whether_it_was_read():
    for language in LANGUAGES:
        told = words.about(language)
        assert told.name and told.code == language
        assert bool(told.note) is not told.reviewed
    assert len({words.about(one).name for one in LANGUAGES}) == len(LANGUAGES)


# --- one, and many ----------------------------------------------------------------------------------------------------


@given(st.floats(0.02, 14.0))
def test_how_often_never_says_every_one_week(times):
    assert not catalogue().often(times).startswith("every 1 ")
    assert not catalogue("de").often(times).startswith("alle 1 ")


@pytest.mark.parametrize("language", ["en", "de"])
def test_counted_things_have_a_form_for_one_and_one_for_none_and_many(language):
    texts = catalogue(language, "commands")
    kinds = {key.split(".")[2] for key in files(language)["commands.toml"] if key.startswith("records.count.")}
    assert len(kinds) > 10
    for kind in kinds:
        none, one, two = (texts.count(f"records.count.{kind}", n) for n in (0, 1, 2))
        assert none.replace("0", "2") == two != one.replace("1", "2")
        assert one.startswith("1 ")


def test_numbers_may_carry_their_sign():
    assert catalogue("de").number(0.25, 2, sign=True) == "+0,25"
    assert catalogue("de").number(-0.25, 2, sign=True) == "-0,25"
    assert catalogue().number(2.0) == "2"


def test_what_stands_behind_a_condition_in_german_begins_without_a_second_colon():
    """Sentences of tools follow "Wenn es ein lockiges Fell ist: ..."; the first of them must not bring another."""
    said = {key: text for key, text in every_text("de", "toolkit").items() if key.startswith(("rule.", "reason."))}
    assert len(said) > 100
    assert [key for key, text in said.items() if ": " in text.split(". ")[0]] == []


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (1.2, "1.2 mm"),
        (12.4, "12 mm"),
        (20.0, "20 mm"),
        (22.4, "20 mm"),
        (23.7, "25 mm"),
        (47.2, "45 mm"),
        (75.0, "75 mm"),
    ],
)
def test_a_reckoned_length_is_said_as_a_ruler_shows_hair(mm: float, said: str) -> None:
    for language in LANGUAGES:
        words = catalogue(language)
        assert words.about_mm(mm).startswith(said.replace(".", "," if language != "en" else "."))
        assert words.about_mm(mm) == words.mm(round(float(said.removesuffix(" mm")), 1))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_list_of_two_is_read_as_two_where_one_name_holds_an_and(language):
    said = catalogue(language)
    joint = f" {said._words['writing.and']} "
    both = said.zones({Z.TRUNK, Z.LEGS})
    assert both.count(joint) == said.zone(Z.TRUNK).count(joint) + (language == "en")  # ", and" closes the first name
    assert f"{said.zone(Z.TRUNK)} {joint.strip()} {said.zone(Z.LEGS)}" not in both
    assert said.zone(Z.LEGS) in both


def test_no_tool_has_a_word_that_a_third_of_a_phone_would_cut():
    """A third of 360 px less margins is about 95 px; bold type of 16 px takes 9.6 px a letter (DejaVu Sans Bold)."""
    for tool in toolkit.catalogue():
        for word in re.split(r"[\u00ad -]", catalogue("de").divided(catalogue("de").tool(tool))):
            assert len(word) <= 9, (tool, word)
