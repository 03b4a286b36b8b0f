"""Mendel's ratios, exactly, against Punnett arithmetic and against simulation."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from fractions import Fraction
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.genetics import LOCI, Genome, PedigreeDog, litter, mate, resolve, trait_chances
from coatclass.genetics.breed_states import Ancestry
from coatclass.genetics.loci import (
    alleles,
    copies,
    copies_distribution,
    gametes,
    litter_mates,
    random_mating,
    unknown_genotype,
)
from coatclass.genetics.phenotype import categories_of_copies, copies_of_genome, traits_of_copies

CARRIER = {
    "FGF5": ("S", "Lh1"),
    "RSPO2": ("IC", "F"),
    "KRT71": ("N", "c1"),
    "MC5R": ("Ala", "Thr"),
    "single_coat": ("U", "SC"),
}


def dog(**genes: tuple[str, str]) -> PedigreeDog:
    return PedigreeDog("dog", Genome.of(**genes), Ancestry.of("portuguese_water_dog"))


@pytest.mark.parametrize("locus", LOCI)
def test_two_carriers_give_one_two_one(locus: str) -> None:
    """Source: Mendel 1866: a monohybrid cross segregates 1 : 2 : 1."""
    parent = Genome.of(**CARRIER)
    assert copies_distribution(locus, mate(parent, parent).loci[locus]) == (
        Fraction(1, 4),
        Fraction(1, 2),
        Fraction(1, 4),
    )


def test_two_carriers_of_long_hair_give_a_quarter_long_pups() -> None:
    """Source: Mendel 1866 (3 : 1); long hair is recessive (Housley & Venta 2006)."""
    parent = Genome.of(**CARRIER)
    assert trait_chances(mate(parent, parent)).long == Fraction(1, 4)


def test_two_carriers_of_the_improper_coat_give_a_quarter_of_it() -> None:
    """Source: Parker et al. 2010: the improper coat is the absence of the dominant insertion."""
    found = litter(dog(RSPO2=("IC", "F")), dog(RSPO2=("IC", "F")))
    assert found.without_furnishings == Fraction(1, 4)


def test_a_carrier_and_a_fully_furnished_dog_give_no_improper_coat() -> None:
    assert litter(dog(RSPO2=("IC", "F")), dog(RSPO2=("F", "F"))).without_furnishings == 0


def test_a_dihybrid_cross_segregates_nine_three_three_one() -> None:
    """Source: Mendel 1866; short before long, furnished before plain: 9 short furnished of 16, 1 long plain of 16."""
    parent = Genome.of(**CARRIER)
    pup = mate(parent, parent)
    counts: Counter[tuple[bool, bool]] = Counter()
    for found, chance in copies_of_genome(pup):
        counts[found[0] == 2, found[1] > 0] += chance  # type: ignore[assignment]
    assert counts == {
        (False, True): Fraction(9, 16),
        (False, False): Fraction(3, 16),
        (True, True): Fraction(3, 16),
        (True, False): Fraction(1, 16),
    }


def test_a_trihybrid_back_cross_gives_eight_equal_classes() -> None:
    """Source: Mendel 1866: the test cross shows the gametes of the hybrid."""
    hybrid = Genome.of(**CARRIER)
    plain = Genome.of(
        FGF5=("Lh1", "Lh1"), RSPO2=("IC", "IC"), KRT71=("N", "N"), MC5R=("Ala", "Ala"), single_coat=("U", "U")
    )
    counts: Counter[tuple[int, int, int]] = Counter()
    for found, chance in copies_of_genome(mate(hybrid, plain)):
        counts[found[:3]] += chance  # type: ignore[assignment]
    assert len(counts) == 8
    assert set(counts.values()) == {Fraction(1, 8)}


def test_a_breed_that_mates_at_random_keeps_p2_2pq_q2() -> None:
    """Source: Hardy 1908, Weinberg 1908."""
    p = Fraction(1, 5)
    found = random_mating("FGF5", {"Lh1": p})
    assert found == {("S", "S"): (1 - p) ** 2, ("S", "Lh1"): 2 * p * (1 - p), ("Lh1", "Lh1"): p**2}
    genome = Genome.unknown().replace(FGF5=found)
    assert mate(genome, genome).loci["FGF5"] == found


def test_an_unknown_locus_keeps_its_stated_mean_frequency() -> None:
    """The genotype prior is Beta-binomial: its mean allele frequency is the stated one."""
    for locus, mean in {
        "FGF5": Fraction(1, 2),
        "RSPO2": Fraction(3, 10),
        "KRT71": Fraction(1, 5),
        "MC5R": Fraction(1, 2),
        "single_coat": Fraction(2, 5),
    }.items():
        handed_on = gametes(unknown_genotype(locus))
        assert handed_on[alleles(locus)[1].name] == mean
        assert sum(unknown_genotype(locus).values()) == 1


def punnett(locus: str, mother: tuple[str, str], father: tuple[str, str]) -> tuple[Fraction, ...]:
    squares = Counter(copies(locus, pair) for pair in itertools.product(mother, father))
    return tuple(Fraction(squares[n], 4) for n in range(3))


pairs = st.sampled_from([("S", "S"), ("S", "Lh1"), ("Lh1", "Lh2"), ("Lh4", "S"), ("Lh1", "Lh1")])


@given(pairs, pairs)
def test_enumeration_agrees_with_the_punnett_square(mother: tuple[str, str], father: tuple[str, str]) -> None:
    pup = mate(Genome.of(FGF5=mother), Genome.of(FGF5=father))
    assert copies_distribution("FGF5", pup.loci["FGF5"]) == punnett("FGF5", mother, father)


weights = st.lists(st.integers(0, 5), min_size=3, max_size=3).filter(any)


@settings(max_examples=40, deadline=None)
@given(weights, weights)
def test_litter_mates_each_look_like_the_expected_pup(first: list[int], second: list[int]) -> None:
    """Summing the table of mates over one mate gives the pup's own distribution."""

    def genome(shares: list[int]) -> Genome:
        kinds = [("IC", "IC"), ("IC", "F"), ("F", "F")]
        distribution = {kind: Fraction(share, sum(shares)) for kind, share in zip(kinds, shares, strict=True) if share}
        return Genome.unknown().replace(RSPO2=distribution)

    a, b = genome(first), genome(second)
    table = litter_mates(a, b)["RSPO2"]
    assert tuple(sum(row) for row in table) == copies_distribution("RSPO2", mate(a, b).loci["RSPO2"])
    assert all(table[i][j] == table[j][i] for i in range(3) for j in range(3))


