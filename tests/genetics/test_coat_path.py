"""From puppy to adult coat: stages, dates and what to look for. Ages: common practice, no source."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import CoatSituation, KitItem, Role
from coatclass.errors import InputError
from coatclass.genetics import growing_up, prior, puppy_coat
from coatclass.taxonomy import CATEGORIES, CoatCategory, LengthBand, Texture
from coatclass.toolkit import catalogue, recommend
from coatclass.triage import triage

C = CoatCategory
BAND = (0.1, 0.2, 0.5, 0.2)
BORN = date(2026, 8, 31)


def kit(situation: CoatSituation) -> tuple[KitItem, ...]:
    return recommend(situation, triage(situation))


def mostly(category: CoatCategory) -> tuple[float, ...]:
    return tuple(0.94 if other is category else 0.01 for other in CATEGORIES)


def test_a_puppy_goes_through_three_stages_without_a_gap() -> None:
    path = growing_up(mostly(C.MIXED), BAND, born=BORN, today=date(2026, 10, 1))
    assert [stage.id for stage in path.stages] == ["puppy", "change", "adult"]
    assert path.window_months == (6, 18)
    for stage, following in zip(path.stages, path.stages[1:], strict=False):
        assert stage.ends == following.begins
    assert path.stages[0].begins == BORN
    assert path.stages[1].begins == date(2027, 2, 28)
    assert path.stages[2].begins == date(2028, 2, 29)


def test_a_grown_dog_has_its_adult_stage_only() -> None:
    path = growing_up(mostly(C.FUR), BAND, age_months=40)
    assert [stage.id for stage in path.stages] == ["adult"]
    assert path.now.look_again == ()


def test_the_first_stage_is_soft_and_short_whatever_will_come() -> None:
    puppy = growing_up(mostly(C.DROP), (0, 0, 0, 1), age_months=2).now.situation
    assert puppy.textures == {Texture.SOFT}
    assert puppy.categories == {C.HAIR}
    assert LengthBand.OVER_75MM not in puppy.bands
    assert puppy.age_months is not None and puppy.age_months < 6


def test_the_change_is_planned_as_two_coats_at_once() -> None:
    change = growing_up(mostly(C.CURLY), BAND, age_months=9).now
    assert C.MIXED in change.situation.categories
    assert C.CURLY in change.situation.categories


@pytest.mark.parametrize("category", list(C))
def test_the_kit_begins_with_a_soft_brush_and_ends_with_the_adult_coats_kit(category: CoatCategory) -> None:
    """Common practice, no source: a puppy's tools change as it grows."""
    path = growing_up(mostly(category), BAND, age_months=2)
    kits = {
        stage.id: {item.tool for item in kit(stage.situation) if item.role in {Role.ESSENTIAL, Role.HELPFUL}}
        for stage in path.stages
    }
    assert kits["puppy"] & {"soft_slicker", "soft_bristle_brush", "boar_bristle_brush"}
    assert {catalogue()[tool].drag for tool in kits["puppy"]} == {"gentle"}
    assert "comb" in {catalogue()[tool].job for tool in kits["puppy"]}
    adult = kit(CoatSituation(categories=frozenset({category}), bands=path.stages[-1].situation.bands))
    needed = {item.tool for item in adult if item.role is Role.ESSENTIAL}
    assert needed & kits["adult"]


@pytest.mark.parametrize("category", list(C))
@pytest.mark.parametrize("age", [0.0, 2.0, 3.9])
def test_a_planned_pup_and_a_pup_that_is_shown_wear_the_same_coat_and_get_the_same_kit(
    category: CoatCategory, age: float
) -> None:
    planned = growing_up(mostly(category), BAND, age_months=age).now.situation
    for bands in ({LengthBand.UNDER_19MM}, {LengthBand.OVER_75MM}, set(LengthBand)):
        shown = puppy_coat(CoatSituation(frozenset({category}), frozenset(bands), age_months=age))
        assert kit(shown) == kit(planned)


def test_what_somebody_felt_or_measured_on_a_pup_stands() -> None:
    felt = CoatSituation(frozenset({C.CURLY}), frozenset(LengthBand), measured_mm=22.0,
                         textures=frozenset({Texture.WOOLLY}), age_months=3.0)  # fmt: skip
    pup = puppy_coat(felt)
    assert (pup.measured_mm, pup.textures, pup.categories) == (22.0, {Texture.WOOLLY}, {C.HAIR})


@pytest.mark.parametrize("category", list(C))
def test_once_the_adult_coat_comes_in_the_dog_wears_what_was_found(category: CoatCategory) -> None:
    """The first signs come between 4 and 8 months (common practice, no source)."""
    for age in (None, 8.0, 40.0):
        dog = CoatSituation(frozenset({category}), frozenset(LengthBand), age_months=age)
        assert puppy_coat(dog) == dog
    assert puppy_coat(CoatSituation(frozenset({category}), frozenset(LengthBand), age_months=3.9)).categories == {
        C.HAIR
    }


def test_a_possibly_mixed_coat_is_never_planned_for_hand_stripping() -> None:
    """Common practice, no source."""
    found = prior(breed="labradoodle")
    for stage in growing_up(found.as_grown, found.band, age_months=2).stages:
        assert stage.situation.hand_stripped is False


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 900), st.sampled_from(list(C)))
def test_every_date_to_look_again_lies_ahead_and_in_its_stage(days: int, category: CoatCategory) -> None:
    today = BORN + timedelta(days=days)
    for stage in growing_up(mostly(category), BAND, born=BORN, today=today).stages:
        assert list(stage.look_again) == sorted(set(stage.look_again))
        for day in stage.look_again:
            assert day >= today
            assert stage.begins is not None and day >= stage.begins
            assert stage.ends is None or day <= stage.ends
        assert stage.look_again


def test_an_age_with_todays_date_gives_dates_too() -> None:
    path = growing_up(mostly(C.FUR), BAND, age_months=2, today=date(2026, 11, 1))
    assert path.now.begins is not None
    assert abs((path.now.begins - date(2026, 9, 1)).days) <= 1


def test_smooth_coats_come_in_earlier_than_drop_coats() -> None:
    """Common practice, no source."""
    smooth, drop = (growing_up(mostly(coat), BAND, age_months=1).window_months for coat in (C.FUR, C.DROP))
    assert smooth[1] < drop[1]
    assert smooth[0] < drop[0]


def test_without_an_age_or_before_birth_it_is_refused() -> None:
    with pytest.raises(InputError) as refused:
        growing_up(mostly(C.FUR), BAND)
    assert refused.value.code == "no_age"
    with pytest.raises(InputError) as refused:
        growing_up(mostly(C.FUR), BAND, born=BORN, today=date(2026, 1, 1))
    assert refused.value.code == "not_born"
    with pytest.raises(InputError) as refused:
        growing_up(mostly(C.FUR), BAND, age_months=-1)
    assert refused.value.code == "no_age"
