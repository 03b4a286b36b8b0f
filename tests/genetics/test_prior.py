"""Ancestors and genes as a prior beside photo and answers."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import breeds
from coatclass.errors import GenotypeError
from coatclass.genetics import breeds_with_states, conflicts, prior, prior_of
from coatclass.genetics.loci import data_table
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

C = CoatCategory
NOBODY_SAID = dict.fromkeys(
    ("breed", "parents", "breed_known_by", "dna_breeds", "dna_result", "last_trim_how", "age_months")
)


def chance(distribution: tuple[float, ...], category: CoatCategory) -> float:
    return distribution[CATEGORIES.index(category)]


def sure(category: CoatCategory) -> tuple[float, ...]:
    return tuple(float(other is category) for other in CATEGORIES)


SOME = [
    "maltese",
    "labrador_retriever",
    "poodle_toy",
    "siberian_husky",
    "goldendoodle",
    "border_terrier",
    "not a breed",
]


words = st.fixed_dictionaries(
    {
        "parents": st.lists(st.sampled_from(SOME), max_size=2),
        "breed": st.none() | st.sampled_from(SOME),
        "known_by": st.sampled_from([None, "papers", "dna_test", "guess"]),
        "trimmed": st.sampled_from([None, True, False]),
        "dna_result": st.sampled_from([None, {"furnishings": "N/N"}, {"furnishings": "F/F", "FGF5": "N/L"}]),
        "age_months": st.sampled_from([None, 2.0, 30.0]),
    }
)


@settings(max_examples=20, deadline=None)
@given(words)
def test_nothing_is_ever_impossible_and_everything_sums_to_one(said) -> None:
    found = prior(**said)
    assert (len(found.as_grown), len(found.as_worn), len(found.band)) == (len(CATEGORIES), len(CATEGORIES), len(BANDS))
    for distribution in (found.as_grown, found.as_worn, found.band):
        assert sum(distribution) == pytest.approx(1)
        assert min(distribution) > 0
    assert 0 <= found.strength <= 1


def test_without_a_word_about_ancestors_the_prior_is_the_plain_background() -> None:
    found = prior()
    assert found.basis == "nothing"
    assert found.strength == 0
    assert found.as_worn == pytest.approx(breeds.background())


def test_a_guess_is_weaker_than_a_word_and_a_word_weaker_than_papers() -> None:
    """Source of the guess: Gunter et al. 2018: at least one true breed named in 67.7 % of dogs."""
    strengths = [prior(parents=["maltese", "poodle_toy"], known_by=how).strength for how in ("guess", None, "papers")]
    assert strengths == sorted(strengths)
    assert strengths[0] == pytest.approx(0.677 * 0.95)


def test_both_guessed_parents_are_believed_together_in_one_dog_of_ten_only() -> None:
    """Source: Gunter et al. 2018: more than one true breed named in 10.4 % of dogs."""
    found = prior(parents=["maltese", "poodle_toy"], known_by="guess")
    weights = [float(weight) for _, weight in found.dogs]
    assert weights == pytest.approx([0.104, 0.2865, 0.2865])


def test_trust_in_papers_tests_and_words_is_the_breed_rooms() -> None:
    """One dog, one trust: this room and the breeds room must not believe the same word differently."""
    import tomllib
    from pathlib import Path

    path = Path(breeds.__file__).with_name("data") / "breeds.toml"
    trust = tomllib.loads(path.read_text(encoding="utf-8"))["trust"]
    from fractions import Fraction

    own = data_table("reliability.toml")["known_by"]
    for name, there in (("papers", "papers"), ("dna_test", "dna_test"), ("told", "unstated")):
        assert float(Fraction(own[name])) == pytest.approx(trust[there]["trust"])


def test_one_breed_alone_is_what_the_breed_table_says() -> None:
    found = prior(breed="samoyed", known_by="papers")
    assert found.as_worn == breeds.category_distribution("samoyed", known_by="papers")


def test_a_trim_turns_a_drop_coat_into_hair() -> None:
    """Definition of the categories: a drop-coated dog in a trim is hair."""
    grown = prior(parents=["maltese", "yorkshire_terrier"], trimmed=False)
    cut = prior(parents=["maltese", "yorkshire_terrier"], trimmed=True)
    assert chance(grown.as_worn, C.DROP) > 0.5
    assert chance(cut.as_worn, C.HAIR) > 0.5
    assert cut.as_grown == grown.as_grown
    assert cut.band[-1] < grown.band[-1]


def test_clipping_does_not_alter_a_mixed_coat() -> None:
    """Common practice, no source."""
    grown, cut = (prior(breed="goldendoodle", trimmed=trimmed) for trimmed in (False, True))
    assert chance(cut.as_worn, C.MIXED) == pytest.approx(chance(grown.as_worn, C.MIXED))


def test_a_doodle_tested_without_furnishings_is_no_longer_expected_to_be_hair_or_drop() -> None:
    """Source: Parker et al. 2010: without the insertion the coat is improper: short on head, face and legs."""
    before = prior(breed="goldendoodle")
    after = prior(breed="goldendoodle", dna_result={"furnishings": "N/N"})
    assert chance(after.as_grown, C.FUR) > 2 * chance(before.as_grown, C.FUR)
    assert chance(after.as_grown, C.DROP) < chance(before.as_grown, C.DROP)
    assert after.basis == "dna_result"


def test_a_test_result_moves_belief_to_the_generation_that_explains_it() -> None:
    """A first cross of a furnished and a plain breed can't be without furnishings; a second generation can (Bayes)."""
    found = prior(breed="goldendoodle", known_by="papers", dna_result={"furnishings": "N/N"})
    first, _, second, _ = (float(weight) for _, weight in found.dogs)
    assert second > 0.5
    assert second > 50 * first


