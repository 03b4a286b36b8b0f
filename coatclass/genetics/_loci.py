"""The coat loci, their alleles, and genotypes as unordered pairs of alleles; everything read from ``data/``."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from coatclass.resources import read_toml

__all__ = [
    "LOCI",
    "Allele",
    "Genotype",
    "GenotypeDistribution",
    "allele",
    "alleles",
    "copies",
    "copies_distribution",
    "data_rows",
    "data_table",
    "genotype",
    "genotype_from_copies",
    "unknown_genotype",
]

_DATA = Path(__file__).with_name("data")

LOCI: tuple[str, ...] = ("FGF5", "RSPO2", "KRT71", "MC5R", "single_coat")
"""The five loci in the order used everywhere: length, furnishings, curl, shedding, undercoat."""

Genotype = tuple[str, str]
"""Two allele names at one locus, sorted; which parent gave which is not kept."""

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
    with (_DATA / name).open(encoding="utf-8", newline="") as stream:
        return tuple(csv.DictReader(stream))


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
    """What is expected of a dog at a locus that nobody tested and whose breed's state is not known.

    The breed's frequency of the derived allele is Beta distributed (stated prior in ``data/traits.toml``): breeds are
    mostly fixed one way or the other, so both homozygotes are likelier than chance mating over all dogs would give.
    """
    return dict(_unknown(locus))
