"""Genotype to traits: length, furnishings, curl, undercoat, shedding; and the seven coats of Cadieu et al. 2009."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Literal

from coatclass.genetics._inherit import Genome
from coatclass.genetics._loci import LOCI, copies_distribution, data_rows, data_table
from coatclass.taxonomy import Curl, Undercoat

__all__ = [
    "Copies",
    "Reading",
    "Shedding",
    "TraitChances",
    "Traits",
    "cadieu_phenotype",
    "copies_of_genome",
    "readings",
    "trait_chances",
    "traits_of_copies",
]

Reading = Literal["cadieu", "laboratory"]
"""What one copy of a curl variant does: 'cadieu' curls, 'laboratory' waves."""

Shedding = Literal["minimal", "low", "average", "heavy"]

Copies = tuple[int, int, int, int, int]
"""Derived copies (0, 1, 2) at the five loci in the order of LOCI."""


@dataclass(frozen=True, order=True)
class Traits:
    """What the coat is like, as it grows.

    ``long``: the gene for long hair shows (two long alleles). ``furnished``: beard and brows.
    """

    long: bool
    furnished: bool
    curl: Curl
    undercoat: Undercoat
    shedding: Shedding


@dataclass(frozen=True)
class TraitChances:
    """Chances of each trait on its own, exact; every mapping sums to 1."""

    long: Fraction
    furnished: Fraction
    curl: dict[Curl, Fraction]
    undercoat: dict[Undercoat, Fraction]
    shedding: dict[Shedding, Fraction]


def readings(choice: Reading | Literal["both"]) -> dict[Reading, Fraction]:
    """The readings of one curl copy to use, with their weights."""
    if choice != "both":
        return {choice: Fraction(1)}
    weights = data_table("traits.toml")["curl"]["weights"]
    return {"cadieu": Fraction(weights["cadieu"]), "laboratory": Fraction(weights["laboratory"])}


@cache
def _undercoat(count: int) -> tuple[tuple[Undercoat, Fraction], ...]:
    row = data_table("traits.toml")["undercoat"]["copies"][count]
    return tuple(zip(Undercoat, map(Fraction, row), strict=True))


@cache
def traits_of_copies(found: Copies, reading: Reading) -> tuple[tuple[Traits, Fraction], ...]:
    """Distribution of the traits of a dog with known copies at all five loci, under one reading of a curl copy."""
    length, furnishings, curl, low_shed, single = found
    table = data_table("traits.toml")
    shedding: Shedding = table["shedding"]["table"][low_shed][furnishings]
    bend = Curl(table["curl"][reading]["copies"][curl])
    return tuple(
        (Traits(length == 2, furnishings > 0, bend, undercoat, shedding), chance)
        for undercoat, chance in _undercoat(single)
        if chance
    )


def copies_of_genome(genome: Genome) -> Iterator[tuple[Copies, Fraction]]:
    """Every possible combination of copies with its exact chance; at most 3^5 = 243."""
    per_locus = [
        [(count, chance) for count, chance in enumerate(copies_distribution(locus, genome.loci[locus])) if chance]
        for locus in LOCI
    ]
    for combination in itertools.product(*per_locus):
        chance = Fraction(1)
        for _, part in combination:
            chance *= part
        a, b, c, d, e = (count for count, _ in combination)
        yield (a, b, c, d, e), chance


def trait_chances(genome: Genome, reading: Reading | Literal["both"] = "both") -> TraitChances:
    """Chances of each trait of a dog, over its possible genotypes and the readings of a curl copy."""
    long, furnished = Fraction(0), Fraction(0)
    curl: dict[Curl, Fraction] = dict.fromkeys(Curl, Fraction(0))
    undercoat: dict[Undercoat, Fraction] = dict.fromkeys(Undercoat, Fraction(0))
    shedding: dict[Shedding, Fraction] = dict.fromkeys(("minimal", "low", "average", "heavy"), Fraction(0))
    for way, weight in readings(reading).items():
        for found, chance in copies_of_genome(genome):
            for traits, share in traits_of_copies(found, way):
                p = weight * chance * share
                long += p * traits.long
                furnished += p * traits.furnished
                curl[traits.curl] += p
                undercoat[traits.undercoat] += p
                shedding[traits.shedding] += p
    return TraitChances(long, furnished, curl, undercoat, shedding)


def cadieu_phenotype(length_copies: int, furnishing_copies: int, curl_copies: int) -> str:
    """The coat in the words of Cadieu et al. 2009 from the copies at their three loci (source: phenotypes.csv)."""
    wanted = {
        "long": "yes" if length_copies == 2 else "no",
        "furnished": "yes" if furnishing_copies else "no",
        "curl_variant": "yes" if curl_copies else "no",
    }
    for row in data_rows("phenotypes.csv"):
        if all(row[key] in ("any", value) for key, value in wanted.items()):
            return row["phenotype"]
    raise AssertionError("phenotypes.csv does not cover every genotype")
