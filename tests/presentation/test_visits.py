"""What visits leave behind, as it is shown: last time against this time, the course, lengths to come, touches."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from itertools import combinations

import pytest
from shown import DOGS, TODAY, dog

from coatclass import genetics
from coatclass.answers import parse
from coatclass.assessing import assess
from coatclass.cli.dog import presented
from coatclass.contract import Fault, TechniqueCheck, VisitNote
from coatclass.planning import plan
from coatclass.presentation import Presentation, present
from coatclass.presentation.abridged import in_short
from coatclass.presentation.blocks import Items, Picture, Steps, Table, Text
from coatclass.presentation.drawing import Label, svg
from coatclass.presentation.pictures import dog_outline
from coatclass.presentation.visits import course_chart
from coatclass.taxonomy import BodyZone, CoatCategory, MatState
from coatclass.words import LANGUAGES, catalogue

Z = BodyZone
SURFACE = TechniqueCheck(passed=(Z.TRUNK,), stopped=(Z.ARMPITS, Z.LEGS), faults=(Fault.SURFACE_ONLY,))
THROUGH = TechniqueCheck(passed=(Z.TRUNK, Z.ARMPITS, Z.LEGS))
FAILED = VisitNote(on=date(2025, 12, 1), mats={Z.ARMPITS: MatState.MATS}, minutes=95, length_mm=38, check=SURFACE)
PASSED = VisitNote(on=date(2026, 2, 2), mats={Z.ARMPITS: MatState.NONE}, minutes=60, length_mm=30, check=THROUGH)


def shown(*notes: VisitNote, language: str = "en", name: str = "curly") -> Presentation:
    return present(plan(replace(DOGS[name], notes=notes), today=TODAY, language=language), dog_name="Fennel")


def blocks(plan_: Presentation, section: str, kind: type) -> list:
    found = plan_.section(section)
    return [block for block in found.blocks if isinstance(block, kind)] if found else []


@pytest.mark.parametrize("language", LANGUAGES)
def test_this_time_stands_beside_last_time_zone_by_zone(language: str) -> None:
    say = catalogue(language)
    [table] = blocks(shown(FAILED, PASSED, language=language), "checked", Table)
    assert table.head[1:] == (say.day(FAILED.on), say.day(PASSED.on))
    rows = {row[0]: row[1:] for row in table.rows}
    stopped, passed = say.say("visit.course.stopped"), say.say("visit.course.passed")
    assert rows[say.title(say.zone("armpits"))] == (stopped, passed)
    assert rows[say.title(say.zone("trunk"))] == (passed, passed)


def test_the_one_mistake_said_first_is_the_one_that_the_groomer_saw() -> None:
    after = shown(FAILED)
    [taught] = blocks(after, "checked", Items)
    assert in_short(after).beware == taught.items[0]
    assert "surface" in taught.items[0]
    assert in_short(shown(FAILED, PASSED)).beware == in_short(shown()).beware


def test_without_visits_nothing_of_them_is_shown() -> None:
    assert not any(shown().section(name) for name in ("checked", "course"))
    assert shown(FAILED).section("course") is None, "one visit is no course"


def test_a_check_of_a_dog_that_must_not_be_brushed_now_only_says_that_it_waits() -> None:
    sore = shown(FAILED, name="felted and sore")
    assert blocks(sore, "checked", Items) == []
    [text] = blocks(sore, "checked", Text)
    assert "wait" in text.text


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_chart_says_in_words_what_it_draws(language: str) -> None:
    say = catalogue(language)
    chart = course_chart((FAILED, PASSED), say)
    assert say.zone("armpits") in chart.description
    for note in (FAILED, PASSED):
        assert say.day(note.on) in chart.description
        assert say.minutes(note.minutes or 0) in chart.description
    words = [shape.text for shape in chart.shapes if isinstance(shape, Label)]
    assert say.title(say.zone("armpits")) in words and "95" in words and "60" in words
    filled = svg(chart).count('fill="#000000"')
    assert filled == 2 + 1, "two places stopped the comb, and the key"
    x, y, width, height = chart.view
    for shape in chart.shapes:
        points = [shape.at] if isinstance(shape, Label) else shape.points
        assert all(x <= px <= x + width and y <= py <= y + height for px, py in points)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_lengths_to_come_are_a_table_and_a_double_coat_gets_its_brush_outs(language: str) -> None:
    say = catalogue(language)
    [table] = blocks(shown(language=language), "clips", Table)
    assert table.head == say.lines("visit.clips.head")
    double = present(plan(dog(CoatCategory.ARCTIC, 60.0), today=TODAY, language=language))
    assert blocks(double, "clips", Table) == []
    [text] = blocks(double, "clips", Text)
    assert text.text == say.say("visit.clips.why_uncut")


# --- what to feel -----------------------------------------------------------------------------------------------------


def doubtful() -> Presentation:
    answers = parse({"feel": "soft", "curl": "wavy", "parents": ["Poodle", "Golden Retriever"]})
    found = assess((), answers)
    assert found.verdict == "hands_on", "the answers of this test no longer leave the coat in doubt"
    return presented(found, answers, today=TODAY)


def test_a_coat_that_only_hands_can_tell_names_three_touches_at_most_and_what_each_decides() -> None:
    [steps] = blocks(doubtful(), "feel", Steps)
    assert 1 <= len(steps.rows) <= 3
    assert all(row.where and row.do and ":" in row.done for row in steps.rows)
    [picture] = blocks(doubtful(), "feel", Picture)
    numbers = [shape.text for shape in picture.drawing.shapes if isinstance(shape, Label)]
    assert numbers == [str(number) for number in range(1, len(steps.rows) + 1)]


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_touch_has_its_words_in_every_language(language: str) -> None:
    for touch in genetics.touches():
        assert all(genetics.touch_words(touch.id, language))
        words = [genetics.outcome_words(touch.id, outcome, language) for outcome in touch.outcomes]
        assert len(set(words)) == len(words)


def test_no_two_places_to_feel_lie_on_each_other() -> None:
    _, _, places = dog_outline([touch.id for touch in genetics.touches()])
    assert all(math.dist(one, other) > 26 for one, other in combinations(places, 2))
