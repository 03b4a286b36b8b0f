"""Parents to pups, over any number of generations: a litter's adult coats, and how far litter mates differ."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from coatclass import breeds
from coatclass.errors import InputError
from coatclass.genetics.breed_states import Ancestry, breed_state
from coatclass.genetics.loci import Genome, PairTable, litter_mates, mate
from coatclass.genetics.phenotype import (
    Bands,
    Categories,
    Copies,
    Reading,
    TraitChances,
    categories_of_copies,
    coat_chances,
    readings,
    trait_chances,
)
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = [
    "GENERATIONS",
    "Cross",
    "Generation",
    "Litter",
    "PedigreeDog",
    "cross",
    "litter",
    "mates",
    "resolve",
]

Generation = Literal["f1", "f1b", "f1bb", "f2", "f2b", "f3"]
GENERATIONS: tuple[Generation, ...] = ("f1", "f1b", "f1bb", "f2", "f2b", "f3")

_COUNTS = tuple(itertools.product(range(3), repeat=5))


@dataclass(frozen=True)
class PedigreeDog:
    """A parent, known by its breed, by a DNA result, or as the pup of two others."""

    name: str
    genome: Genome
    ancestry: Ancestry
    parents: tuple[PedigreeDog, PedigreeDog] | None = None

    @property
    def breed(self) -> str | None:
        """The id of the one breed that all its ancestors are of, None if there are several or they are unknown."""
        return next(iter(self.ancestry.shares)) if len(self.ancestry.shares) == 1 else None

    @classmethod
    def of_breed(cls, text: str, genome: Genome | None = None) -> PedigreeDog:
        """A dog of a breed or common cross by its name or id; its own genome, if tested, goes before the breed's.

        Raises:
            InputError: if the breed isn't known.
        """
        dog = resolve(text)
        return PedigreeDog(dog.name, genome or dog.genome, dog.ancestry, dog.parents)

    @classmethod
    def unknown(cls) -> PedigreeDog:
        """A parent of whom nothing is known."""
        return cls("unknown", Genome.unknown(), Ancestry.of(None))

    def with_(self, other: PedigreeDog, name: str = "") -> PedigreeDog:
        """The expected pup of this dog and another, unrelated one."""
        ancestry = Ancestry.blend_of([(self.ancestry, Fraction(1, 2)), (other.ancestry, Fraction(1, 2))])
        return PedigreeDog(
            name or f"{self.name} x {other.name}", mate(self.genome, other.genome), ancestry, (self, other)
        )


def resolve(text: str) -> PedigreeDog:
    """A dog by the name or id of its breed; a common cross becomes the pup of its parents.

    Raises:
        InputError: if the breed table knows no such breed (code ``unknown_breed``).
    """
    match = breeds.find(text)
    if match.id is None and any(match.parents):
        return _of_parents(match.parents)
    if match.id is None:
        raise InputError(
            f"breed '{text}'",
            "is not in the breed table.",
            "Write the breed's full name, or leave this parent out.",
            code="unknown_breed",
        )
    facts = breeds.facts(match.id)
    if facts.kind == "cross":
        return _of_parents(facts.parents, facts.name)
    return PedigreeDog(facts.name, breed_state(match.id).genome, Ancestry.of(match.id))


def _of_parents(parents: tuple[str | None, ...], name: str = "") -> PedigreeDog:
    """The pup of breeds that are known by id; a missing parent is unknown."""
    pair = [resolve(parent) if parent else PedigreeDog.unknown() for parent in (*parents, None)[:2]]
    return pair[0].with_(pair[1], name)


@dataclass(frozen=True)
class Litter:
    """The pups of two parents as grown dogs.

    Attributes:
        category, band: exact chances for one pup, as grown, over both readings of a curl copy unless one was chosen.
        traits: chances of each trait on its own.
        mates_differ: chance that two litter mates grow coats of different categories.
        without_furnishings: chance of a pup without beard and brows although a parent's breed is furnished
            (an improper coat); 0 where neither parent can have furnishings.
    """

    mother: PedigreeDog
    father: PedigreeDog
    pup: PedigreeDog
    category: Categories
    band: Bands
    traits: TraitChances
    mates_differ: Fraction
    without_furnishings: Fraction
    reading: Reading | Literal["both"]

    @property
    def likely(self) -> tuple[CoatCategory, ...]:
        """Categories from the likeliest down, those below one in fifty left out."""
        ranked = sorted(CATEGORIES, key=lambda coat: self.category[coat], reverse=True)
        return tuple(coat for coat in ranked if self.category[coat] >= Fraction(1, 50))


def litter(mother: PedigreeDog, father: PedigreeDog, reading: Reading | Literal["both"] = "both") -> Litter:
    """The litter of two parents, enumerated exactly (fractions, no sampling)."""
    pup = mother.with_(father)
    coats = coat_chances(pup.genome, pup.ancestry, reading)
    traits = trait_chances(pup.genome, reading)
    either = max(trait_chances(parent.genome).furnished for parent in (mother, father))
    return Litter(
        mother=mother,
        father=father,
        pup=pup,
        category=coats.category,
        band=coats.band,
        traits=traits,
        mates_differ=_mates_differ(mother, father, pup.ancestry, reading),
        without_furnishings=1 - traits.furnished if either else Fraction(0),
        reading=reading,
    )


def _mates_differ(
    mother: PedigreeDog, father: PedigreeDog, ancestry: Ancestry, reading: Reading | Literal["both"]
) -> Fraction:
    """1 - P(two litter mates agree), summed over all pairs of genotypes given the same parents."""
    pairs = list(litter_mates(mother.genome, father.genome).values())
    background = ancestry.background()
    agree = Fraction(0)
    for way, weight in readings(reading).items():
        coats = {found: categories_of_copies(found, background, way).category for found in _possible(pairs)}
        for category in CATEGORIES:
            chances = {found: coat[category] for found, coat in coats.items()}
            agree += weight * _both(chances, pairs)
    return 1 - agree


def _possible(pairs: list[PairTable]) -> tuple[Copies, ...]:
    """The combinations of copies that a pup can have."""
    return tuple(
        (a, b, c, d, e)
        for a, b, c, d, e in _COUNTS
        if all(any(table[n]) for table, n in zip(pairs, (a, b, c, d, e), strict=True))
    )


def _both(chances: dict[Copies, Fraction], pairs: list[PairTable]) -> Fraction:
    """Expected product of a chance over both mates: the pair tables applied one locus at a time."""
    partial: dict[tuple[int, ...], Fraction] = {(*found,): chance for found, chance in chances.items()}
    for place, table in enumerate(pairs):
        turned: dict[tuple[int, ...], Fraction] = {}
        for found, value in partial.items():
            if value:
                for n in range(3):
                    if table[n][found[place]]:
                        key = (*found[:place], n, *found[place + 1 :])
                        turned[key] = turned.get(key, Fraction(0)) + table[n][found[place]] * value
        partial = turned
    return sum((chance * partial.get(found, Fraction(0)) for found, chance in chances.items()), Fraction(0))


@dataclass(frozen=True)
class Cross:
    """A cross of two breeds in some generation, with its litter."""

    first: str
    second: str
    generation: Generation
    litter: Litter


def mates(
    first: PedigreeDog, second: PedigreeDog, generation: Generation, back_to: Literal["first", "second"] = "second"
) -> tuple[PedigreeDog, PedigreeDog]:
    """The two dogs that are mated for a generation of a cross; taken as unrelated.

    Args:
        generation: ``f1`` first cross; ``f1b`` a first-cross dog back to a pure one; ``f1bb`` the same once more;
            ``f2`` two first-cross dogs; ``f2b`` a first-cross and a back-cross dog; ``f3`` two ``f2`` dogs.
        back_to: which of the two a back cross goes to.

    Raises:
        InputError: unknown generation (code ``unknown_generation``).
    """
    pure = second if back_to == "second" else first
    f1 = first.with_(second, f"{first.name} x {second.name} (f1)")
    back = f1.with_(pure, f"{f1.name} x {pure.name} (f1b)")
    f2 = f1.with_(f1, f"{first.name} x {second.name} (f2)")
    known: dict[str, tuple[PedigreeDog, PedigreeDog]] = {
        "f1": (first, second),
        "f1b": (f1, pure),
        "f1bb": (back, pure),
        "f2": (f1, f1),
        "f2b": (f1, back),
        "f3": (f2, f2),
    }
    if generation not in known:
        raise InputError(
            f"generation '{generation}'",
            "is not known.",
            f"Use one of: {', '.join(GENERATIONS)}.",
            code="unknown_generation",
        )
    return known[generation]


def cross(
    first: str | PedigreeDog,
    second: str | PedigreeDog,
    generation: Generation = "f1",
    *,
    back_to: Literal["first", "second"] = "second",
    reading: Reading | Literal["both"] = "both",
) -> Cross:
    """The litter of a cross of two breeds (or dogs) in a generation, see :func:`mates`.

    Raises:
        InputError: unknown breed (``unknown_breed``) or generation (``unknown_generation``).
    """
    a = resolve(first) if isinstance(first, str) else first
    b = resolve(second) if isinstance(second, str) else second
    mother, father = mates(a, b, generation, back_to)
    return Cross(a.name, b.name, generation, litter(mother, father, reading))
