"""What must hold for every dog, whatever is known of it: exhaustive where that is cheap, sampled for the rest."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kits import kit_of, reason

from coatclass.contract import DRAGS, CoatSituation, KitItem, Role, Touch
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
from coatclass.toolkit import PossibleCoat, catalogue, harm_of, recommend, roles
from coatclass.toolkit.coats import cells, known_of, textures_of, undercoats_of, views
from coatclass.triage import bare, triage

USABLE = (Role.ESSENTIAL, Role.HELPFUL)


def _sets(words):
    sizes = range(1, len(words) + 1)
    return [frozenset(chosen) for size in sizes for chosen in itertools.combinations(words, size)]


PLACED = ["sores", "redness", "smell", "pain", "parasites", "lump"]
TROUBLES = [*PLACED, "ear_trouble"]
CATEGORY_SETS = _sets(CATEGORIES)
BAND_SETS = _sets(BANDS)


@cache
def _forbidden(category: CoatCategory, length: float, textures: tuple, undercoats: tuple, known: tuple) -> frozenset:
    """The tools that harm one of the coats of a category and length."""
    coats = [PossibleCoat(category, length, *rest, **dict(known)) for rest in itertools.product(textures, undercoats)]
    return frozenset(tool for tool in catalogue() for coat in coats if harm_of(tool, coat).harm.forbids)


def _forbidden_tools(situation: CoatSituation) -> frozenset[str]:
    """The tools that harm one of the coats that the dog may have; every one of these is looked at."""
    known = tuple(pair for pair in known_of(situation, triage(situation)) if pair[0] != "mats")
    return frozenset().union(
        *(
            _forbidden(category, length, textures_of(situation, category), undercoats_of(situation, category), known)
            for category, length in cells(situation)
        )
    )


def _usable(kit: tuple[KitItem, ...]) -> set[str]:
    return {item.tool for item in kit if item.role in USABLE}


def _places(kit: tuple[KitItem, ...]) -> dict[BodyZone, int]:
    """How hard the hardest tool pulls that the kit puts in each zone."""
    places: dict[BodyZone, int] = {}
    for item in kit:
        for zone in item.zones:
            places[zone] = max(places.get(zone, 0), DRAGS.index(catalogue()[item.tool].drag))
    return places


def _sound_kit(situation: CoatSituation) -> tuple[KitItem, ...]:
    """The kit of a dog, looked through.

    One role a tool, never a forbidden pair or a closed zone, an order of work without gaps, readable texts.
    """
    cleared = triage(situation)
    kit = recommend(situation, cleared)
    tools = [item.tool for item in kit]
    assert len(set(tools)) == len(tools), "a tool has two roles"
    assert set(tools) <= set(catalogue())
    usable = [item for item in kit if item.role in USABLE]
    assert [item.order for item in usable] == list(range(1, len(usable) + 1))
    for item in kit:
        assert (item.role in USABLE) == bool(item.zones) == (item.order is not None), "a tool without a place, or two"
        tool = catalogue()[item.tool]
        assert set(item.zones) <= cleared.cleared(tool.drag, comb=tool.combs), "a tool in a zone that is not cleared"
        assert item.name
        assert item.rule
        assert item.why.endswith(".")
        assert "{" not in item.why
    skin = bare(situation)
    assert all(item.role is Role.ESSENTIAL for item in usable[:1]) or skin, "a tool named first that is not needed"
    if not cleared.shopping.open:
        assert not usable, "something to buy while nothing is to be bought"
    elif BodyZone.TRUNK in cleared.cleared("gentle"):
        on_trunk = {item.tool for item in usable if BodyZone.TRUNK in item.zones}
        brushes = {tool for tool in on_trunk if catalogue()[tool].job == "brush" or tool == "rubber_curry"}
        assert bool(brushes) != skin, "no brush, or one on bare skin"
    if cleared.comes_off:
        assert {item.tool for item in kit if item.role is Role.LATER} <= {"firm_slicker"}
    assert not _usable(kit) & _forbidden_tools(situation)
    return kit


def test_a_kit_for_coats_that_are_not_told_apart_stays_small_enough_to_buy():
    most = 0
    for categories in CATEGORY_SETS:
        for band in BANDS:
            if len(categories) > 1:
                kit = kit_of(CoatSituation(categories, frozenset({band})))
                usable = [item for item in kit if item.role in USABLE]
                most = max(most, len(usable))
                combs = [item for item in usable if catalogue()[item.tool].job == "comb"]
                assert len(combs) <= 2
                assert len(usable) <= 4, (sorted(categories), band, [item.tool for item in usable])
    assert most > 3


# Common practice, no source: three or four tools are enough for most owners. What is needed is never left out.
def test_no_owner_is_sold_a_fifth_tool_that_only_helps():
    for category, band, undercoat in itertools.product(CATEGORIES, BANDS, Undercoat):
        for known in ({}, {"long_furnishings": True}, {"mats": {BodyZone.LEGS: MatState.TANGLES}}):
            dog = CoatSituation(frozenset({category}), frozenset({band}), undercoats=frozenset({undercoat}), **known)
            usable = [item for item in kit_of(dog) if item.role in USABLE]
            assert len(usable) <= 4 or all(item.role is Role.ESSENTIAL for item in usable), (category, band, undercoat)


# Common practice, no source: nobody should buy an extra for a coat that hands may still find to be another.
def test_an_extra_that_another_coat_has_no_use_for_waits_until_that_coat_is_unlikely():
    coats = frozenset({CoatCategory.FUR, CoatCategory.ARCTIC})
    dog = CoatSituation(coats, frozenset({LengthBand.FROM_25_TO_75MM}), undercoats=frozenset({Undercoat.DENSE}))
    for other, role in ((0.18, Role.LATER), (0.02, Role.HELPFUL)):
        shares = {CoatCategory.FUR: 1 - other, CoatCategory.ARCTIC: other}
        roles = {item.tool: item.role for item in kit_of(replace(dog, shares=shares))}
        assert roles["carding_knife"] is role, other


def test_in_no_kit_a_tool_that_takes_out_coat_stands_between_two_brushes_and_no_pins_are_longer_than_the_coat():
    for categories in CATEGORY_SETS:
        for band, mats in itertools.product(BANDS, ({}, {BodyZone.LEGS: MatState.TANGLES})):
            kit = kit_of(CoatSituation(categories, frozenset({band}), mats=mats))
            usable = [item for item in kit if item.role in USABLE and BodyZone.TRUNK in item.zones]
            kinds = "".join(_kind(item.tool) for item in usable)
            assert not re.search("b+r+b", kinds), [item.tool for item in usable]
            if band is LengthBand.UNDER_19MM:
                assert not {item.tool for item in usable} & {"long_pin_slicker", "firm_pin_brush", "medium_pin_brush"}


@pytest.mark.parametrize("state", [MatState.TANGLES, MatState.MATS])
def test_a_knot_on_the_body_lets_no_firmer_tool_into_another_place_of_a_doubtful_coat(state):
    for categories, band in itertools.product([one for one in CATEGORY_SETS if 1 < len(one) < 4], BANDS):
        dog = CoatSituation(categories, frozenset({band}))
        before = _places(kit_of(dog))
        after = _places(kit_of(replace(dog, mats={BodyZone.TRUNK: state})))
        harder = {zone for zone, drag in after.items() if zone is not BodyZone.TRUNK and drag > before.get(zone, -1)}
        assert not harder, (sorted(categories), band, sorted(harder))


def _kind(tool):
    """b: opens knots; r: takes out coat and drags; nothing for any other."""
    known = catalogue()[tool]
    if known.family in ("slicker", "pin_brush"):
        return "b"
    return "r" if known.job == "coat" and known.drag != "gentle" else ""


def test_every_set_of_categories_and_bands_gets_a_sound_kit():
    for categories, bands in itertools.product(CATEGORY_SETS, BAND_SETS):
        situation = CoatSituation(categories, bands)
        _sound_kit(situation)


GRID_ZONES = (BodyZone.TRUNK, BodyZone.LEGS, BodyZone.ARMPITS, BodyZone.BEARD)
BEARING = (None, Patience.CANNOT_BEAR)


@pytest.mark.parametrize("state", list(MatState))
@pytest.mark.parametrize("patience", BEARING)
def test_every_coat_zone_mat_skin_patience_and_age_gets_a_sound_kit(state, patience):
    """Zone x mats x skin (with or without its place) x patience x age x coat: 6,720 dogs."""
    dogs = itertools.product(GRID_ZONES, (None, *TROUBLES), (True, False), (None, 3.0), CATEGORIES)
    for zone, trouble, placed, age, category in dogs:
        if placed and trouble not in PLACED:
            continue
        situation = CoatSituation(
            categories=frozenset({category}),
            bands=frozenset(BANDS),
            measured_mm=50.0,
            mats={zone: state},
            patience=patience,
            skin_trouble=frozenset({trouble} if trouble else ()),
            skin={zone: trouble} if placed else {},
            age_months=age,
        )
        _sound_kit(situation)


@pytest.mark.parametrize("state", list(MatState))
@pytest.mark.parametrize("patience", BEARING)
def test_every_category_set_mat_state_and_patience_gets_a_sound_kit(state, patience):
    for categories, band in itertools.product(CATEGORY_SETS, BANDS):
        mats = {BodyZone.TRUNK: state, BodyZone.ARMPITS: state}
        situation = CoatSituation(categories, frozenset({band}), mats=mats, patience=patience)
        _sound_kit(situation)


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
        _sound_kit(situation)


def test_a_short_coat_of_which_nobody_told_the_undercoat_takes_few_tools_and_its_shedding_tools_wait_for_a_look():
    draws = {"carding_knife", "stripping_stone", "bladed_coat_rake", "undercoat_rake", "firm_slicker"}
    for bands in _sets([LengthBand.UNDER_19MM, LengthBand.FROM_19_TO_25MM]):
        for textures in (frozenset(), *(frozenset({one}) for one in (Texture.SILKY, Texture.SOFT, Texture.HARSH))):
            for mats in ({}, {BodyZone.LEGS: MatState.TANGLES}):
                kit = kit_of(CoatSituation(frozenset({CoatCategory.FUR}), bands, textures=textures, mats=mats))
                usable = [item for item in kit if item.role in USABLE]
                assert 2 <= len([item for item in usable if item.tool != "firm_slicker"]) <= 4
                assert all(item.zones == tuple(mats) for item in usable if item.tool in draws)
                waiting = [item for item in kit if item.role is Role.LATER and item.tool in draws]
                assert waiting
                assert all(item.why.startswith("First part the hair and look.") for item in waiting)


def test_the_likely_coats_decide_what_is_bought_and_every_possible_coat_what_harms():
    for categories in CATEGORY_SETS:
        for likely, band in itertools.product(categories if len(categories) < 5 else (), BANDS):
            dog = CoatSituation(categories, frozenset({band}))
            shares = {one: 0.97 if one is likely else 0.03 / max(1, len(categories) - 1) for one in categories}
            known = _sound_kit(replace(dog, shares=shares))
            sure = replace(dog, categories=frozenset({likely}))
            assert _usable(kit_of(sure)) - _forbidden_tools(dog) <= _usable(known), (sorted(categories), likely, band)
            wanted = {tool for tool, view in views(sure, triage(sure)).items() if view.wanted}
            more = {item.tool for item in known if item.role in USABLE and "uncertain-coat" not in item.rule} - wanted
            assert not more, "a tool that only an improbable coat wants"


def test_no_firm_slicker_goes_over_a_mixed_coat_under_19_mm_but_for_knots():
    for textures, undercoat in itertools.product((frozenset(), *({one} for one in Texture)), Undercoat):
        dog = CoatSituation(
            frozenset({CoatCategory.MIXED}),
            frozenset({LengthBand.UNDER_19MM}),
            textures=frozenset(textures),
            undercoats=frozenset({undercoat}),
        )
        assert "soft_slicker" in _usable(kit_of(dog))
        assert "firm_slicker" not in _usable(kit_of(dog))
        knotted = {item.tool: item.zones for item in kit_of(replace(dog, mats={BodyZone.LEGS: MatState.MATS}))}
        assert knotted["firm_slicker"] == (BodyZone.LEGS,)


def test_a_larger_set_of_coats_never_offers_what_one_of_them_forbids():
    forbidden = {
        pair: _forbidden_tools(CoatSituation(frozenset({pair[0]}), frozenset({pair[1]})))
        for pair in itertools.product(CATEGORIES, BANDS)
    }
    for categories, bands in itertools.product(CATEGORY_SETS, BAND_SETS):
        usable = _usable(kit_of(CoatSituation(categories, bands)))
        for pair in itertools.product(categories, bands):
            assert not usable & forbidden[pair]


def test_what_is_essential_for_a_set_is_essential_for_each_or_harmless_to_all():
    for categories in CATEGORY_SETS:
        for band in BANDS:
            whole = CoatSituation(categories, frozenset({band}))
            for item in kit_of(whole):
                if item.role is Role.ESSENTIAL and "uncertain-coat" not in item.rule:
                    for category in categories:
                        one = kit_of(replace(whole, categories=frozenset({category})))
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
        skin=st.dictionaries(st.sampled_from(BodyZone), st.sampled_from(PLACED), max_size=3),
        age_months=st.one_of(st.none(), st.floats(0, 240)),
        shares=st.dictionaries(st.sampled_from(CoatCategory), st.sampled_from([0.05, 0.1, 0.3, 0.85])),
    )


SITUATIONS, NARROWER = _situations(0), _situations(1)


@settings(max_examples=150, deadline=None)
@given(SITUATIONS)
def test_any_situation_gets_a_sound_kit_in_both_languages_and_twice_the_same(situation):
    kit = _sound_kit(situation)
    assert kit_of(replace(situation)) == kit
    assert roles(situation, triage(situation)) == {(item.tool, item.role) for item in kit}
    german = kit_of(situation, "de")
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
    assert not _usable(kit_of(wider)) & _forbidden_tools(situation)


# --- more trouble never adds a place --------------------------------------------------------------------------------


def _worse(situation: CoatSituation) -> dict[str, CoatSituation]:
    """The same dog with one more trouble each; to say where a known one is, is none."""
    new = [trouble for trouble in ("redness", "pain") if trouble not in situation.skin_trouble]
    skin = {f"{zone} {trouble}": {zone: trouble} for zone in GRID_ZONES for trouble in new}
    return {
        "panics": replace(situation, patience=Patience.CANNOT_BEAR),
        "puppy": replace(situation, age_months=3.0),
        **{it: replace(situation, skin_trouble=situation.skin_trouble | {it}) for it in TROUBLES},
        **{
            name: replace(
                situation, skin=where | situation.skin, skin_trouble=situation.skin_trouble.union(where.values())
            )
            for name, where in skin.items()
        },
    }


def _assert_no_more(worse: CoatSituation, better: CoatSituation, name: str, new: set[BodyZone] = frozenset()) -> None:
    """No zone and no stronger tool than before, but for the zones in which a knot is new."""
    _assert_within(_places(kit_of(worse)), _places(kit_of(better)), name, new)


def _assert_within(after: dict[BodyZone, int], before: dict[BodyZone, int], name: str, new: set[BodyZone]) -> None:
    for zone, drag in after.items():
        assert zone in new or drag <= before.get(zone, -1), f"{name}: {zone} {DRAGS[drag]}"


def test_more_trouble_never_adds_a_zone_or_a_stronger_tool_to_any_coat():
    for category, mm, texture in itertools.product(
        CATEGORIES, (12.0, 22.0, 50.0, 120.0), (None, Texture.SILKY, Texture.WOOLLY)
    ):
        dog = CoatSituation(
            frozenset({category}), frozenset(), measured_mm=mm, textures=frozenset({texture} if texture else ())
        )
        before = _places(kit_of(dog))
        for name, worse in _worse(dog).items():
            _assert_within(_places(kit_of(worse)), before, name, set())
        for zone, state in itertools.product(GRID_ZONES, MatState):
            loose = {zone} if state in (MatState.TANGLES, MatState.MATS) else set()
            _assert_within(_places(kit_of(replace(dog, mats={zone: state}))), before, f"{state} {zone}", loose)


@settings(max_examples=150, deadline=None)
@given(SITUATIONS, st.data())
def test_more_trouble_never_adds_a_zone_or_a_stronger_tool(situation, data):
    name, worse = data.draw(st.sampled_from(sorted(_worse(situation).items(), key=lambda pair: pair[0])))
    _assert_no_more(worse, situation, name)


@settings(max_examples=150, deadline=None)
@given(SITUATIONS, st.sampled_from(BodyZone), st.sampled_from(MatState))
def test_worse_mats_add_no_zone_but_their_own(situation, zone, state):
    before = situation.mats.get(zone, MatState.NONE)
    worse = replace(situation, mats={**situation.mats, zone: max(before, state, key=lambda one: one.severity)})
    _assert_no_more(worse, situation, f"{state} {zone}", {zone})


@settings(max_examples=60, deadline=None)
@given(SITUATIONS, st.sampled_from(sorted(catalogue())), st.sampled_from(["en", "de"]))
def test_why_not_always_has_an_answer(tool_situation, tool, language):
    answer = reason(tool, tool_situation, language)
    assert answer.endswith(".")
    assert "{" not in answer


def test_the_kit_obeys_the_triage_that_it_is_given():
    """Whatever closes a zone, a drag or the knots there, though today's rules close them together."""
    knots = dict.fromkeys((BodyZone.LEGS, BodyZone.TAIL), MatState.MATS)
    dog = CoatSituation(frozenset({CoatCategory.HAIR}), frozenset(), measured_mm=50.0, mats=knots,
                        textures=frozenset({Texture.SILKY}))  # fmt: skip
    found = triage(dog)

    def where(tool: str, **change: object) -> set[BodyZone]:
        zones = tuple(one.model_copy(update=change if one.zone is BodyZone.TAIL else {}) for one in found.zones)
        kit = {item.tool: item for item in recommend(dog, found.model_copy(update={"zones": zones}))}
        return set(kit[tool].zones)

    assert where("firm_slicker") == {BodyZone.LEGS, BodyZone.TAIL}
    assert where("firm_slicker", knots=False) == {BodyZone.LEGS}
    assert where("firm_slicker", drag="gentle") == {BodyZone.LEGS}
    assert BodyZone.TAIL in where("soft_slicker", drag="gentle")
    assert BodyZone.TAIL not in where("soft_slicker", touch=Touch.COMB)
    assert BodyZone.TAIL in where("medium_fine_comb", touch=Touch.COMB)
    assert BodyZone.TAIL not in where("medium_fine_comb", touch=Touch.HANDS)
    closed = tuple(one.model_copy(update={"touch": Touch.HANDS}) for one in found.zones)
    for categories in CATEGORY_SETS:
        uncertain = replace(dog, categories=categories, mats={}, textures=frozenset())
        chosen = roles(uncertain, found.model_copy(update={"zones": closed}))
        assert not {role for _, role in chosen} & set(USABLE)


def test_a_measured_length_decides_by_its_own_band():
    for category, band in itertools.product(CATEGORIES, BANDS):
        low, high = band_limits_mm(band)
        inside = low + 1 if high == float("inf") else (low + high) / 2
        by_band = CoatSituation(frozenset({category}), frozenset({band}))
        assert kit_of(replace(by_band, bands=frozenset(), measured_mm=inside)) == kit_of(by_band)
