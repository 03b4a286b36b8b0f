"""Mendel's laws, exactly: gametes, pups and pairs of litter mates over independent loci, in fractions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from coatclass.genetics._loci import (
    LOCI,
    Genotype,
    GenotypeDistribution,
    alleles,
    copies,
    genotype,
    unknown_genotype,
)

__all__ = ["Genome", "PairTable", "gametes", "litter_mates", "mate", "mix", "random_mating"]

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

    @classmethod
    def of(cls, **known: Genotype | tuple[str, str]) -> Genome:
        """A dog of known genotypes; loci that are not named are unknown, by the stated prior."""
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


def mate(first: Genome, second: Genome) -> Genome:
    """The expected pup of two unrelated parents."""
    return Genome({locus: _join(locus, gametes(first.loci[locus]), gametes(second.loci[locus])) for locus in LOCI})


def mix(parts: Mapping[Genome, Fraction] | list[tuple[Genome, Fraction]]) -> Genome:
    """A dog that is one of several, by their weights. Treats the loci as independent, which is an approximation."""
    pairs = list(parts.items()) if isinstance(parts, Mapping) else parts
    loci: dict[str, GenotypeDistribution] = {}
    for locus in LOCI:
        chances: GenotypeDistribution = {}
        for genome, weight in pairs:
            for pair, chance in genome.loci[locus].items():
                chances[pair] = chances.get(pair, Fraction(0)) + chance * weight
        loci[locus] = chances
    return Genome(loci)


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
