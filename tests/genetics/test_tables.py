"""The room's data files: every row has a source, and the breed states agree with the kennel clubs' descriptions."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from coatclass import breeds, genetics
from coatclass.genetics import LOCI, Genome, breed_state, breeds_with_states, trait_chances
from coatclass.genetics.loci import alleles, data_rows, data_table
from coatclass.genetics.phenotype import Traits, categories_by_traits
from coatclass.taxonomy import CATEGORIES, Curl, Undercoat

DATA = Path(genetics.__file__).with_name("data")


@pytest.mark.parametrize("name", ["loci.csv", "notations.csv", "category_rules.csv", "breed_states.csv"])
def test_every_row_names_its_source(name: str) -> None:
    for row in data_rows(name):
        assert row["source"], row
        assert None not in row and None not in row.values(), row


@pytest.mark.parametrize("path", sorted(DATA.glob("*.toml")), ids=lambda path: path.name)
def test_every_table_has_a_version_and_a_source(path: Path) -> None:
    assert data_table(path.name)["version"]
    assert "source = " in path.read_text(encoding="utf-8")


def test_every_long_allele_of_the_papers_is_known() -> None:
    """Sources: Housley & Venta 2006 (Cys95Phe); Dierks et al. 2013 (the other four)."""
    variants = " ".join(allele.variant for allele in alleles("FGF5"))
    for published in ("p.Cys95Phe", "p.Ala193Val", "c.559_560dupGG", "g.8193T>A", "c.556_571del16"):
        assert published in variants


def test_the_loci_lie_on_different_chromosomes_so_they_are_inherited_independently() -> None:
    assert len({alleles(locus)[0].chromosome for locus in LOCI}) == len(LOCI)


def test_each_locus_has_one_ancestral_allele_named_first() -> None:
    for locus in LOCI:
        assert [allele.ancestral for allele in alleles(locus)] == [True] + [False] * (len(alleles(locus)) - 1)


def test_the_shares_of_every_category_rule_sum_to_one() -> None:
    for row in data_rows("category_rules.csv"):
        assert sum(Fraction(row[coat]) for coat in ("hair", "fur", "wire", "curly", "drop")) == 1


def test_the_category_rules_cover_every_combination_of_traits() -> None:
    for long in (True, False):
        for furnished in (True, False):
            for curl in Curl:
                for undercoat in Undercoat:
                    assert sum(categories_by_traits(Traits(long, furnished, curl, undercoat, "low")).values()) == 1


def test_every_band_row_sums_to_one() -> None:
    for name, shares in data_table("ancestry.toml")["band"].items():
        if name != "source":
            assert sum(map(Fraction, shares)) == 1


def test_every_breed_with_a_state_is_in_the_breed_table() -> None:
    for breed in breeds_with_states():
        assert breeds.facts(breed).id == breed
        for locus, chances in breed_state(breed).genome.loci.items():
            assert sum(chances.values()) == 1, (breed, locus)


def test_a_breed_without_a_row_gets_a_derived_state_and_says_so() -> None:
    rest = [
        breed for breed, facts in breeds.table().items() if facts.kind == "breed" and breed not in breeds_with_states()
    ]
    assert len(rest) > 50
    for breed in rest:
        state = breed_state(breed)
        assert state.derived
        assert "assumption" in state.source
        assert all(sum(chances.values()) == 1 for chances in state.genome.loci.values())


def test_breed_states_and_breed_table_tell_of_the_same_coats() -> None:
    """A consistency check between two tables of the project: furnishings, where the breed table is plain about them."""
    against = []
    known = [row["breed"] for row in data_rows("breed_states.csv") if row["RSPO2"] != "?"]
    for breed in known:
        facts, traits = breeds.facts(breed), trait_chances(breed_state(breed).genome)
        if facts.furnishings != "varies" and (traits.furnished >= Fraction(1, 2)) != (facts.furnishings == "yes"):
            against.append(breed)
    assert against == []


def test_an_unknown_dog_is_unknown_at_every_locus() -> None:
    assert all(len(chances) == 3 for chances in Genome.unknown().loci.values())
    assert len(CATEGORIES) == 7
