"""What must hold for every dog, whatever is known of it: exhaustive where that is cheap, sampled for the rest."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import CoatSituation, KitItem, Role
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    CoatCategory,
    LengthBand,
    MatState,
    Patience,
    Texture,
    Undercoat,
    band_limits_mm,
)
from coatclass.toolkit import PossibleCoat, catalogue, harm_of, recommend, trial_order, why_not
from coatclass.toolkit._coats import cells, known_of, textures_of, undercoats_of

USABLE = (Role.ESSENTIAL, Role.HELPFUL)


def _sets(words):
    sizes = range(1, len(words) + 1)
    return [frozenset(chosen) for size in sizes for chosen in itertools.combinations(words, size)]


CATEGORY_SETS = _sets(CATEGORIES)
BAND_SETS = _sets(BANDS)


@cache
def _forbidden(category: CoatCategory, length: float, textures: tuple, undercoats: tuple, known: tuple) -> frozenset:
    """The tools that harm one of the coats of a category and length."""
    coats = [PossibleCoat(category, length, *rest, **dict(known)) for rest in itertools.product(textures, undercoats)]
    return frozenset(tool for tool in catalogue() for coat in coats if harm_of(tool, coat).harm.forbids)


def _forbidden_tools(situation: CoatSituation) -> frozenset[str]:
    """The tools that harm one of the coats that the dog may have; every one of these is looked at."""
    known = tuple(known_of(situation).items())
    return frozenset().union(
        *(
            _forbidden(category, length, textures_of(situation, category), undercoats_of(situation, category), known)
            for category, length in cells(situation)
        )
    )


def _usable(kit: tuple[KitItem, ...]) -> set[str]:
    return {item.tool for item in kit if item.role in USABLE}


def _check(situation: CoatSituation, kit: tuple[KitItem, ...]) -> None:
    """Never empty, one role a tool, never a forbidden pair, an order of work without gaps, readable texts."""
    tools = [item.tool for item in kit]
    assert kit
    assert len(set(tools)) == len(tools), "a tool has two roles"
    assert set(tools) <= set(catalogue())
    usable = [item for item in kit if item.role in USABLE]
    assert [item.order for item in usable] == list(range(1, len(usable) + 1))
    assert all(item.order is None for item in kit if item.role not in USABLE)
    tight = {zone for zone, state in situation.mats.items() if state.severity >= MatState.TIGHT_MATS.severity}
    if len(tight) < len(BodyZone):
        assert any(item.role is Role.ESSENTIAL for item in kit), "nothing essential"
    for item in usable:
        assert item.zones, "a tool without a place"
        assert not tight & set(item.zones), "a tool in a zone with tight mats"
    assert not _usable(kit) & _forbidden_tools(situation)
    for item in kit:
        assert item.name
        assert item.rule
        assert item.why.endswith(".")
        assert "{" not in item.why


def test_every_set_of_categories_and_bands_gets_a_sound_kit():
    for categories, bands in itertools.product(CATEGORY_SETS, BAND_SETS):
        situation = CoatSituation(categories, bands)
        _check(situation, recommend(situation))


@pytest.mark.parametrize("state", list(MatState))
@pytest.mark.parametrize("patience", list(Patience))
def test_every_category_set_mat_state_and_patience_gets_a_sound_kit(state, patience):
    for categories, band in itertools.product(CATEGORY_SETS, BANDS):
        mats = {BodyZone.TRUNK: state, BodyZone.ARMPITS: state}
        situation = CoatSituation(categories, frozenset({band}), mats=mats, patience=patience)
        _check(situation, recommend(situation))


@pytest.mark.parametrize("flag", ["sparse", "sensitive_skin", "hand_stripped", "clipped", "long_furnishings"])
@pytest.mark.parametrize("value", [True, False])
def test_every_category_with_every_texture_undercoat_and_flag_gets_a_sound_kit(flag, value):
    for category, band, texture, undercoat in itertools.product(CATEGORIES, BANDS, Texture, Undercoat):
        situation = CoatSituation(
            frozenset({category}),
            frozenset({band}),
            textures=frozenset({texture}),
            undercoats=frozenset({undercoat}),
            **{flag: value},
        )
        _check(situation, recommend(situation))


def test_a_larger_set_of_coats_never_offers_what_one_of_them_forbids():
    forbidden = {
        pair: _forbidden_tools(CoatSituation(frozenset({pair[0]}), frozenset({pair[1]})))
        for pair in itertools.product(CATEGORIES, BANDS)
    }
    for categories, bands in itertools.product(CATEGORY_SETS, BAND_SETS):
        usable = _usable(recommend(CoatSituation(categories, bands)))
        for pair in itertools.product(categories, bands):
            assert not usable & forbidden[pair]


def test_what_is_essential_for_a_set_is_essential_for_each_or_harmless_to_all():
    for categories in CATEGORY_SETS:
        for band in BANDS:
            whole = CoatSituation(categories, frozenset({band}))
            for item in recommend(whole):
                if item.role is Role.ESSENTIAL and "uncertain-coat" not in item.rule:
                    for category in categories:
                        one = recommend(replace(whole, categories=frozenset({category})))
                        assert item.tool in _usable(one)


# --- sampled: everything at once -----------------------------------------------------------------------------------

MAYBE = st.one_of(st.none(), st.booleans())


def _situations(least: int) -> st.SearchStrategy[CoatSituation]:
    """Dogs of every kind; ``least`` categories, bands and textures are named."""
    return st.builds(
        CoatSituation,
        categories=st.frozensets(st.sampled_from(CoatCategory), min_size=least),
        bands=st.frozensets(st.sampled_from(LengthBand), min_size=least),
        measured_mm=st.one_of(st.none(), st.floats(0, 400), st.sampled_from([0.0, 19.0, 25.0, 75.0])),
        textures=st.frozensets(st.sampled_from(Texture), min_size=least),
        undercoats=st.frozensets(st.sampled_from(Undercoat)),
        mats=st.dictionaries(st.sampled_from(BodyZone), st.sampled_from(MatState)),
        patience=st.one_of(st.none(), st.sampled_from(Patience)),
        hand_stripped=MAYBE,
        clipped=MAYBE,
        sparse=MAYBE,
        long_furnishings=MAYBE,
        sensitive_skin=MAYBE,
        skin_trouble=st.frozensets(st.sampled_from(TROUBLES)),
        age_months=st.one_of(st.none(), st.floats(0, 240)),
    )


TROUBLES = ["sores", "redness", "smell", "pain", "parasites", "ear_trouble"]
SITUATIONS, NARROWER = _situations(0), _situations(1)


@settings(max_examples=150, deadline=None)
@given(SITUATIONS)
def test_any_situation_gets_a_sound_kit_in_both_languages_and_twice_the_same(situation):
    kit = recommend(situation)
    _check(situation, kit)
    assert recommend(situation) == kit
    german = recommend(situation, language="de")
    assert [(item.tool, item.role, item.order, item.zones) for item in german] == [
        (item.tool, item.role, item.order, item.zones) for item in kit
    ]


@settings(max_examples=150, deadline=None)
@given(NARROWER, st.sampled_from(CoatCategory), st.sampled_from(LengthBand), st.sampled_from(Texture))
def test_more_possible_coats_never_allow_a_tool_that_fewer_forbid(situation, category, band, texture):
    wider = replace(
        situation,
        categories=situation.categories | {category},
        bands=situation.bands | {band},
        textures=situation.textures | {texture},
    )
    assert not _usable(recommend(wider)) & _forbidden_tools(situation)


@settings(max_examples=60, deadline=None)
@given(SITUATIONS)
def test_a_trial_uses_only_tools_of_the_kit_and_ends_with_the_groomer(situation):
    steps = trial_order(situation)
    if len(cells(situation)) == 1:
        assert steps == ()
        return
    usable = _usable(recommend(situation))
    assert [step.order for step in steps] == list(range(1, len(steps) + 1))
    assert steps[-1].tool is None
    assert "groomer" in steps[-1].do
    assert {step.tool for step in steps[:-1]} <= usable
    drags = [("gentle", "moderate", "strong").index(catalogue()[step.tool].drag) for step in steps[:-1]]
    assert drags == sorted(drags), "a trial begins with the gentlest tool"


@settings(max_examples=60, deadline=None)
@given(SITUATIONS, st.sampled_from(sorted(catalogue())), st.sampled_from(["en", "de"]))
def test_why_not_always_has_an_answer(tool_situation, tool, language):
    answer = why_not(tool, tool_situation, language=language)
    assert answer.endswith(".")
    assert "{" not in answer


def test_a_measured_length_decides_by_its_own_band():
    for category, band in itertools.product(CATEGORIES, BANDS):
        low, high = band_limits_mm(band)
        inside = low + 1 if high == float("inf") else (low + high) / 2
        by_band = CoatSituation(frozenset({category}), frozenset({band}))
        assert recommend(replace(by_band, bands=frozenset(), measured_mm=inside)) == recommend(by_band)
