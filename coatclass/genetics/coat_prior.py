"""What ancestors and genes say about a coat: hypotheses, a prior for the ensemble, conflict with a photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal, Protocol

from coatclass import breeds
from coatclass.breeds import KnownBy
from coatclass.contract import Reason
from coatclass.errors import InputError
from coatclass.genetics.breed_states import Ancestry
from coatclass.genetics.litters import GENERATIONS, Generation, PedigreeDog, mates, resolve
from coatclass.genetics.loci import (
    LOCI,
    DnaResult,
    Genome,
    copies,
    copies_distribution,
    data_table,
    gametes,
    parse_results,
    random_mating,
)
from coatclass.genetics.phenotype import Reading, TraitChances, as_worn, coat_chances, in_words, trait_chances
from coatclass.reasons import reason
from coatclass.taxonomy import CATEGORIES

__all__ = [
    "Basis",
    "CoatPrior",
    "KnownBy",
    "conflicts",
    "prior",
    "prior_of",
    "pure_from",
]

Basis = Literal["nothing", "breed", "cross", "parents", "dna_breeds", "dna_result"]

Hypotheses = list[tuple[PedigreeDog, Fraction]]
"""Dogs that this one may be, with weights; the rest of the weight is a dog of unknown ancestors."""


def _share(table: str, key: str) -> Fraction:
    """A share from ``data/reliability.toml``."""
    return Fraction(data_table("reliability.toml")[table][key])


def pure_from() -> float:
    """The share of one breed, in (0, 1], from which on a DNA test speaks of a dog of that breed alone."""
    return float(_share("dna_breeds", "pure_from"))


def _told(code: str, **values: Any) -> Reason:
    """A sentence of the explanation."""
    return reason(f"ancestry.{code}", **values)


def _dog(name: str, said: list[Reason]) -> PedigreeDog:
    try:
        return resolve(name)
    except InputError:
        said.append(_told("unknown_breed", name=name))
        return PedigreeDog.unknown()


def _ancestors(
    parents: Sequence[str],
    breed: str | None,
    dna_breeds: Mapping[str, float] | None,
    generation: Generation | None,
    said: list[Reason],
) -> tuple[Basis, Hypotheses]:
    """Hypotheses from the ancestors named, with weights summing to 1; empty if nothing is known."""
    whole = Fraction(1)
    if dna_breeds:
        return "dna_breeds", [(_admixed(dna_breeds, said), whole)]
    if parents:
        first, second, *_ = [
            *(_dog(name, said) for name in parents if name),
            PedigreeDog.unknown(),
            PedigreeDog.unknown(),
        ]
        said.append(_told("parents", first=first.name, second=second.name))
        return "parents", [(_pup(first, second, generation or "f1"), whole)]
    if not breed:
        return "nothing", []
    dog = _dog(breed, said)
    if None in dog.ancestry.shares and dog.parents is None:
        return "nothing", []
    if dog.parents is None:
        said.append(_told("breed", first=dog.name))
        return "breed", [(dog, whole)]
    return "cross", _generations(dog, generation, said)


def _generations(dog: PedigreeDog, generation: Generation | None, said: list[Reason]) -> Hypotheses:
    """A cross named by its own word hides its generation: every one that is common, by its weight."""
    assert dog.parents is not None
    first, second = dog.parents
    back: Literal["first", "second"] = "first" if _hairiness(first) > _hairiness(second) else "second"
    if generation:
        said.append(_told("cross_in", first=first.name, second=second.name, generation=generation))
        return [(_pup(first, second, generation, back), Fraction(1))]
    said.append(_told("cross", first=first.name, second=second.name))
    weights = data_table("reliability.toml")["named_cross"]
    return [(_pup(first, second, name, back), Fraction(weights[name])) for name in GENERATIONS if name in weights]


def _pup(
    first: PedigreeDog, second: PedigreeDog, generation: Generation, back_to: Literal["first", "second"] = "second"
) -> PedigreeDog:
    mother, father = mates(first, second, generation, back_to)
    return mother.with_(father, f"{first.name} x {second.name}" + ("" if generation == "f1" else f" ({generation})"))


def _hairiness(dog: PedigreeDog) -> Fraction:
    """Expected furnishing copies: which parent a back cross is usually made to."""
    _, one, two = copies_distribution("RSPO2", dog.genome.loci["RSPO2"])
    return one + 2 * two


def _admixed(dna_breeds: Mapping[str, float], said: list[Reason]) -> PedigreeDog:
    """A dog of DNA percentages: pure, a first cross of two, or many generations of mixing."""
    table = data_table("reliability.toml")["dna_breeds"]
    total = max(100.0, sum(dna_breeds.values()))
    shares = {name: Fraction(percent).limit_denominator(1000) / Fraction(total) for name, percent in dna_breeds.items()}
    dogs = {name: _dog(name, said) for name in shares}
    largest = max(shares, key=lambda name: shares[name])
    low, high = map(Fraction, table["first_cross"])
    if shares[largest] >= _share("dna_breeds", "pure_from"):
        said.append(_told("dna_pure", first=dogs[largest].name))
        return dogs[largest]
    halves = [name for name, share in shares.items() if low <= share <= high]
    if len(halves) == 2:
        said.append(_told("dna_cross", first=dogs[halves[0]].name, second=dogs[halves[1]].name))
        return dogs[halves[0]].with_(dogs[halves[1]])
    parts = [(dogs[name], share) for name, share in shares.items()]
    rest = 1 - sum(shares.values(), Fraction(0))
    if rest > 0:
        parts.append((PedigreeDog.unknown(), rest))
    said.append(_told("dna_shares", breeds=[(dog.name, f"{100 * float(share):.0f}") for dog, share in parts]))
    loci = {}
    for locus in LOCI:
        pool: dict[str, Fraction] = {}
        for dog, share in parts:
            for name, chance in gametes(dog.genome.loci[locus]).items():
                pool[name] = pool.get(name, Fraction(0)) + share * chance
        loci[locus] = random_mating(locus, pool)
    ancestry = Ancestry.blend_of([(dog.ancestry, share) for dog, share in parts])
    return PedigreeDog("mixed by DNA test", Genome(loci), ancestry)


def _trusted(basis: Basis, dogs: Hypotheses, known_by: KnownBy | None, said: list[Reason]) -> Hypotheses:
    """Hypotheses weighted by how reliable their source is; the remaining weight goes to a dog of unknown ancestors."""
    if not dogs:
        said.append(_told("nothing"))
        return []
    if basis == "dna_breeds":
        known_by = "dna_test"
    if known_by != "guess":
        trust = _share("known_by", known_by or "told")
        return [(dog, weight * trust) for dog, weight in dogs]
    any_right, all_right, pure = (_share("guess", key) for key in ("any_right", "all_right", "pure"))
    said.append(_told("guessed"))
    found: Hypotheses = []
    for dog, weight in dogs:
        if dog.parents is None:
            outcross = dog.with_(PedigreeDog.unknown())
            found += [(dog, weight * any_right * pure), (outcross, weight * any_right * (1 - pure))]
        else:
            one = [parent.with_(PedigreeDog.unknown()) for parent in dog.parents]
            found.append((dog, weight * all_right))
            found += [(half, weight * (any_right - all_right) / 2) for half in one]
    return found


def _tested(dogs: Hypotheses, result: DnaResult) -> Hypotheses:
    """Posterior over the hypotheses given a DNA result (Bayes), with the tested loci fixed.

    The unknown dog takes the remaining weight and stays in the list, since its genes are known now.
    """
    rest = 1 - sum((weight for _, weight in dogs), Fraction(0))
    weighted = [
        (
            PedigreeDog(dog.name, result.genome(dog.genome), dog.ancestry, dog.parents),
            weight * _likelihood(dog.genome, result),
        )
        for dog, weight in [*dogs, (PedigreeDog.unknown(), rest)]
        if weight
    ]
    total = sum((weight for _, weight in weighted), Fraction(0))
    return [(dog, weight / total) for dog, weight in weighted]


def _likelihood(genome: Genome, result: DnaResult) -> Fraction:
    """P(result | genome), with a small floor: a breed may carry alleles that nobody has found in it yet."""
    floor = Fraction(1, 1000)
    chance = Fraction(1)
    for locus, pair in result.genotypes.items():
        chance *= max(floor, copies_distribution(locus, genome.loci[locus])[copies(locus, pair)])
    return chance


@dataclass(frozen=True)
class CoatPrior:
    """P(coat | ancestors, genes), never zero anywhere.

    Attributes:
        as_grown: P(category) of the adult coat left to grow, (7,) in the order of CATEGORIES.
        as_worn: P(category) as the dog wears it, (7,).
        band: P(length band) as the dog wears it, (4,) in the order of BANDS.
        strength: how much of it rests on this dog's ancestors and genes, 0 (nothing known) to 1.
        basis: what it rests on.
        explanation: why, in sentences for people.
        traits: chances of the traits on their own; None if nothing is known.
        dogs: the dogs that it may be, with their weights; the rest of the weight is a dog of unknown ancestors.
    """

    as_grown: tuple[float, ...]
    as_worn: tuple[float, ...]
    band: tuple[float, ...]
    strength: float
    basis: Basis
    explanation: tuple[Reason, ...]
    traits: TraitChances | None = None
    dogs: tuple[tuple[PedigreeDog, Fraction], ...] = ()


class AnswersLike(Protocol):
    """The fields of the questionnaire that genetics reads; each may be None or empty."""

    @property
    def breed(self) -> str | None: ...
    @property
    def parents(self) -> Sequence[str] | None: ...
    @property
    def breed_known_by(self) -> KnownBy | None: ...
    @property
    def dna_breeds(self) -> Mapping[str, float] | None: ...
    @property
    def dna_result(self) -> Mapping[str, str] | None: ...
    @property
    def last_trim_how(self) -> str | None: ...
    @property
    def age_months(self) -> float | None: ...


def prior_of(answers: AnswersLike, reading: Reading | Literal["both"] = "both") -> CoatPrior:
    """The prior from a filled-in questionnaire.

    Raises:
        GenotypeError: if the DNA result can't be read.
    """
    trim = {"clipped": True, "scissored": True, "hand_stripped": False, "never": False}
    return prior(
        breed=answers.breed,
        parents=tuple(answers.parents or ()),
        known_by=answers.breed_known_by,
        dna_breeds=answers.dna_breeds,
        dna_result=answers.dna_result,
        trimmed=trim.get(answers.last_trim_how or ""),
        age_months=answers.age_months,
        reading=reading,
    )


def prior(
    *,
    parents: Sequence[str] = (),
    breed: str | None = None,
    dna_breeds: Mapping[str, float] | None = None,
    dna_result: Mapping[str, str] | None = None,
    known_by: KnownBy | None = None,
    generation: Generation | None = None,
    trimmed: bool | None = None,
    age_months: float | None = None,
    reading: Reading | Literal["both"] = "both",
) -> CoatPrior:
    """P(coat) by the ancestors and the genes.

    A dog of one breed is what the breed table says. Of a cross, what inheritance allows is pooled with what the trade
    calls such crosses (``trade`` in ``data/reliability.toml``), as the two err for different reasons; where the genes
    were tested or the generation is known, inheritance speaks alone.
    What says most is used: percentages of a DNA test, else the parents, else the breed; a DNA result of the coat genes
    then replaces what the ancestors let expect at the loci tested.

    Args:
        parents: names of one or both parents' breeds or crosses.
        dna_breeds: percent by breed name; what is missing to 100 is unknown.
        dna_result: results by test, as laboratories print them.
        known_by: how the ancestors are known; a guess counts less (Gunter et al. 2018), None is somebody's word.
        generation: of a cross, None where nobody said.
        trimmed: whether the dog wears a trim, None where nobody said.
        age_months: a puppy's ancestors say less about the coat it wears today.

    Raises:
        GenotypeError: if the DNA result can't be read.
    """
    said: list[Reason] = []
    basis, dogs = _ancestors(parents, breed, dna_breeds, generation, said)
    trust = _trusted(basis, dogs, known_by, said)
    if dna_result:
        result = parse_results(dna_result)
        said += [_told("dna_note", note=note) for note in result.notes]
        basis, trust = "dna_result", _tested(trust, result)
        said.insert(0, _told("genes_tested", genes=", ".join(result.genotypes)))
    coat = _summed(trust, trimmed, reading)
    trade = (
        None
        if dna_result or generation
        else _trade(parents, breed, dna_breeds, dogs, known_by=known_by, trimmed=trimmed)
    )
    if trade is not None and trust:
        weight = 1.0 if basis == "breed" else float(_share("trade", "weight"))
        coat = _pooled(coat, trade, weight)
        said.append(_told("trade_of_breed" if basis == "breed" else "trade_of_cross"))
    grown, worn, band = coat
    if trust:
        said.append(_expected(grown))
    strength = float(sum(weight for _, weight in trust) * (1 - _share("unexplained", "share")))
    puppy = data_table("reliability.toml")["puppy"]
    if age_months is not None and age_months < puppy["below_months"] and trust:
        factor = float(Fraction(puppy["factor"]))
        plain = breeds.background()
        worn = tuple(factor * p + (1 - factor) * q for p, q in zip(worn, plain, strict=True))
        strength *= factor
        said.append(_told("too_young"))
    traits = _traits(trust, reading)
    return CoatPrior(grown, worn, band, strength, basis, tuple(said), traits, tuple(trust))


def _expected(grown: tuple[float, ...]) -> Reason:
    """The coats to expect, the likeliest first."""
    ranked = sorted(zip(CATEGORIES, grown, strict=True), key=lambda pair: pair[1], reverse=True)
    return _told("expected_coats", coats=[(coat, in_words(p)) for coat, p in ranked if p >= _WORTH_NAMING])


_WORTH_NAMING = 0.1
"""Chances below one in ten aren't named in an explanation; they stay in the distribution."""