def test_mates_of_uncertain_parents_are_more_alike_than_strangers() -> None:
    """Half of the fathers are FF, half IC/IC: mates share their father, so they agree more often than by chance."""
    mother = Genome.of(RSPO2=("IC", "IC"))
    father = Genome.unknown().replace(RSPO2={("F", "F"): Fraction(1, 2), ("IC", "IC"): Fraction(1, 2)})
    table = litter_mates(mother, father)["RSPO2"]
    assert table[0][1] == table[1][0] == 0
    assert table[0][0] == table[1][1] == Fraction(1, 2)


Kind = dict[str, tuple[list[tuple[str, str]], list[float]]]


def founders(kind: PedigreeDog) -> Kind:
    return {locus: (list(found), [float(p) for p in found.values()]) for locus, found in kind.genome.loci.items()}


@pytest.mark.slow
def test_a_simulated_second_generation_agrees_with_the_enumeration() -> None:
    """8,000 simulated litters of two (seed 6): trait shares and the share of differing mates, within four standard
    errors. The numbers that the simulation gives are simulated; the enumeration is exact.
    """
    dice = random.Random(6)
    poodle, retriever = resolve("poodle_standard"), resolve("labrador_retriever")
    f1 = poodle.with_(retriever)
    exact = litter(f1, f1, "laboratory")
    background = exact.pup.ancestry.background()
    kinds = founders(poodle), founders(retriever)

    def child(mother: dict[str, tuple[str, str]], father: dict[str, tuple[str, str]]) -> dict[str, tuple[str, str]]:
        return {locus: (dice.choice(mother[locus]), dice.choice(father[locus])) for locus in LOCI}

    def founder(kind: Kind) -> dict[str, tuple[str, str]]:
        return {locus: dice.choices(found, weights)[0] for locus, (found, weights) in kind.items()}

    @cache
    def coat(found: tuple[int, ...]) -> tuple[list[str], list[float]]:
        chances = categories_of_copies(found, background, "laboratory").category  # type: ignore[arg-type]
        return list(chances), [float(p) for p in chances.values()]

    derived = {(locus, row.name): not row.ancestral for locus in LOCI for row in alleles(locus)}
    n, long, plain, differ = 8_000, 0, 0, 0
    for _ in range(n):
        parents = [child(founder(kinds[0]), founder(kinds[1])) for _ in range(2)]
        pups = [child(*parents) for _ in range(2)]
        found = [tuple(sum(derived[locus, name] for name in pup[locus]) for locus in LOCI) for pup in pups]
        worn = [dice.choices(*coat(pair))[0] for pair in found]
        long += found[0][0] == 2
        plain += found[0][1] == 0
        differ += worn[0] != worn[1]
    for seen, expected in ((long, exact.traits.long), (plain, exact.without_furnishings), (differ, exact.mates_differ)):
        error = (float(expected) * (1 - float(expected)) / n) ** 0.5
        assert abs(seen / n - float(expected)) < 4 * error


def test_chances_are_fractions_that_sum_to_one() -> None:
    found = litter(resolve("poodle_standard"), resolve("labrador_retriever"))
    for chances in (found.category, found.band, found.traits.curl, found.traits.undercoat, found.traits.shedding):
        assert sum(chances.values()) == 1
        assert all(isinstance(chance, Fraction) for chance in chances.values())


def test_traits_of_known_copies_sum_to_one() -> None:
    for found in itertools.product(range(3), repeat=5):
        assert sum(chance for _, chance in traits_of_copies(found, "cadieu")) == 1
