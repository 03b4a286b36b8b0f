"""Coat loci, their alleles and genotypes, read from ``data/``; and Mendel's laws over them, in exact fractions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from coatclass.resources import read_csv, read_toml

__all__ = [
    "LOCI",
    "Allele",
    "Genome",
    "Genotype",
    "GenotypeDistribution",
    "PairTable",
    "allele",
    "alleles",
    "copies",
    "copies_distribution",
    "data_rows",
    "data_table",
    "gametes",
    "genotype",
    "genotype_from_copies",
    "litter_mates",
    "mate",
    "random_mating",
    "unknown_genotype",
]

_DATA = Path(__file__).with_name("data")

LOCI: tuple[str, ...] = ("FGF5", "RSPO2", "KRT71", "MC5R", "single_coat")
"""The five loci in the order used everywhere: length, furnishings, curl, shedding, undercoat."""

Genotype = tuple[str, str]
"""Two allele names at one locus, sorted: unphased."""

GenotypeDistribution = dict[Genotype, Fraction]
"""Chances of the genotypes at one locus; exact, summing to 1."""


@dataclass(frozen=True)
class Allele:
    """One variant of a locus, as a row of ``data/loci.csv``; ``called`` is its short name for people."""

    locus: str
    name: str
    called: str
    chromosome: str
    ancestral: bool
    variant: str
    effect: str
    inheritance: str
    seen_in: str
    source: str
    read_or_memory: str


def data_rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a CSV file of this room."""
    return read_csv(_DATA / name)


@cache
def data_table(name: str) -> dict[str, Any]:
    """A TOML file of this room."""
    return read_toml(_DATA / name)


@cache
def _by_locus() -> Mapping[str, tuple[Allele, ...]]:
    found: dict[str, list[Allele]] = {locus: [] for locus in LOCI}
    for row in data_rows("loci.csv"):
        found[row["locus"]].append(
            Allele(
                locus=row["locus"],
                name=row["allele"],
                called=row["called"],
                chromosome=row["chromosome"],
                ancestral=row["ancestral"] == "yes",
                variant=row["variant"],
                effect=row["effect"],
                inheritance=row["inheritance"],
                seen_in=row["seen_in"],
                source=row["source"],
                read_or_memory=row["read_or_memory"],
            )
        )
    return {locus: tuple(rows) for locus, rows in found.items()}


def alleles(locus: str) -> tuple[Allele, ...]:
    """All known alleles of a locus, the ancestral one first."""
    return _by_locus()[locus]


def allele(locus: str, name: str) -> Allele:
    """One allele by its name.

    Raises:
        KeyError: if the locus has no such allele.
    """
    for candidate in alleles(locus):
        if candidate.name == name:
            return candidate
    raise KeyError(f"{locus} has no allele {name}")


def genotype(locus: str, first: str, second: str) -> Genotype:
    """An unordered pair of alleles; the ancestral one, if any, comes first."""
    order = {candidate.name: place for place, candidate in enumerate(alleles(locus))}
    left, right = sorted((allele(locus, first).name, allele(locus, second).name), key=order.__getitem__)
    return left, right


def copies(locus: str, pair: Genotype) -> int:
    """How many of the two alleles are derived: 0, 1 or 2. Two different derived alleles count as two copies."""
    return sum(not allele(locus, name).ancestral for name in pair)


def copies_distribution(locus: str, distribution: GenotypeDistribution) -> tuple[Fraction, Fraction, Fraction]:
    """Chances of 0, 1 and 2 derived copies."""
    chances = [Fraction(0)] * 3
    for pair, chance in distribution.items():
        chances[copies(locus, pair)] += chance
    return chances[0], chances[1], chances[2]


def genotype_from_copies(locus: str, count: int) -> Genotype:
    """The genotype with 0, 1 or 2 copies of the commonest derived allele of a locus."""
    ancestral, derived = alleles(locus)[0].name, alleles(locus)[1].name
    return genotype(locus, derived if count == 2 else ancestral, derived if count else ancestral)


@cache
def _unknown(locus: str) -> tuple[tuple[Genotype, Fraction], ...]:
    table = data_table("traits.toml")["unknown"]
    derived, mean = table[locus]["allele"], Fraction(table[locus]["frequency"])
    total = Fraction(table["fixation"])
    a, b = mean * total, (1 - mean) * total
    whole = total * (total + 1)
    ancestral = alleles(locus)[0].name
    return (
        ((ancestral, ancestral), b * (b + 1) / whole),
        ((ancestral, derived), 2 * a * b / whole),
        ((derived, derived), a * (a + 1) / whole),
    )