_Coat = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]
"""P(category as grown), P(category as worn), P(band as worn)."""


def _trade(
    parents: Sequence[str],
    breed: str | None,
    dna_breeds: Mapping[str, float] | None,
    dogs: Hypotheses,
    *,
    known_by: KnownBy | None,
    trimmed: bool | None,
) -> _Coat | None:
    """What the breed table and its cross rules say of the same words, in the same order of precedence."""
    named: breeds.BreedMatch | tuple[str | None, ...] | dict[str, float]
    if dna_breeds:
        halves, known_by = dogs[0][0].parents, "dna_test"
        found = {breeds.find(name).id: percent for name, percent in dna_breeds.items()}
        named = tuple(half.breed for half in halves) if halves else {n: share for n, share in found.items() if n}
    elif parents:
        named = tuple(breeds.find(name).id for name in (*parents, "")[:2])
    else:
        named = breeds.find(breed or "")
    if not named or (isinstance(named, breeds.BreedMatch) and not named.known):
        return None
    return (
        breeds.category_distribution(named, known_by=known_by, trimmed=False),
        breeds.category_distribution(named, known_by=known_by, trimmed=trimmed),
        breeds.band_distribution(named, known_by=known_by, trimmed=trimmed),
    )


def _pooled(one: _Coat, other: _Coat, weight: float) -> _Coat:
    """Linear opinion pool of two coats; ``weight`` is the second one's."""
    grown, worn, band = (
        tuple((1 - weight) * p + weight * q for p, q in zip(left, right, strict=True))
        for left, right in zip(one, other, strict=True)
    )
    return grown, worn, band


