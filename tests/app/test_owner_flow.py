"""The way through the questions: it always ends, never asks twice, and looks after the dog before it asks for hands."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.owner import flow
from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.assessing import assess_readings

LIKELY = {
    "breed": "Havanese", "breed_known_by": "papers", "age_months": 40.0, "feel": "soft", "curl": "wavy",
    "lie": "lies_flat", "shedding": "little", "keeps_growing": True, "beard_and_brows": True,
    "trunk_length_mm": 40.0, "trunk_length_by": "finger", "last_trim_how": "scissored", "last_trim_weeks": 9.0,
    "undercoat_seen": "light", "comb_reaches_skin": True, "top_coat_lets_go": False, "wet_lock_curls": False,
    "skin_trouble": (), "mats": {"trunk": "none"}, "patience": "tolerates", "minutes_per_week": 60.0,
    "days_since_combed": 5.0, "baths_per_month": 1.0, "swims": False,
}  # fmt: skip


def walk(answering) -> list[flow.Card]:
    """Go all the way; ``answering`` tells whether a screen is answered or passed."""
    answers, skipped, way = {}, set(), []
    for _ in range(40):
        given_so_far = questionnaire.parse(answers)
        assessment = assess_readings([], given_so_far, skipped=skipped)
        progress = flow.progress(given_so_far, skipped, assessment)
        assert 0 <= progress.done <= progress.of
        card = flow.next_card(given_so_far, skipped, assessment)
        if card is None:
            assert progress.done == progress.of or assessment.next_question is not None or not answers
            return way
        way.append(card)
        known = {name: LIKELY[name] for name in card.questions if name in LIKELY} if answering(card) else {}
        answers |= known
        skipped |= set(card.questions) - set(known)
    raise AssertionError([card.id for card in way])


@given(st.sets(st.sampled_from([spec.id for spec in questionnaire.questions()])))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_is_passed_the_way_ends_and_asks_nothing_twice(passed):
    way = walk(lambda card: not passed.intersection(card.questions))
    ids = [card.id for card in way]
    assert len(ids) == len(set(ids))
    assert len(ids) <= flow.MOST_OF_COAT + 6


def test_skin_and_knots_are_asked_before_anything_that_pulls_at_hair():
    ids = [card.id for card in walk(lambda card: True)]
    hands = [ids.index(name) for name in ("comb_reaches_skin", "top_coat_lets_go", "wet_lock_curls", "undercoat_seen")
             if name in ids]  # fmt: skip
    assert all(max(ids.index("skin"), ids.index("mats")) < place for place in hands)


def test_nobody_is_asked_to_pull_at_a_dog_in_pain():
    answers = questionnaire.parse({"breed": "Border Terrier", "skin_trouble": ["pain"], "mats": {"trunk": "felted"}})
    due = {spec.id for spec in questionnaire.due(answers)}
    assert not due & {"comb_reaches_skin", "top_coat_lets_go", "wet_lock_curls"}


def test_the_length_is_asked_where_it_would_change_the_kit():
    known = {"breed": "Bearded Collie", "breed_known_by": "papers", "age_months": 50.0, "feel": "soft", "lie": "hangs"}
    answers, skipped = questionnaire.parse(known), set()
    asked = []
    for _ in range(8):
        card = flow.next_card(answers, skipped, assess_readings([], answers, skipped=skipped))
        if card is None:
            break
        asked.append(card.id)
        skipped |= set(card.questions)
    assert "length" in asked


@pytest.mark.parametrize("spec", questionnaire.questions(), ids=lambda spec: spec.id)
def test_every_question_stands_on_exactly_one_screen(spec):
    card = flow.card_of(spec.id)
    assert spec.id in card.questions
    assert flow.card(card.id) == card


def test_an_unknown_screen_is_none():
    assert flow.card("../../etc/passwd") is None


def test_nothing_known_gives_no_screen_of_the_plan_before_the_coat():
    first = flow.next_card(Answers(), (), assess_readings([], Answers()))
    assert first is not None
    assert first.id == "dog"
