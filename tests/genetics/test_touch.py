"""The groomer's bench: what to feel for, and what it then says."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass.contract import CoatSituation
from coatclass.errors import InputError
from coatclass.genetics import not_for_hand_stripping, rank_touches, to_feel, touches, update
from coatclass.taxonomy import CATEGORIES, BodyZone, CoatCategory, Curl, MatState, Texture, Undercoat
from coatclass.triage import triage

C = CoatCategory


def between(*coats: CoatCategory) -> tuple[float, ...]:
    return tuple(1 / len(coats) if coat in coats else 0.0 for coat in CATEGORIES)


distributions = st.lists(st.floats(0.001, 1), min_size=7, max_size=7).map(
    lambda weights: tuple(weight / sum(weights) for weight in weights)
)


def entropy(distribution: tuple[float, ...]) -> float:
    return -sum(p * math.log2(p) for p in distribution if p)


@pytest.mark.parametrize("touch", touches(), ids=lambda touch: touch.id)
def test_every_category_gives_each_touch_some_outcome_and_never_a_certain_one(touch) -> None:
    for place in range(len(CATEGORIES)):
        chances = [shares[place] for shares in touch.outcomes.values()]
        assert sum(chances) == pytest.approx(1)
        assert all(0 < chance < 1 for chance in chances)
    assert touch.feel
    assert "assumption" in touch.source


@given(distributions)
def test_touches_come_in_the_order_of_their_expected_information(distribution) -> None:
    bits = [finding.bits for finding in rank_touches(distribution)]
    assert bits == sorted(bits, reverse=True)
    assert 0 <= bits[-1] <= bits[0] <= entropy(distribution) + 1e-9


@given(distributions)
def test_belief_before_a_touch_is_the_mean_of_beliefs_after_it(distribution) -> None:
    """The law of total probability."""
    for finding in rank_touches(distribution):
        for place in range(len(CATEGORIES)):
            mean = sum(finding.chance[outcome] * then[place] for outcome, then in finding.would_say.items())
            assert mean == pytest.approx(distribution[place])


def test_a_settled_dog_has_nothing_left_to_feel_for() -> None:
    assert all(finding.bits == pytest.approx(0) for finding in rank_touches(between(C.CURLY)))


@pytest.mark.parametrize(
    ("coats", "good"),
    [
        ((C.HAIR, C.DROP), {"springs_back"}),
        ((C.CURLY, C.HAIR), {"wet_curl", "springs_back", "texture"}),
        ((C.MIXED, C.CURLY), {"two_lengths", "undercoat_lets_go", "wet_curl", "texture"}),
        ((C.FUR, C.WIRE), {"furnishings"}),
        ((C.FUR, C.ARCTIC), {"springs_back"}),
        ((C.MIXED, C.FUR), {"undercoat_lets_go", "furnishings", "wet_curl"}),
    ],
)
def test_the_first_touch_is_one_that_the_trade_would_use(coats, good) -> None:
    """Common practice, no source."""
    assert rank_touches(between(*coats))[0].touch.id in good


def test_down_that_stays_speaks_for_a_mixed_coat() -> None:
    """The trade: in a mixed coat the undercoat does not let go by itself (common practice, no source)."""
    after = update(between(C.MIXED, C.FUR, C.CURLY), "undercoat_lets_go", "stays")
    assert after[CATEGORIES.index(C.MIXED)] > 0.6


def test_a_lock_that_curls_when_wet_speaks_for_curly() -> None:
    after = update(between(C.CURLY, C.HAIR), "wet_curl", "curly")
    assert after[CATEGORIES.index(C.CURLY)] > 0.8


def test_the_order_of_two_findings_does_not_matter() -> None:
    start = between(C.MIXED, C.FUR, C.CURLY, C.HAIR)
    one = update(update(start, "wet_curl", "wavy"), "undercoat", "light")
    other = update(update(start, "undercoat", "light"), "wet_curl", "wavy")
    assert one == pytest.approx(other)


def test_touches_already_made_are_not_offered_again() -> None:
    done = ["wet_curl", "undercoat"]
    assert {finding.touch.id for finding in rank_touches(between(C.MIXED, C.CURLY), done)}.isdisjoint(done)


def test_the_bench_speaks_the_taxonomys_words() -> None:
    outcomes = {touch.id: set(touch.outcomes) for touch in touches()}
    assert outcomes["undercoat"] == set(Undercoat)
    assert outcomes["texture"] == set(Texture)
    assert outcomes["wet_curl"] == set(Curl)


def test_an_unknown_finding_is_refused_with_the_choices() -> None:
    with pytest.raises(InputError) as refused:
        update(between(C.FUR), "wet_curl", "frizzy")
    assert "wavy" in refused.value.next_step
    with pytest.raises(InputError):
        update(between(C.FUR), "smell", "good")


def test_no_mixed_coat_is_for_hand_stripping() -> None:
    """Common practice, no source."""
    assert "not for hand-stripping" in not_for_hand_stripping()


# --- the three touches of a doubtful dog ------------------------------------------------------------------------------


def left(*coats: C) -> dict[C, float]:
    return dict.fromkeys(coats, 1 / len(coats))


@given(st.frozensets(st.sampled_from(list(C)), min_size=1))
def test_no_more_than_three_touches_none_twice_and_none_for_a_coat_that_is_known(coats) -> None:
    chosen = [one.touch for one in to_feel(left(*coats))]
    assert len(chosen) <= 3 and len(set(chosen)) == len(chosen)
    assert bool(chosen) == (len(coats) > 1)


@pytest.mark.parametrize(
    ("coats", "first"),
    [
        ((C.FUR, C.ARCTIC), {"springs_back", "undercoat"}),
        ((C.CURLY, C.HAIR), {"wet_curl", "springs_back"}),
        ((C.MIXED, C.CURLY), {"wet_curl", "two_lengths", "undercoat_lets_go"}),
    ],
)
def test_the_first_touch_is_the_one_the_trade_would_make(coats, first) -> None:
    """Common practice, no source."""
    assert to_feel(left(*coats))[0].touch in first


def test_the_first_touch_brings_the_most_information_of_all() -> None:
    coats = (C.MIXED, C.CURLY, C.DROP)
    assert to_feel(left(*coats))[0].touch == rank_touches(between(*coats))[0].touch.id


def test_the_coats_named_after_an_outcome_hold_the_share_of_a_verdict() -> None:
    coats = (C.MIXED, C.CURLY, C.DROP)
    for one in to_feel(left(*coats)):
        for outcome, said in one.says.items():
            then = dict(zip(CATEGORIES, update(between(*coats), one.touch, outcome), strict=True))
            assert sum(then[coat] for coat in said) >= 0.9
            assert sum(then[coat] for coat in said[:-1]) < 0.9


def test_where_a_vet_looks_first_nobody_feels() -> None:
    dog = CoatSituation(frozenset({C.MIXED, C.CURLY}), frozenset(), skin_trouble=frozenset({"pain"}))
    assert {one.touch for one in to_feel(left(C.MIXED, C.CURLY), triage(dog))} <= {"furnishings"}
    felted = replace(dog, skin_trouble=frozenset(), mats={BodyZone.TRUNK: MatState.FELTED})
    assert "undercoat_lets_go" not in {one.touch for one in to_feel(left(*C), triage(felted))}
