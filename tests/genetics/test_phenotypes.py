"""The coats that published papers give for genotypes and breeds."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import pytest

from coatclass.genetics import Genome, breed_state, parse_results, trait_chances
from coatclass.genetics.loci import copies_distribution, genotype_from_copies
from coatclass.taxonomy import Curl

REFERENCE = Path(__file__).parent.parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def published_genotypes() -> list[tuple[str, str, str, str]]:
    return [
        (length, furnishings, curl, row["phenotype"])
        for row in rows("genetics_cadieu_2009.csv")
        for length in row["FGF5_c284"].split()
        for furnishings in row["RSPO2_insertion"].split()
        for curl in row["KRT71_c451"].split()
    ]


# Phenotype of the paper: long hair, furnishings, and whether a bend of the hair shows (None: it can't on a short coat).
CADIEU = {
    "short": (False, False, None),
    "wire": (False, True, False),
    "wire and curly": (False, True, True),
    "long": (True, False, False),
    "long with furnishings": (True, True, False),
    "curly": (True, False, True),
    "curly with furnishings": (True, True, True),
}


def assert_traits(genome: Genome, phenotype: str) -> None:
    long, furnished, curled = CADIEU[phenotype]
    traits = trait_chances(genome, "cadieu")
    assert (traits.long, traits.furnished) == (long, furnished)
    if curled is not None:
        assert traits.curl[Curl.CURLY] == curled


@pytest.mark.parametrize(("length", "furnishings", "curl", "phenotype"), published_genotypes())
def test_every_genotype_gives_the_coat_of_cadieu_2009(length: str, furnishings: str, curl: str, phenotype: str) -> None:
    """Source: Cadieu et al. 2009, Science 326:150-153, the table of seven coats as reprinted."""
    results = {"FGF5 c.284G>T": length, "RSPO2": furnishings, "KRT71 c.451C>T": curl}
    assert_traits(parse_results(results).genome(), phenotype)


def test_the_seven_coats_cover_all_27_genotypes() -> None:
    assert len({row[:3] for row in published_genotypes()}) == 27
    assert {row[3] for row in published_genotypes()} == set(CADIEU)


@pytest.mark.parametrize("row", rows("genetics_example_breeds.csv"), ids=lambda row: row["breed"])
def test_the_papers_example_breeds_wear_the_coat_they_stand_for(row: dict[str, str]) -> None:
    """Sources per row: de Caprona 2009's summary of Cadieu et al. 2009; Shearin & Ostrander 2010, figure 4."""
    genome = breed_state(row["breed"]).genome
    usual = {
        locus: genotype_from_copies(
            locus, max(range(3), key=copies_distribution(locus, genome.loci[locus]).__getitem__)
        )
        for locus in ("FGF5", "RSPO2", "KRT71")
    }
    assert_traits(Genome.of(**usual), row["phenotype"])


@pytest.mark.parametrize("pair", [("S", "S"), ("S", "Lh1"), ("S", "Lh2"), ("S", "Lh4"), ("S", "Lh5"), ("S", "Lh3")])
def test_one_short_allele_is_enough_for_short_hair(pair: tuple[str, str]) -> None:
    """Sources: Housley & Venta 2006; Dierks et al. 2013: long hair is recessive at every allele."""
    assert trait_chances(Genome.of(FGF5=pair)).long == 0


@pytest.mark.parametrize(
    "pair", [("Lh1", "Lh1"), ("Lh2", "Lh2"), ("Lh1", "Lh2"), ("Lh1", "Lh4"), ("Lh4", "Lh5"), ("Lh1", "Lh3")]
)
def test_any_two_long_alleles_make_long_hair(pair: tuple[str, str]) -> None:
    """Source: Dierks et al. 2013: Samoyeds are homozygous or compound heterozygous, Afghan Hounds have three."""
    assert trait_chances(Genome.of(FGF5=pair)).long == 1


def alleles_of(breed: str, locus: str) -> set[str]:
    return {name for pair in breed_state(breed).genome.loci[locus] for name in pair}


