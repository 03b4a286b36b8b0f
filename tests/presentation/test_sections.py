"""What is shown and in which order: stops before steps, nothing that is not cleared, nothing said that is not there."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path

import pytest
from shown import DOGS, TODAY, dog, of, sentences, shown

from coatclass.contract import Role, Verdict
from coatclass.planning import plan
from coatclass.presentation import present
from coatclass.presentation.abridged import in_short
from coatclass.presentation.blocks import Facts, Steps, Text, Tools, WeekStrip
from coatclass.taxonomy import BodyZone, CoatCategory, MatState
from coatclass.words import LANGUAGES, catalogue

ORDER = [
    "verdict",
    "stops",
    "now",
    "training",
    "kit",
    "week",
    "steps",
    "bath",
    "visit",
    "after",
    "changes",
    "grown",
    "dates",
    "beware",
]


def everything(shown_plan) -> str:
    return " ".join(said for section in shown_plan.sections for said in sentences(section))


@pytest.mark.parametrize("name", DOGS)
def test_what_must_be_read_at_once_comes_in_the_trades_order(name):
    first = [section.id for section in shown(name).sections if section.place == "first"]
    assert first == [part for part in ORDER if part in first]
    assert first[0] == "verdict"


@pytest.mark.parametrize("name", DOGS)
def test_no_section_is_empty_or_twice_there(name):
    sections = shown(name).sections
    assert len({section.id for section in sections}) == len(sections)
    assert all(section.blocks and section.title for section in sections)


@pytest.mark.parametrize("name", DOGS)
def test_what_is_to_be_bought_first_is_the_first_needed_tool(name):
    made = plan(DOGS[name], today=TODAY)
    section = present(made).section("kit") or present(made).section("after-kit")
    first = re.search(r"If you (?:then )?buy only one thing: (.+)\.$", section.blocks[0].text)
    phase = made.now if any(item.role is Role.ESSENTIAL for item in made.now.kit) else made.routine_phase
    needed = sorted((i for i in phase.kit if i.role is Role.ESSENTIAL), key=lambda item: item.order)
    assert first and first[1] == catalogue().tool(needed[0].tool, inside=True)


@pytest.mark.parametrize("name", DOGS)
def test_a_step_names_the_tool_that_it_takes_and_where(name):
    made = plan(DOGS[name], today=TODAY)
    names = {item.tool: item.name for phase in (made.now, made.after, made.grown) if phase for item in phase.kit}
    for section in of(made).sections:
        for block in section.blocks:
            for row in block.rows if isinstance(block, Steps) and section.id.endswith("steps") else ():
                assert row.where
                assert row.tool is None or names[row.tool].casefold() in row.title.casefold()


@pytest.mark.parametrize("name", DOGS)
def test_tools_and_steps_of_now_keep_to_cleared_zones(name):
    made = plan(DOGS[name], today=TODAY)
    words, now = catalogue(), made.now
    allowed = {words.zone(zone) for zone in now.triage.cleared(comb=True)}
    for section in of(made).sections:
        for block in section.blocks:
            if section.id == "kit" and isinstance(block, Tools):
                for row in block.rows:
                    inside = row.where.split(" except ")[0]
                    assert inside == words.zones(BodyZone) or set(re.split(r", | and ", inside)) <= _parts(allowed)
    if now.week is None:
        assert of(made).section("steps") is None


def _parts(names: set[str]) -> set[str]:
    """Names of zones, and their parts where a name holds "and" itself."""
    return {part for name in names for part in (name, *re.split(r", | and ", name))}


@pytest.mark.parametrize("name", DOGS)
@pytest.mark.parametrize("language", LANGUAGES)
def test_how_often_is_said_alike_everywhere(name, language):
    made = plan(DOGS[name], today=TODAY, language=language)
    week = made.now.week
    if week is None:
        assert of(made).section("week") is None
        return
    (strip,) = (block for block in of(made).section("week").blocks if isinstance(block, WeekStrip))
    assert sum(level == 2 for _, _, level in strip.days) == week.sittings
    assert sum(level == 1 for _, _, level in strip.days) == week.touch_ups
    assert catalogue(language).often(week.rounds) in everything(of(made))
    (session,) = (event for event in made.events if event.kind == "session")
    assert len(session.weekdays) == week.sittings


@pytest.mark.parametrize("name", DOGS)
def test_nothing_is_bought_before_a_visit_that_changes_the_coat(name):
    made = plan(DOGS[name], today=TODAY)
    if not made.now.triage.shopping.open:
        assert of(made).section("kit") is None
        assert "There is nothing to buy before" in everything(of(made))


@pytest.mark.parametrize("name", DOGS)
def test_owned_tools_and_parents_are_on_every_plan(name):
    made = shown(name)
    assert "Poodle and Spitz" in everything(made)
    judged = made.section("owned").blocks[-1]
    assert isinstance(judged, Facts) and len(judged.pairs) == 2 and all(why for _, why in judged.pairs)


@pytest.mark.parametrize("name", DOGS)
def test_nobody_gives_0_minutes(name):
    bare = plan(dog(DOGS[name].categories, DOGS[name].measured_mm, minutes_per_week=None), today=TODAY)
    assert not re.search(r"\b0 minutes", everything(of(bare)))


def test_a_puppy_sees_now_each_change_and_the_adult():
    made = shown("puppy")
    assert made.title == "Fennel has a mixed coat"  # what it is growing into, whatever the puppy coat needs today
    assert [made.section(part) is not None for part in ("kit", "changes", "grown")] == [True] * 3
    dates = made.section("changes").blocks[1].items
    assert len(dates) >= 2 and all(re.search(r"20\d\d$", day) for day in dates)


def test_a_biter_trains_in_seconds_before_any_week():
    made = shown("biter")
    assert made.section("week") is None
    rows = [row for block in made.section("training").blocks if isinstance(block, Steps) for row in block.rows]
    assert any("seconds at a time" in row.title for row in rows)


def test_the_same_work_after_a_visit_is_not_told_twice():
    made = shown("double coat, a tight place")
    assert made.section("after") is not None
    ids = {section.id for section in made.sections}
    assert ("after-steps" in ids) != any(
        "The same tools and steps as now" in said for said in sentences(made.section("after"))
    )


def test_without_an_estimate_there_is_the_verdict_and_what_helps_next():
    from coatclass.assessing import assess

    made = present(None, assess(()))
    assert [section.id for section in made.sections] == ["verdict", "question", "about"]
    assert not made.entries


def test_a_reference_is_only_made_to_what_is_shown():
    for name in DOGS:
        made = shown(name)
        said = everything(made)
        assert "what is right for all of them" not in said
        assert ("“A loose knot, step by step”" in said) <= (made.section("ladder") is not None)


def test_a_title_fits_one_coat_and_several():
    assert shown("curly").title == "Fennel has a curly coat"
    assert " or " in shown("doubtful").title
    several = present(plan(dog({CoatCategory.HAIR, CoatCategory.FUR}), today=date(2026, 3, 2)))
    assert several.title.startswith("Your dog has ")


def test_mats_are_named_in_the_table_of_zones():
    section = shown("double coat, a tight place").section("map")
    cells = [cell for row in section.blocks[1].rows for cell in row]
    assert any(cell.endswith(f"found: {catalogue().word('mat_state', MatState.TIGHT_MATS)}") for cell in cells)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_zone_that_is_left_alone_for_its_skin_or_ears_says_so_in_the_table(language):
    sore = dog(
        CoatCategory.CURLY, 45.0, skin={BodyZone.BELLY: "sores"}, skin_trouble=frozenset({"sores", "ear_trouble"})
    )
    *_, table = present(plan(sore, today=TODAY, language=language)).section("map").blocks
    words = catalogue(language)
    why = {row[0].rpartition(". ")[2]: row[2] for row in table.rows}
    for zone, rule in (("belly", "sores"), ("ears", "ears"), ("behind_ears", "ears")):
        assert words.say(f"triage.why.{rule}").casefold() in why[words.title(words.zone(zone))].casefold()
    assert not any(
        words.say("triage.why.sores") in said for name, said in why.items() if name != words.title(words.zone("belly"))
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_map_of_a_coat_that_is_middling_all_over_says_where_to_look_first_and_why(language):
    # Behind the ears and in the armpits knots begin first: common practice, no source.
    made = present(plan(dog(CoatCategory.MIXED, 45.0), today=TODAY, language=language))
    text, picture, table = made.section("map").blocks
    words = catalogue(language)
    assert {row[1] for row in table.rows} == {words.word("risk", "moderate")}
    assert all(words.zone(zone) in text.text for zone in ("behind_ears", "armpits"))
    assert [row[0].partition(".")[0] for row in table.rows] == [str(n) for n in range(1, len(table.rows) + 1)]
    assert words.say("plan.load.rubs") in table.rows[0][2] and len({row[2] for row in table.rows}) > 1
    assert picture.compact is not None


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_entry_of_the_calendar_read_alone_sends_round_a_lump_and_asks_the_vet_before_a_pregnant_dogs_bath(language):
    lump = {"skin": {BodyZone.CHEST: "lump"}, "skin_trouble": frozenset({"lump"})}
    words = catalogue(language)
    for known, kind, code in ((lump, "session", "round_lump"), ({"expecting": True}, "bath", "expecting")):
        made = present(plan(dog(CoatCategory.CURLY, 45.0, **known), today=TODAY, language=language))
        texts = [one.text for one in made.entries if one.event.kind == kind]
        assert texts and all(words.say(f"care.caution.{code}") in text for text in texts)


# Common practice, no source.
@pytest.mark.parametrize("mm", [8.0, 45.0])
def test_a_dog_is_washed_with_dog_shampoo_and_not_into_the_ears(mm):
    said = " ".join(plan(dog(CoatCategory.FUR, mm), today=TODAY).now.routine.bath_steps)
    assert "made for dogs, never one for people" in said and "out of eyes and ears" in said


def test_more_work_than_the_owner_can_give_is_answered_beside_the_week():
    made = plan(dog(CoatCategory.DROP, 150.0, minutes_per_week=5.0), today=TODAY)
    assert made.now.length.text in sentences(present(made).section("week"))
    enough = plan(dog(CoatCategory.DROP, 30.0, minutes_per_week=600.0), today=TODAY)
    assert enough.now.length.text not in sentences(present(enough).section("week"))


# Common practice, no source.
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_lump_of_which_nobody_said_where_is_looked_for_and_gone_round_with_every_tool(language):
    words, lump = catalogue(language), frozenset({"lump"})
    made = of(plan(dog(CoatCategory.WIRE, 40.0, skin_trouble=lump), today=TODAY, language=language))
    assert words.say("plan.now.where_lump") in sentences(made.section("now"))
    noted = [row.notes for block in made.section("steps").blocks for row in block.rows if row.tool]
    assert len(noted) > 1 and all(any(one.of_the_dog for one in notes) for notes in noted)
    again = words.say("care.caution.round_lump_again")
    assert [any(again in one.text for one in notes) for notes in noted] == [False] + [True] * (len(noted) - 1)
    known = dog(CoatCategory.WIRE, 40.0, skin_trouble=lump, skin={BodyZone.CHEST: "lump"})
    placed = of(plan(known, today=TODAY, language=language))
    assert not any(words.say("plan.now.where_lump") in sentences(section) for section in placed.sections)


def test_that_a_dog_is_old_or_has_a_lump_is_no_mistake_of_its_owner():
    for coat in CoatCategory:
        known = {"age_months": 150.0, "skin": {BodyZone.CHEST: "lump"}, "skin_trouble": frozenset({"lump"})}
        made = present(plan(dog(coat, 45.0, **known), today=TODAY))
        told = [note.text for note in made.section("beware").blocks]
        assert any(text.startswith("An old dog") for text in told)
        assert in_short(made).beware and not in_short(made).beware.startswith(("An old dog", "Go round the lump"))


_PROBABLY = {
    "en": ("probably", "Can't be ruled out yet"),
    "de": ("wahrscheinlich", "Noch nicht auszuschließen"),
    "fr": ("probablement", "Pas encore exclu"),
}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("breed", ["Samoyed", "Labrador Retriever", "Poodle"])
def test_one_likely_coat_is_called_probable_and_every_other_possible_one_is_named_once_below(breed, language):
    from coatclass.answers import parse
    from coatclass.assessing import assess
    from coatclass.cli.dog import presented

    answers, words = parse({"breed": breed}), catalogue(language)
    found = assess((), answers)
    assert found.category is not None and found.verdict is not Verdict.SETTLED
    best, others = found.category.set[0], found.category.set[1:]
    made = presented(found, answers, name="Fennel", language=language, today=TODAY)
    probably, open_yet = _PROBABLY[language]
    assert probably in made.title and words.coat(best, phrase=True) in made.title
    assert not any(words.coat(one, phrase=True) in made.title for one in others)
    facts = dict(pair for block in made.section("verdict").blocks if isinstance(block, Facts) for pair in block.pairs)
    assert all(words.coat(one).lower() in facts[open_yet].lower() for one in others)
    short = in_short(made)
    assert probably in short.coat.lower() and facts[open_yet] in short.others


def test_a_coat_is_not_called_probable_where_something_speaks_against_the_estimate():
    from coatclass.answers import parse
    from coatclass.assessing import assess
    from coatclass.cli.dog import presented

    answers = parse({"breed": "Poodle crossed with Labrador"})
    found = assess((), answers)
    assert found.verdict is Verdict.HANDS_ON and "mixed_possible" not in {one.code for one in found.reasons}
    assert "probably" not in presented(found, answers, name="Fennel", language="en", today=TODAY).title


def test_a_doubtful_cross_is_sold_nothing_for_its_likeliest_coat_alone():
    """Where something speaks against the probabilities, tools and zones are for every coat still possible."""
    from coatclass.answers import parse
    from coatclass.assessing import assess, situation_of

    sure = assess((), parse({"breed": "Samoyed"}))
    doubtful = parse(json.loads((Path(__file__).parents[2] / "app/demo/fennel.json").read_text()))
    found = assess((), doubtful)
    assert found.category.probabilities[CoatCategory.MIXED] > 0.5 and len(found.category.set) > 2
    assert situation_of(parse({}), sure.category, sure.length_band, sure.reasons).shares
    assert not situation_of(doubtful, found.category, found.length_band, found.reasons).shares
    needed = [item.tool for item in found.kit if item.role is Role.ESSENTIAL]
    assert "soft_slicker" in needed and "firm_slicker" not in needed


@pytest.mark.parametrize(
    ("minutes", "weight", "said"),
    [(5.0, 3.1, True), (300.0, 3.1, False), (None, None, False)],
)
def test_who_has_too_little_time_for_the_coat_reads_so_beside_the_week(minutes, weight, said):
    silk = dog({CoatCategory.DROP}, 150.0, weight_kg=weight, minutes_per_week=minutes)
    made = plan(silk, today=TODAY)
    assert made.now.length is not None
    for language in LANGUAGES:
        shown_plan = of(plan(silk, today=TODAY, language=language))
        beside = [block.text for block in shown_plan.section("week").blocks if isinstance(block, Text)]
        advice = next(block for block in shown_plan.section("length").blocks if isinstance(block, Text)).text
        assert (len(beside) == 1 and beside[0].endswith(advice)) if said else not beside, language