def test_genes_alone_speak_without_any_breed() -> None:
    """Source: Cadieu et al. 2009: short with furnishings is wire; long, plain and straight is not curly."""
    wire = prior(dna_result={"FGF5": "S/S", "furnishings": "F/F", "KRT71": "0 copies"})
    assert max(CATEGORIES, key=lambda coat: chance(wire.as_grown, coat)) is C.WIRE
    curly = prior(dna_result={"FGF5": "L/L", "furnishings": "F/F", "KRT71": "2 copies", "single coat": "2 copies",
                              "shedding": "2 copies"})  # fmt: skip
    assert max(CATEGORIES, key=lambda coat: chance(curly.as_grown, coat)) is C.CURLY


def test_an_unreadable_dna_result_is_refused() -> None:
    with pytest.raises(GenotypeError):
        prior(breed="goldendoodle", dna_result={"FGF5": "banana"})


def test_half_and_half_by_dna_test_is_read_as_a_first_cross() -> None:
    by_test = prior(dna_breeds={"poodle standard": 52, "golden retriever": 48})
    by_word = prior(parents=["poodle_standard", "golden_retriever"], known_by="dna_test")
    assert by_test.as_grown == pytest.approx(by_word.as_grown)


def test_dna_percentages_short_of_a_hundred_leave_room_for_unknown_breeds() -> None:
    found = prior(dna_breeds={"Toy Poodle": 30, "Chihuahua": 25, "Shih Tzu": 20})
    shares = found.dogs[0][0].ancestry.shares
    assert float(shares[None]) == pytest.approx(0.25)
    assert sum(shares.values()) == 1


def test_percentages_above_a_hundred_are_scaled() -> None:
    found = prior(dna_breeds={"maltese": 80, "pug": 80})
    assert sum(found.dogs[0][0].ancestry.shares.values()) == 1


def test_an_unknown_parent_is_said_and_taken_as_unknown() -> None:
    found = prior(parents=["maltese", "zzyzx"])
    assert any("zzyzx" in sentence.text for sentence in found.explanation)
    assert None in found.dogs[0][0].ancestry.shares


def test_a_photo_against_the_genes_is_reported_not_averaged_away() -> None:
    papers = prior(parents=["labrador_retriever", "golden_retriever"], known_by="papers")
    reason = conflicts(papers, sure(C.CURLY))
    assert reason is not None
    assert reason.code == "genes_against_photo"
    assert "groomer" in reason.text
    assert conflicts(papers, sure(C.FUR)) is None
    assert conflicts(prior(), sure(C.CURLY)) is None


def test_a_puppys_ancestors_say_less_about_the_coat_it_wears_today() -> None:
    young, grown = (prior(breed="cavapoo", age_months=age) for age in (3, 30))
    assert young.strength == pytest.approx(grown.strength / 2)
    assert young.as_grown == grown.as_grown
    assert young.as_worn != grown.as_worn


def test_the_explanation_names_the_coats_to_expect() -> None:
    found = prior(breed="goldendoodle")
    assert any("Expected when grown up and untrimmed: mixed" in sentence.text for sentence in found.explanation)


def test_the_questionnaires_fields_are_read() -> None:
    answers = SimpleNamespace(**NOBODY_SAID | {"parents": ["maltese", "yorkshire_terrier"], "last_trim_how": "clipped"})
    direct = prior(parents=["maltese", "yorkshire_terrier"], trimmed=True)
    assert prior_of(answers).as_worn == direct.as_worn
    assert prior_of(SimpleNamespace(**NOBODY_SAID)).basis == "nothing"


def test_the_two_readings_of_a_curl_copy_stay_alternatives() -> None:
    by_cadieu, by_laboratory, both = (
        prior(breed="goldendoodle", reading=reading).as_grown for reading in ("cadieu", "laboratory", "both")
    )
    assert chance(by_cadieu, C.CURLY) > chance(by_laboratory, C.CURLY)
    assert both == pytest.approx([(a + b) / 2 for a, b in zip(by_cadieu, by_laboratory, strict=True)])


def test_at_least_a_hundred_and_twenty_breeds_have_a_state_of_their_own() -> None:
    assert len(breeds_with_states()) >= 120