def test_the_breeds_of_dierks_2013_carry_the_alleles_found_in_them() -> None:
    """Source: Dierks et al. 2013, Anim Genet 44:425-431 (abstract)."""
    assert alleles_of("akita", "FGF5") == {"S", "Lh2"}
    assert alleles_of("samoyed", "FGF5") == {"Lh1", "Lh2"}
    assert alleles_of("afghan_hound", "FGF5") == {"Lh1", "Lh4", "Lh5"}
    assert "Lh3" in alleles_of("eurasier", "FGF5")
    assert "Lh2" in alleles_of("siberian_husky", "FGF5")


def test_corgis_of_both_lengths_occur() -> None:
    """Source: Housley & Venta 2006: the allele was found by comparing short and long-haired corgis."""
    assert 0 < trait_chances(breed_state("pembroke_welsh_corgi").genome).long < Fraction(1, 2)


def test_the_curly_coated_retriever_curls_by_the_second_allele_alone() -> None:
    """Source: Bauer et al. 2019: fixed in 125 Curly Coated Retrievers, p.151Trp absent."""
    assert breed_state("curly_coated_retriever").genome.loci["KRT71"] == {("c2", "c2"): 1}
    assert trait_chances(breed_state("curly_coated_retriever").genome).curl[Curl.CURLY] == 1


@pytest.mark.parametrize(
    "breed", ["lagotto_romagnolo", "bichon_frise", "spanish_water_dog", "chesapeake_bay_retriever", "irish_terrier"]
)
def test_the_second_curl_allele_occurs_in_the_five_breeds_it_was_found_in(breed: str) -> None:
    """Source: Salmela et al. 2019, Anim Genet, doi 10.1111/age.12746 (abstract)."""
    assert "c2" in alleles_of(breed, "KRT71")


def test_a_curly_lagotto_may_have_neither_known_variant() -> None:
    """Source: Salmela et al. 2019: one curly Lagotto carried neither."""
    assert "cx" in alleles_of("lagotto_romagnolo", "KRT71")


def test_one_curl_copy_is_curly_by_one_source_and_wavy_by_the_other() -> None:
    """Sources: Cadieu et al. 2009 (CT is curly); testing laboratory's result table (one copy is wavy)."""
    one_copy = Genome.of(KRT71=("N", "c1"))
    assert trait_chances(one_copy, "cadieu").curl[Curl.CURLY] == 1
    assert trait_chances(one_copy, "laboratory").curl[Curl.WAVY] == 1
    both = trait_chances(one_copy).curl
    assert both[Curl.CURLY] == both[Curl.WAVY] == Fraction(1, 2)


def test_shedding_follows_the_published_combinations() -> None:
    """Source: testing laboratory's page after Hayward et al. 2016 (read): which combinations shed least."""

    def shed(low: tuple[str, str], furnishings: tuple[str, str]) -> str:
        chances = trait_chances(Genome.of(MC5R=low, RSPO2=furnishings)).shedding
        return next(name for name, chance in chances.items() if chance == 1)

    two, one, none = ("Thr", "Thr"), ("Ala", "Thr"), ("Ala", "Ala")
    furnished, carrier, plain = ("F", "F"), ("IC", "F"), ("IC", "IC")
    assert shed(two, furnished) == shed(one, furnished) == "minimal"
    assert shed(two, carrier) == shed(none, furnished) == "low"
    assert shed(two, plain) == shed(one, plain) == shed(one, carrier) == "average"


def test_more_single_coat_copies_never_mean_more_undercoat() -> None:
    """Source: Whitaker & Ostrander 2019: the variants are frequent in single-coated dogs; shares are an assumption."""
    none = [trait_chances(Genome.of(single_coat=pair)).undercoat for pair in (("U", "U"), ("U", "SC"), ("SC", "SC"))]
    assert none[0]["none"] < none[1]["none"] < none[2]["none"]
    assert none[0]["dense"] > none[1]["dense"] > none[2]["dense"]
