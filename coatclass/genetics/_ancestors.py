"""The dogs that this one may be, by breed, parents and DNA, with how far each is believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Literal

from coatclass.errors import InputError
from coatclass.genetics._breeds import Ancestry
from coatclass.genetics._inherit import Genome, gametes, random_mating
from coatclass.genetics._litter import GENERATIONS, Dog, Generation, mates, resolve
from coatclass.genetics._loci import LOCI, copies, copies_distribution, data_table
from coatclass.genetics._notation import DnaResult

__all__ = ["Basis", "Hypotheses", "KnownBy", "ancestors", "share", "tested", "trusted"]

KnownBy = Literal["papers", "dna_test", "guess"]
Basis = Literal["nothing", "breed", "cross", "parents", "dna_breeds", "dna_result"]

Hypotheses = list[tuple[Dog, Fraction]]
"""Dogs with their weights; what is missing to 1 is a dog of unknown ancestors."""


def share(table: str, key: str) -> Fraction:
    """A share from ``data/reliability.toml``."""
    return Fraction(data_table("reliability.toml")[table][key])


def _dog(name: str, said: list[str]) -> Dog:
    try:
        return resolve(name)
    except InputError:
        said.append(f"'{name}' is not in the breed table and is taken as unknown.")
        return Dog.unknown()


def ancestors(
    parents: Sequence[str],
    breed: str | None,
    dna_breeds: Mapping[str, float] | None,
    generation: Generation | None,
    said: list[str],
) -> tuple[Basis, Hypotheses]:
    """The dogs that this one may be by its ancestors, with weights summing to 1; empty if nothing is known."""
    whole = Fraction(1)
    if dna_breeds:
        return "dna_breeds", [(_admixed(dna_breeds, said), whole)]
    if parents:
        first, second, *_ = [*(_dog(name, said) for name in parents if name), Dog.unknown(), Dog.unknown()]
        said.append(f"Parents: {first.name} and {second.name}.")
        return "parents", [(_pup(first, second, generation or "f1"), whole)]
    if not breed:
        return "nothing", []
    dog = _dog(breed, said)
    if None in dog.ancestry.shares and dog.parents is None:
        return "nothing", []
    if dog.parents is None:
        said.append(f"Breed: {dog.name}.")
        return "breed", [(dog, whole)]
    return "cross", _generations(dog, generation, said)


def _generations(dog: Dog, generation: Generation | None, said: list[str]) -> Hypotheses:
    """A cross named by its own word hides its generation: every one that is common, by its weight."""
    assert dog.parents is not None
    first, second = dog.parents
    back: Literal["first", "second"] = "first" if _hairiness(first) > _hairiness(second) else "second"
    if generation:
        said.append(f"A cross of {first.name} and {second.name}, generation {generation}.")
        return [(_pup(first, second, generation, back), Fraction(1))]
    said.append(f"A cross of {first.name} and {second.name}; nobody said in which generation.")
    weights = data_table("reliability.toml")["named_cross"]
    return [(_pup(first, second, name, back), Fraction(weights[name])) for name in GENERATIONS if name in weights]


def _pup(first: Dog, second: Dog, generation: Generation, back_to: Literal["first", "second"] = "second") -> Dog:
    mother, father = mates(first, second, generation, back_to)
    return mother.with_(father, f"{first.name} x {second.name}" + ("" if generation == "f1" else f" ({generation})"))


def _hairiness(dog: Dog) -> Fraction:
    """Expected furnishing copies: which parent a back cross is usually made to."""
    _, one, two = copies_distribution("RSPO2", dog.genome.loci["RSPO2"])
    return one + 2 * two


def _admixed(dna_breeds: Mapping[str, float], said: list[str]) -> Dog:
    """A dog of DNA percentages: pure, a first cross of two, or many generations of mixing."""
    table = data_table("reliability.toml")["dna_breeds"]
    total = max(100.0, sum(dna_breeds.values()))
    shares = {name: Fraction(percent).limit_denominator(1000) / Fraction(total) for name, percent in dna_breeds.items()}
    dogs = {name: _dog(name, said) for name in shares}
    largest = max(shares, key=lambda name: shares[name])
    low, high = map(Fraction, table["first_cross"])
    if shares[largest] >= Fraction(table["pure_from"]):
        said.append(f"DNA test: {dogs[largest].name}.")
        return dogs[largest]
    halves = [name for name, share in shares.items() if low <= share <= high]
    if len(halves) == 2:
        said.append(f"DNA test: read as a first cross of {dogs[halves[0]].name} and {dogs[halves[1]].name}.")
        return dogs[halves[0]].with_(dogs[halves[1]])
    parts = [(dogs[name], share) for name, share in shares.items()]
    rest = 1 - sum(shares.values(), Fraction(0))
    if rest > 0:
        parts.append((Dog.unknown(), rest))
    said.append("DNA test: " + ", ".join(f"{dog.name} {float(share):.0%}" for dog, share in parts) + ".")
    loci = {}
    for locus in LOCI:
        pool: dict[str, Fraction] = {}
        for dog, share in parts:
            for name, chance in gametes(dog.genome.loci[locus]).items():
                pool[name] = pool.get(name, Fraction(0)) + share * chance
        loci[locus] = random_mating(locus, pool)
    ancestry = Ancestry.blend_of([(dog.ancestry, share) for dog, share in parts])
    return Dog("mixed by DNA test", Genome(loci), ancestry)


def trusted(basis: Basis, dogs: Hypotheses, known_by: KnownBy | None, said: list[str]) -> Hypotheses:
    """The dogs weighted by how far the word is believed; what is missing to 1 is a dog of unknown ancestors."""
    if not dogs:
        said.append("Nothing is known of the ancestors.")
        return []
    if basis == "dna_breeds":
        known_by = "dna_test"
    if known_by != "guess":
        trust = share("known_by", known_by or "told")
        return [(dog, weight * trust) for dog, weight in dogs]
    any_right, all_right, pure = (share("guess", key) for key in ("any_right", "all_right", "pure"))
    said.append(
        "The ancestors are a guess: people name at least one true breed in 67.7 % of dogs and more than one in 10.4 % "
        "(Gunter et al. 2018), so they count that much less."
    )
    found: Hypotheses = []
    for dog, weight in dogs:
        if dog.parents is None:
            outcross = dog.with_(Dog.unknown())
            found += [(dog, weight * any_right * pure), (outcross, weight * any_right * (1 - pure))]
        else:
            one = [parent.with_(Dog.unknown()) for parent in dog.parents]
            found.append((dog, weight * all_right))
            found += [(half, weight * (any_right - all_right) / 2) for half in one]
    return found


def tested(dogs: Hypotheses, result: DnaResult) -> Hypotheses:
    """Bayes: each possible dog reweighted by how likely it made the result, its tested loci then known.

    The unknown dog takes part with the weight left over, and stays in the list, for its genes are known now.
    """
    rest = 1 - sum((weight for _, weight in dogs), Fraction(0))
    weighted = [
        (Dog(dog.name, result.genome(dog.genome), dog.ancestry, dog.parents), weight * _likelihood(dog.genome, result))
        for dog, weight in [*dogs, (Dog.unknown(), rest)]
        if weight
    ]
    total = sum((weight for _, weight in weighted), Fraction(0))
    return [(dog, weight / total) for dog, weight in weighted]


def _likelihood(genome: Genome, result: DnaResult) -> Fraction:
    """P(result | genome), with a small floor: breeds hold alleles that nobody has seen there yet."""
    floor = Fraction(1, 1000)
    chance = Fraction(1)
    for locus, pair in result.genotypes.items():
        chance *= max(floor, copies_distribution(locus, genome.loci[locus])[copies(locus, pair)])
    return chance
