"""In the shop: a substitute never harms the coat, and the look-alike that is to be left does."""

from __future__ import annotations

from collections import Counter

import care_dogs as dogs
import pytest
from hypothesis import given, settings

from coatclass import toolkit
from coatclass.contract import CoatSituation, Role
from coatclass.planning import as_today
from coatclass.taxonomy import CATEGORIES, CoatCategory, MatState, Texture, Undercoat
from coatclass.toolkit.coats import views
from coatclass.toolkit.owned import shop_file
from coatclass.toolkit.tables import Harm
from coatclass.words import LANGUAGES, catalogue


def check(situation: CoatSituation, seen: Counter[tuple[str, str]] | None = None) -> None:
    """Every tool of the kit, and every other tool of the catalogue as if it were missing, in its own places."""
    dog, cleared = as_today(situation)
    kit = toolkit.recommend(dog, cleared)
    looked = views(dog, cleared)
    usable = [item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]
    for item in usable:
        found = toolkit.instead(item, dog, cleared, kit)
        if found is None:
            continue
        kind = toolkit.catalogue()[found.tool]
        assert found.tool not in {one.tool for one in usable}
        assert looked[found.tool].harm.harm is Harm.NONE and not looked[found.tool].unwanted
        assert not kind.blade
        assert cleared.shopping.open and cleared.cleared(kind.drag, comb=kind.combs) & set(item.zones)
        if seen is not None:
            seen[item.tool, found.tool] += 1
    tools = [item.tool for item in usable]
    for tool in toolkit.not_these(tools, dog, cleared, kit):
        assert looked[tool].harm.harm.forbids and tool not in tools


@settings(max_examples=60, deadline=None)
@given(dogs.situations)
def test_no_drawn_dog_is_offered_a_tool_that_harms_it(situation):
    check(situation)


def test_over_every_coat_and_length_most_tools_have_a_substitute_and_none_harms():
    seen: Counter[tuple[str, str]] = Counter()
    textures = [None, *Texture]
    for category in CATEGORIES:
        for texture in textures:
            for mm in (8.0, 22.0, 40.0, 120.0):
                for more in ({}, {"undercoats": frozenset({Undercoat.DENSE})}, {"age_months": 4.0},
                             {"sensitive_skin": True}, {"mats": {"legs": MatState.TANGLES}}):  # fmt: skip
                    known = {"measured_mm": mm} | more
                    if texture is not None:
                        known["textures"] = frozenset({texture})
                    check(dogs.situation(categories=frozenset({category}), **known), seen)
    offered = {tool for tool, _ in seen}
    assert len(offered) >= 12, sorted(set(toolkit.catalogue()) - offered)


def test_a_cottony_coat_is_never_offered_a_finer_comb_than_its_wide_one():
    # A fine comb mats cottony hair: common practice, no source; the harm table holds it.
    dog, cleared = as_today(dogs.situation(categories=frozenset({CoatCategory.CURLY}), measured_mm=40.0,
                                           textures=frozenset({Texture.COTTONY})))  # fmt: skip
    kit = toolkit.recommend(dog, cleared)
    wide = next(item for item in kit if item.tool == "wide_comb")
    found = toolkit.instead(wide, dog, cleared, kit)
    assert found is None or found.tool == "medium_comb"
    assert "fine_comb" in toolkit.not_these(["wide_comb"], dog, cleared, kit)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_pair_says_what_is_lost_and_has_a_source(language):
    words = catalogue(language)
    for row in shop_file()["instead"]:
        assert row["source"] and row["tool"] not in [tool for tool, _ in row["take"]]
        assert all(words.say(f"toolkit.loses.{loses}") for _, loses in row["take"])
    assert all(row["source"] for row in shop_file()["mistaken"])
