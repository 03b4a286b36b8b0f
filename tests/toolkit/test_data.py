"""The data files say only what they can mean, agree with each other, and speak every language."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest

from coatclass.contract import Role
from coatclass.errors import InputError, ModelFilesError
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Texture, Undercoat
from coatclass.toolkit import Harm, PossibleCoat, catalogue, harm_of, rules_version
from coatclass.toolkit.tables import (
    FOLDER,
    harm_table,
    parse_harm,
    parse_rule,
    rule_file,
    texts,
    tool_rules,
)
from coatclass.triage import rules as triage_rules
from coatclass.words import FOLDER as WORDS
from coatclass.words import LANGUAGES

LENGTHS = (4.5, 10.0, 19.0, 22.0, 25.0, 50.0, 75.0, 112.0)
RIGHT = (Role.ESSENTIAL, Role.HELPFUL)


def _coats() -> Iterator[PossibleCoat]:
    """Every coat with nothing special about the dog, and with each special thing in turn."""
    specials: list[dict[str, object]] = [
        {},
        {"hand_stripped": "yes"},
        {"hand_stripped": "no"},
        {"clipped": "yes"},
        {"clipped": "no"},
        {"long_furnishings": "yes"},
        {"sparse": "yes"},
        {"sensitive_skin": "yes"},
        {"sparse": "yes", "bare": "yes"},
        *({"mats": frozenset({state})} for state in MatState),
    ]
    for category, length, texture, undercoat in itertools.product(CoatCategory, LENGTHS, Texture, Undercoat):
        for special in specials:
            yield PossibleCoat(category, length, texture, undercoat, **special)


# --- rules and harm table agree ------------------------------------------------------------------------------------


def test_no_rule_recommends_what_another_warns_of_on_the_same_coat():
    for coat in _coats():
        roles: dict[str, set[Role]] = {}
        for rule in tool_rules():
            if rule.fits(coat) and not rule.only_matted_zones:
                roles.setdefault(rule.tool, set()).add(rule.role)
        for tool, found in roles.items():
            harmless = not harm_of(tool, coat).harm.forbids
            assert not (harmless and Role.AVOID in found and found & set(RIGHT)), (tool, coat)


def test_a_tool_wanted_for_the_whole_dog_is_never_called_useless_there():
    for coat in _coats():
        for rule in tool_rules():
            if rule.role in RIGHT and BodyZone.TRUNK in rule.zones and rule.fits(coat):
                harm = harm_of(rule.tool, coat).harm
                assert harm is not Harm.INEFFECTIVE, (rule.id, coat)


def test_a_rule_warns_only_of_tools_that_do_little_good_or_harm():
    for coat in _coats():
        for rule in tool_rules():
            if rule.role is Role.AVOID and rule.fits(coat):
                exempt = rule.id in ("silky-arctic-skip-pin-brush", "soft-slicker-no-dematting")
                assert exempt or harm_of(rule.tool, coat).harm is not Harm.NONE, (rule.id, coat)


def test_every_rule_fits_some_coat():
    unused = {rule.id for rule in tool_rules()}
    for coat in _coats():
        unused -= {rule.id for rule in tool_rules() if rule.id in unused and rule.fits(coat)}
    assert unused == set()


def test_thin_hair_and_sensitive_skin_never_make_a_harmful_tool_harmless():
    for coat in _coats():
        if coat.sparse == coat.sensitive_skin == "no" and coat.undercoat is Undercoat.LIGHT and not coat.mats:
            for tool in catalogue():
                if harm_of(tool, coat).harm.forbids:
                    for special in ("sparse", "sensitive_skin"):
                        assert harm_of(tool, replace(coat, **{special: "yes"})).harm.forbids, (tool, special, coat)


def test_the_harm_table_covers_every_tool_category_and_band():
    for tool, category in itertools.product(catalogue(), CoatCategory):
        effect, cells = harm_table()[tool, category, "any", ""]
        assert effect == "base"
        assert set(cells) == set(LengthBand)


# --- texts ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_tool_rule_and_harm_has_its_sentence_and_no_sentence_is_left_over(language):
    words = read_toml(WORDS / language / "toolkit.toml")
    assert set(words["tool"]) == set(catalogue())
    assert set(words["rule"]) == {rule.why for rule in tool_rules()}
    reasons = {cell.reason for _, cells in harm_table().values() for cell in cells.values()} - {""}
    assert set(words["reason"]) == reasons
    assert set(words["triage"]) == {rule.id for rule in triage_rules()}
    for tool in words["tool"].values():
        assert set(tool) == {"plain", "precise"}
    for sentence in (*words["rule"].values(), *words["reason"].values(), *words["triage"].values()):
        assert sentence.endswith(".")
        assert sentence[0].isupper()


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_sentence_can_be_read_with_a_dog_on_the_table(language):
    words = read_toml(WORDS / language / "toolkit.toml")
    sentences = [*words["rule"].values(), *words["reason"].values()]
    assert max(len(sentence.split()) for sentence in sentences) <= 50


def test_an_unknown_language_is_refused_in_plain_words():
    with pytest.raises(InputError, match="Choose one of: en, de"):
        texts("xx")


# --- the catalogue -------------------------------------------------------------------------------------------------


def test_every_number_of_the_catalogue_says_where_it_comes_from():
    for tool in catalogue().values():
        given = {name for name, value in tool.specification if isinstance(value, tuple)}
        assert given <= set(tool.sources)
        assert set(tool.sources.values()) <= {"from memory", "common practice, no source"}


def test_every_tool_can_be_shopped_by_a_feature():
    for tool in catalogue().values():
        if tool.id != "stripping_stone":
            specification = tool.specification
            assert specification.pin_length_mm or specification.tooth_length_mm, tool.id


def test_combs_differ_by_the_gap_between_their_teeth():
    combs = ("fine_comb", "medium_fine_comb", "medium_comb", "wide_comb")
    gaps = [catalogue()[comb].specification.tooth_gap_mm for comb in combs]
    assert all(narrow[1] <= wide[0] for narrow, wide in itertools.pairwise(gaps))


def test_slickers_differ_by_length_stiffness_or_tip_of_their_pins():
    features = [
        (tool.specification.pin_length_mm, tool.specification.stiffness, tool.specification.tip)
        for tool in catalogue().values()
        if tool.family == "slicker"
    ]
    assert len(set(features)) == len(features) == 5


# --- refusals ------------------------------------------------------------------------------------------------------

GOOD = {
    "id": "a-rule",
    "tool": "wide_comb",
    "role": "essential",
    "zones": "all_over",
    "order": 1,
    "source": "assumption",
}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"tool": "magic_brush"}, "magic_brush"),
        ({"role": "perhaps"}, "perhaps"),
        ({"zones": "everywhere"}, "everywhere"),
        ({"length": {"from": 30}}, "30 mm lies inside a length band"),
        ({"length": {"between": 19}}, "between"),
        ({"categories": ["poodle"]}, "poodle"),
        ({"sparse": "perhaps"}, "perhaps"),
        ({"colour": "red"}, "colour"),
        ({"mats": ["tight"]}, "tight"),
    ],
)
def test_a_rule_that_says_what_it_cannot_mean_is_refused_by_name(change, message):
    assert parse_rule(GOOD).id == "a-rule"
    with pytest.raises(ModelFilesError, match=message) as caught:
        parse_rule(GOOD | change)
    assert "a-rule" in str(caught.value)


@pytest.mark.parametrize("key", ["id", "tool", "role", "order", "source", "zones"])
def test_a_rule_without_a_needed_part_is_refused(key):
    with pytest.raises(ModelFilesError, match=key):
        parse_rule({name: value for name, value in GOOD.items() if name != key})


def _harm_rows() -> list[dict[str, str]]:
    with (FOLDER / "harm.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source": ""}, "no source"),
        ({"tool": "magic_brush"}, "magic_brush"),
        ({"category": "poodle"}, "poodle"),
        ({"texture": "greasy"}, "greasy"),
        ({"condition": "full moon"}, "full moon"),
        ({"under_19mm": "tickles"}, "tickles"),
        ({"effect": "replaces"}, "base row"),
    ],
)
def test_a_harm_row_that_says_what_it_cannot_mean_is_refused_by_line(change, message):
    rows = _harm_rows()
    rows[0] = rows[0] | change
    with pytest.raises(ModelFilesError, match=message) as caught:
        parse_harm(rows)
    assert "line 2" in str(caught.value)


def test_a_harm_row_given_twice_is_refused():
    rows = _harm_rows()
    with pytest.raises(ModelFilesError, match="repeats"):
        parse_harm([*rows, rows[0]])


def test_a_tool_without_its_base_row_is_refused():
    with pytest.raises(ModelFilesError, match="no base row for mat_splitter"):
        parse_harm(row for row in _harm_rows() if row["tool"] != "mat_splitter")


def test_every_rule_and_every_harm_row_has_a_source():
    assert all(rule.source for rule in tool_rules())
    assert all(row["source"] for row in _harm_rows())
    assert rule_file()["policy"]["source"] == "assumption"


def test_the_version_changes_with_the_data_and_not_with_line_endings(monkeypatch, tmp_path):
    from coatclass import triage
    from coatclass.toolkit import tables

    for file in ("catalogue.toml", "rules.toml", "harm.csv"):
        (tmp_path / file).write_bytes((FOLDER / file).read_bytes().replace(b"\n", b"\r\n"))
    fresh = tables.rules_version.__wrapped__
    monkeypatch.setattr(tables, "FOLDER", tmp_path)
    released = rules_version()
    monkeypatch.setattr(tables, "rule_file", lambda: {"version": released.partition("+")[0]})
    assert fresh() == released
    monkeypatch.setattr(triage, "RULE_FILE", tmp_path / "catalogue.toml")
    assert fresh() != released
    monkeypatch.undo()
    monkeypatch.setattr(tables, "FOLDER", tmp_path)
    with (tmp_path / "harm.csv").open("a") as stream:
        stream.write("one more row\n")
    assert fresh() != released