def unknown_genotype(locus: str) -> GenotypeDistribution:
    """Genotype prior at an untested locus of a dog whose breed's state is not known.

    The breed's frequency of the derived allele is Beta distributed (stated prior in ``data/traits.toml``): breeds are
    mostly fixed one way or the other, so both homozygotes are likelier than chance mating over all dogs would give.
    """
    return dict(_unknown(locus))


PairTable = tuple[tuple[Fraction, ...], ...]
"""Chance that one litter mate has i and the other j derived copies at a locus, 3 x 3."""

_HALF = Fraction(1, 2)


@dataclass(frozen=True)
class Genome:
    """What is known of a dog's genotypes: an exact distribution per locus, independent between loci.

    The loci lie on different chromosomes, so they are inherited independently (FGF5 CFA32, RSPO2 CFA13, KRT71 CFA27,
    MC5R CFA1, single coat CFA28).
    """

    loci: Mapping[str, GenotypeDistribution]

    def __hash__(self) -> int:
        return hash(frozenset((locus, frozenset(chances.items())) for locus, chances in self.loci.items()))

    @classmethod
    def of(cls, **known: Genotype | tuple[str, str]) -> Genome:
        """A dog of known genotypes; loci that are not named get the prior."""
        chosen = {
            locus: {genotype(locus, *known[locus]): Fraction(1)} if locus in known else unknown_genotype(locus)
            for locus in LOCI
        }
        return cls(chosen)

    @classmethod
    def unknown(cls) -> Genome:
        """A dog of whom nothing is known."""
        return cls.of()

    def replace(self, **known: GenotypeDistribution) -> Genome:
        """The same dog with some loci known better."""
        return Genome({**self.loci, **known})


def gametes(distribution: GenotypeDistribution) -> dict[str, Fraction]:
    """Chances of the allele that a parent hands on: either of its two with one half."""
    chances: dict[str, Fraction] = {}
    for pair, chance in distribution.items():
        for name in pair:
            chances[name] = chances.get(name, Fraction(0)) + chance * _HALF
    return chances


def _join(locus: str, left: Mapping[str, Fraction], right: Mapping[str, Fraction]) -> GenotypeDistribution:
    chances: GenotypeDistribution = {}
    for first, p in left.items():
        for second, q in right.items():
            pair = genotype(locus, first, second)
            chances[pair] = chances.get(pair, Fraction(0)) + p * q
    return {pair: chance for pair, chance in chances.items() if chance}


def random_mating(locus: str, frequencies: Mapping[str, Fraction]) -> GenotypeDistribution:
    """Genotypes of a breed whose dogs mate at random (Hardy 1908, Weinberg 1908), from its allele frequencies.

    What is missing to 1 is the ancestral allele.
    """
    rest = 1 - sum(frequencies.values(), Fraction(0))
    full = {**frequencies, alleles(locus)[0].name: rest} if rest else dict(frequencies)
    return _join(locus, full, full)


@lru_cache(maxsize=1024)
def mate(first: Genome, second: Genome) -> Genome:
    """The expected pup of two unrelated parents."""
    return Genome({locus: _join(locus, gametes(first.loci[locus]), gametes(second.loci[locus])) for locus in LOCI})


def _pup_copies(locus: str, mother: Genotype, father: Genotype) -> tuple[Fraction, Fraction, Fraction]:
    handed_on = [Fraction(copies(locus, pair), 2) for pair in (mother, father)]
    p, q = handed_on
    return (1 - p) * (1 - q), p * (1 - q) + q * (1 - p), p * q


def litter_mates(first: Genome, second: Genome) -> dict[str, PairTable]:
    """Chances of the derived copies of two litter mates, locus by locus.

    The parents' genotypes may be uncertain, but both mates have the same parents: summed over the parents' genotypes,
    so that mates are more alike than two dogs of the same description.
    """
    tables: dict[str, PairTable] = {}
    for locus in LOCI:
        table = [[Fraction(0)] * 3 for _ in range(3)]
        for mother, p in first.loci[locus].items():
            for father, q in second.loci[locus].items():
                pup = _pup_copies(locus, mother, father)
                for i in range(3):
                    for j in range(3):
                        table[i][j] += p * q * pup[i] * pup[j]
        tables[locus] = tuple(tuple(row) for row in table)
    return tables
