"""Named crosses: what the litter of two breeds is, in any generation."""

from __future__ import annotations

from fractions import Fraction

import pytest

from coatclass.contract import Verdict
from coatclass.errors import InputError
from coatclass.genetics import (
    GENERATIONS,
    breed_named,
    cross,
    named_crosses,
    not_for_hand_stripping,
    report,
    report_text,
    resolve,
)
from coatclass.genetics.breed_states import Ancestry
from coatclass.taxonomy import CATEGORIES, CoatCategory

C = CoatCategory


@pytest.mark.parametrize("named", named_crosses(), ids=lambda named: named.id)
def test_each_of_the_twelve_named_crosses_has_a_whole_report(named) -> None:
    found = report(breed_named(named), named.title())
    assert sum(found.litter.category.values()) == 1
    assert abs(sum(found.before) - 1) < 1e-12
    assert found.touch.bits > 0
    assert abs(sum(chance for _, chance, _, _ in found.after) - 1) < 1e-9
    assert [stage.id for stage in found.path.stages] == ["puppy", "change", "adult"]
    for audience in ("owner", "groomer"):
        text = report_text(found, audience)
        assert named.title() in text
        assert found.touch.touch.feel in text
        assert (not_for_hand_stripping() in text) == (C.MIXED in found.candidates)


def test_there_are_twelve_named_crosses() -> None:
    assert len(named_crosses()) == 12


def test_hair_crossed_with_fur_is_mixed_in_the_first_generation_and_wants_hands() -> None:
    """The trade's definition of a mixed coat: hair crossed with fur (common practice, no source)."""
    for pair in (
        ("poodle_standard", "labrador_retriever"),
        ("poodle_standard", "golden_retriever"),
        ("pomeranian", "maltese"),
    ):
        found = report(cross(*pair))
        assert found.candidates[0] is C.MIXED
        assert found.verdict is Verdict.HANDS_ON


def test_hair_crossed_with_hair_and_fur_crossed_with_fur_is_not_mixed() -> None:
    for pair in (("maltese", "yorkshire_terrier"), ("labrador_retriever", "golden_retriever"), ("beagle", "pug")):
        assert cross(*pair).litter.category[C.MIXED] < Fraction(1, 50)


def test_short_covers_long_in_the_first_generation_and_a_quarter_comes_back_in_the_second() -> None:
    """Source: Mendel 1866; long hair recessive (Housley & Venta 2006). Whippet fixed short, borzoi fixed long."""
    assert cross("whippet", "borzoi").litter.traits.long == 0
    assert cross("whippet", "borzoi", "f2").litter.traits.long == Fraction(1, 4)
    assert cross("whippet", "borzoi", "f1b").litter.traits.long == Fraction(1, 2)
    assert cross("whippet", "borzoi", "f1bb").litter.traits.long == Fraction(3, 4)
    assert cross("whippet", "borzoi", "f3").litter.traits.long == Fraction(1, 4)


def test_furnishings_come_out_in_all_first_generation_doodles_and_in_three_quarters_of_the_second() -> None:
    """Source: Cadieu et al. 2009: furnishings are dominant. Poodle fixed with, retriever fixed without."""
    assert cross("poodle_standard", "labrador_retriever").litter.traits.furnished == 1
    assert cross("poodle_standard", "labrador_retriever", "f2").litter.without_furnishings == Fraction(1, 4)
    assert cross("labrador_retriever", "poodle_standard", "f1b").litter.without_furnishings == 0


def test_two_long_haired_breeds_with_different_long_alleles_have_long_pups() -> None:
    """Source: Dierks et al. 2013: any two long alleles make long hair."""
    assert cross("afghan_hound", "samoyed").litter.traits.long == 1


def test_litter_mates_differ_more_in_the_second_generation_than_in_the_first() -> None:
    for pair in (("poodle_standard", "labrador_retriever"), ("poodle_standard", "golden_retriever")):
        assert cross(*pair, "f2").litter.mates_differ > cross(*pair).litter.mates_differ


def test_a_back_cross_to_the_poodle_is_less_mixed_and_curlier() -> None:
    first = cross("golden_retriever", "poodle_standard").litter.category
    back = cross("golden_retriever", "poodle_standard", "f1b").litter.category
    assert back[C.MIXED] < first[C.MIXED]
    assert back[C.CURLY] > first[C.CURLY]


def test_wire_covers_smooth() -> None:
    """Source: Cadieu et al. 2009: one insertion gives furnishings, and on a short coat wire."""
    found = cross("dachshund_wirehaired", "dachshund_smooth_haired").litter
    assert found.traits.furnished == 1
    assert max(CATEGORIES, key=lambda coat: found.category[coat]) is C.WIRE


def test_the_stand_off_coat_needs_northern_ancestors() -> None:
    assert cross("poodle_standard", "labrador_retriever", "f2").litter.category[C.ARCTIC] == 0
    assert cross("pomeranian", "siberian_husky").litter.category[C.ARCTIC] > Fraction(3, 4)
    assert 0 < cross("siberian_husky", "labrador_retriever").litter.category[C.ARCTIC] < Fraction(1, 2)


def test_crossing_is_symmetric() -> None:
    one, other = cross("maltese", "pomeranian").litter, cross("pomeranian", "maltese").litter
    assert one.category == other.category
    assert one.mates_differ == other.mates_differ


@pytest.mark.parametrize("generation", GENERATIONS)
def test_every_generation_keeps_the_probabilities_whole(generation) -> None:
    found = cross("american_cocker_spaniel", "poodle_miniature", generation).litter
    assert sum(found.category.values()) == sum(found.band.values()) == 1
    assert 0 <= found.mates_differ < 1


def test_the_ancestors_shares_follow_the_pedigree() -> None:
    """A back cross has three quarters of the breed it went back to; hair and fur then meet by 3/4 (4 x variance)."""
    pup = cross("labrador_retriever", "poodle_standard", "f1b").litter.pup
    assert pup.ancestry.shares == {"labrador_retriever": Fraction(1, 4), "poodle_standard": Fraction(3, 4)}
    assert pup.ancestry.blend() == Fraction(3, 4)
    assert cross("labrador_retriever", "poodle_standard").litter.pup.ancestry.blend() == 1
    assert Ancestry.of("maltese").blend() == 0


def test_a_common_cross_may_itself_be_a_parent() -> None:
    pup = cross("goldendoodle", "poodle_standard").litter
    assert pup.pup.ancestry.shares["golden_retriever"] == Fraction(1, 4)
    assert pup.without_furnishings == 0


def test_an_unknown_breed_or_generation_is_refused_plainly() -> None:
    with pytest.raises(InputError) as refused:
        resolve("zzyzx")
    assert refused.value.code == "unknown_breed"
    with pytest.raises(InputError) as refused:
        cross("maltese", "pomeranian", "f9")  # type: ignore[arg-type]
    assert refused.value.code == "unknown_generation"
    assert "f1b" in refused.value.next_step