def _summed(dogs: Hypotheses, trimmed: bool | None, reading: Reading | Literal["both"]) -> _Coat:
    """Expected coat over the hypotheses; the rest of the weight is the unknown dog."""
    left = 1 - sum((weight for _, weight in dogs), Fraction(0)) * (1 - _share("unexplained", "share"))
    plain, plain_band = breeds.background(), breeds.background_band()
    grown = [float(left) * p for p in plain]
    worn = [float(left) * p for p in plain]
    band = [float(left) * p for p in plain_band]
    for dog, weight in dogs:
        part = float(weight * (1 - _share("unexplained", "share")))
        coat = coat_chances(dog.genome, dog.ancestry, reading)
        dressed = as_worn(coat, trimmed)
        for place, category in enumerate(coat.category):
            grown[place] += part * float(coat.category[category])
            worn[place] += part * float(dressed.category[category])
        for place, chance in enumerate(dressed.band.values()):
            band[place] += part * float(chance)
    return tuple(grown), tuple(worn), tuple(band)


def _traits(dogs: Hypotheses, reading: Reading | Literal["both"]) -> TraitChances | None:
    if not dogs:
        return None
    dog = max(dogs, key=lambda pair: pair[1])[0]
    return trait_chances(dog.genome, reading)


def conflicts(found: CoatPrior, photo: Sequence[float]) -> Reason | None:
    """A reason if the photo puts most of its belief where the ancestors and genes put next to none, else None.

    Args:
        found: the prior.
        photo: P(category) by the photo alone, (7,) in the order of CATEGORIES.

    The limits are in ``data/reliability.toml``. A prior that rests on nothing is never contradicted.
    """
    if not found.dogs:
        return None
    limit, least = _share("conflict", "ancestry_below"), _share("conflict", "photo_at_least")
    against = [place for place, chance in enumerate(found.as_worn) if chance < limit]
    if sum(photo[place] for place in against) < least:
        return None
    seen = CATEGORIES[max(against, key=lambda place: photo[place])]
    expected = CATEGORIES[max(range(len(CATEGORIES)), key=lambda place: found.as_worn[place])]
    return reason("genes_against_photo", photo=seen, expected=expected)
