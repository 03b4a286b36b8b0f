"""A breed's state at the coat loci, and what a dog's ancestors say beyond the five loci."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from coatclass import breeds
from coatclass.breeds import BreedFacts
from coatclass.genetics.loci import (
    LOCI,
    Genome,
    GenotypeDistribution,
    alleles,
    data_rows,
    data_table,
    random_mating,
    unknown_genotype,
)
from coatclass.taxonomy import CoatCategory, Curl, Undercoat

__all__ = [
    "Ancestry",
    "Background",
    "BreedState",
    "breed_state",
    "breeds_with_states",
]


@dataclass(frozen=True)
class BreedState:
    """Genotypes of a breed's dogs, taken to mate at random within it; ``derived`` if no row was written for it."""

    breed: str
    name: str
    genome: Genome
    source: str
    derived: bool


@dataclass(frozen=True)
class Background:
    """What the ancestors say that the five loci don't; each 0 to 1 (assumptions, ``data/ancestry.toml``).

    Attributes:
        blend: how far hair and fur meet in the ancestors.
        northern: share of ancestors with a plush stand-off coat.
        harsh: share of a short furnished coat that is truly wire.
    """

    blend: Fraction
    northern: Fraction
    harsh: Fraction


@dataclass(frozen=True)
class Ancestry:
    """Which breeds a dog comes from: shares by breed id (None for unknown), summing to 1."""

    shares: Mapping[str | None, Fraction]

    def __hash__(self) -> int:
        return hash(frozenset(self.shares.items()))

    @classmethod
    def of(cls, breed: str | None) -> Ancestry:
        """A dog of one breed; None if its breed is unknown."""
        return cls({breed: Fraction(1)})

    @classmethod
    def blend_of(cls, parts: list[tuple[Ancestry, Fraction]]) -> Ancestry:
        """The ancestors of a pup of several, by weight."""
        shares: dict[str | None, Fraction] = {}
        for ancestry, weight in parts:
            for breed, share in ancestry.shares.items():
                shares[breed] = shares.get(breed, Fraction(0)) + share * weight
        return cls(shares)

    def background(self) -> Background:
        """What the ancestors add to the five loci."""
        return Background(self.blend(), self.northern(), self.harsh())

    def harsh(self) -> Fraction:
        """The share of a short furnished coat that is truly wire: harsh hair is bred for, RSPO2 alone doesn't give it.

        1 if all ancestors are wire-coated or unknown, less the fewer are (assumption, ``data/ancestry.toml``).
        """
        if None in self.shares:
            return Fraction(1)
        least = Fraction(data_table("ancestry.toml")["harsh"]["without_wire_ancestors"])
        wire = sum((share * _coats(breed)[CoatCategory.WIRE] for breed, share in self.shares.items()), Fraction(0))
        return least + (1 - least) * wire

    def blend(self) -> Fraction:
        """How far hair and fur meet in the ancestors: 0 if all have the same, 1 if half have each.

        Four times the variance of the ancestors' hair-likeness (assumption, ``data/ancestry.toml``).
        """
        if None in self.shares:
            return Fraction(data_table("ancestry.toml")["mixed"]["unknown_blend"])
        likeness = {breed: _hair_likeness(breed) for breed in self.shares if breed}
        mean = sum((share * likeness[breed] for breed, share in self.shares.items() if breed), Fraction(0))
        square = sum((share * likeness[breed] ** 2 for breed, share in self.shares.items() if breed), Fraction(0))
        return 4 * (square - mean * mean)

    def northern(self) -> Fraction:
        """Share of the ancestors that wear a plush stand-off coat."""
        return sum((share * _coats(breed)[CoatCategory.ARCTIC] for breed, share in self.shares.items()), Fraction(0))


@cache
def _coats(breed: str | None) -> Mapping[CoatCategory, Fraction]:
    """Share of a breed's dogs in each category as grown."""
    if breed is None:
        chances = zip(CoatCategory, breeds.background(), strict=True)
        return {category: Fraction(chance).limit_denominator(1000) for category, chance in chances}
    facts = breeds.facts(breed)
    shares = {category: Fraction(0) for category in CoatCategory}
    for category, share in facts.alternatives.items():
        shares[category] = Fraction(share).limit_denominator(1000)
    shares[facts.category_grown] = 1 - sum(shares.values(), Fraction(0))
    return shares


@cache
def _hair_likeness(breed: str) -> Fraction:
    """0 (fur) to 1 (hair) by the coat that most dogs of the breed grow."""
    return Fraction(data_table("ancestry.toml")["hair_likeness"][breeds.facts(breed).category_grown])


@cache
def _rows() -> Mapping[str, Mapping[str, str]]:
    return {row["breed"]: row for row in data_rows("breed_states.csv")}


def breeds_with_states() -> tuple[str, ...]:
    """Breed ids that have a row of their own, in alphabetical order."""
    return tuple(sorted(_rows()))


@cache
def breed_state(breed: str) -> BreedState:
    """The state of a breed: its own row, else derived from the breed table by ``data/derived_states.toml``.

    Raises:
        InputError: if the breed table doesn't hold the id.
    """
    facts = breeds.facts(breed)
    row = _rows().get(breed)
    if row is None:
        source = str(data_table("derived_states.toml")["source"])
        return BreedState(breed, facts.name, _derived(facts), source, derived=True)
    genome = Genome({locus: _written(locus, row[locus]) for locus in LOCI})
    return BreedState(breed, facts.name, genome, row["source"], derived=False)


def _written(locus: str, cell: str) -> GenotypeDistribution:
    """A cell of the table: ``?`` unknown, ``0`` ancestral in all dogs, or ``allele:frequency`` parts."""
    if cell == "?":
        return unknown_genotype(locus)
    parts = [] if cell == "0" else [part.split(":") for part in cell.split()]
    return random_mating(locus, {name: Fraction(frequency) for name, frequency in parts})


def _derived(facts: BreedFacts) -> Genome:
    table = data_table("derived_states.toml")
    middle = sum(facts.length_mm) / 2
    furnished = facts.furnishings != "no"
    length = next(row for row in table["FGF5"] if middle < row["below_mm"])
    cells = {
        "FGF5": length["furnished" if furnished else "plain"],
        "RSPO2": table["RSPO2"][facts.furnishings],
        "KRT71": table["KRT71"][Curl(facts.curl)],
        "MC5R": table["MC5R"][facts.shedding],
        "single_coat": table["single_coat"][Undercoat(facts.undercoat)],
    }
    return Genome(
        {
            locus: _written(locus, cell if cell == "?" else f"{alleles(locus)[1].name}:{cell}")
            for locus, cell in cells.items()
        }
    )
