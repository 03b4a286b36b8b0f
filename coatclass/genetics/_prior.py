"""What the ancestors and the genes say about a dog's coat, as a prior for the ensemble; conflict with a photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Protocol

from coatclass import breeds
from coatclass.contract import Reason
from coatclass.genetics._ancestors import Basis, Hypotheses, KnownBy, ancestors, share, tested, trusted
from coatclass.genetics._category import as_worn, coat_chances
from coatclass.genetics._litter import Dog, Generation
from coatclass.genetics._loci import data_table
from coatclass.genetics._notation import parse_results
from coatclass.genetics._phenotype import Reading, TraitChances, trait_chances
from coatclass.genetics._words import chance_words
from coatclass.taxonomy import CATEGORIES, category_label

__all__ = ["Basis", "CoatPrior", "KnownBy", "conflicts", "prior", "prior_of"]


@dataclass(frozen=True)
class CoatPrior:
    """P(coat | ancestors, genes), never zero anywhere.

    Attributes:
        as_grown: P(category) of the adult coat left to grow, (7,) in the order of CATEGORIES.
        as_worn: P(category) as the dog wears it, (7,).
        band: P(length band) as the dog wears it, (4,) in the order of BANDS.
        strength: how much of it comes from this dog's ancestors and genes, 0 (nothing known) to 1.
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
    explanation: tuple[str, ...]
    traits: TraitChances | None = None
    dogs: tuple[tuple[Dog, Fraction], ...] = ()


class AnswersLike(Protocol):
    """The questionnaire's fields that this room reads; each may be None or empty."""

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
    said: list[str] = []
    basis, dogs = ancestors(parents, breed, dna_breeds, generation, said)
    trust = trusted(basis, dogs, known_by, said)
    if dna_result:
        result = parse_results(dna_result)
        said += [f"DNA: {note}" for note in result.notes]
        basis, trust = "dna_result", tested(trust, result)
        said.insert(0, f"The coat genes were tested: {', '.join(result.genotypes)}.")
    coat = _summed(trust, trimmed, reading)
    trade = (
        None
        if dna_result or generation
        else _trade(parents, breed, dna_breeds, dogs, known_by=known_by, trimmed=trimmed)
    )
    if trade is not None and trust:
        weight = 1.0 if basis == "breed" else float(share("trade", "weight"))
        coat = _pooled(coat, trade, weight)
        said.append(_TRADE_WORDS[basis == "breed"])
    grown, worn, band = coat
    if trust:
        said.append(_expected(grown))
    strength = float(sum(weight for _, weight in trust) * (1 - share("unexplained", "share")))
    puppy = data_table("reliability.toml")["puppy"]
    if age_months is not None and age_months < puppy["below_months"] and trust:
        factor = float(Fraction(puppy["factor"]))
        plain = breeds.background()
        worn = tuple(factor * p + (1 - factor) * q for p, q in zip(worn, plain, strict=True))
        strength *= factor
        said.append("The dog is too young to wear its adult coat: this says what will come more than what is there.")
    traits = _traits(trust, reading)
    return CoatPrior(grown, worn, band, strength, basis, tuple(said), traits, tuple(trust))


def _expected(grown: tuple[float, ...]) -> str:
    """The coats to expect, in words, the likeliest first."""
    ranked = sorted(zip(CATEGORIES, grown, strict=True), key=lambda pair: pair[1], reverse=True)
    named = [f"{category_label(coat).lower()} ({chance_words(p)})" for coat, p in ranked if p >= _WORTH_NAMING]
    return f"Grown up and untrimmed, this lets expect: {', '.join(named)}."


_WORTH_NAMING = 0.1
"""Chances below one in ten aren't named in an explanation; they stay in the distribution."""

_Coat = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]
"""P(category as grown), P(category as worn), P(band as worn)."""

_TRADE_WORDS = (
    "What inheritance allows and what the trade calls such crosses count alike.",
    "A breed's own coat is better known than its genes: the breed table speaks.",
)


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
    """The mean of two coats, the other one by its weight."""
    grown, worn, band = (
        tuple((1 - weight) * p + weight * q for p, q in zip(left, right, strict=True))
        for left, right in zip(one, other, strict=True)
    )
    return grown, worn, band


def _summed(dogs: Hypotheses, trimmed: bool | None, reading: Reading | Literal["both"]) -> _Coat:
    """The coat over all dogs that this one may be; the rest of the weight is the unknown dog."""
    left = 1 - sum((weight for _, weight in dogs), Fraction(0)) * (1 - share("unexplained", "share"))
    plain, plain_band = breeds.background(), breeds.background_band()
    grown = [float(left) * p for p in plain]
    worn = [float(left) * p for p in plain]
    band = [float(left) * p for p in plain_band]
    for dog, weight in dogs:
        part = float(weight * (1 - share("unexplained", "share")))
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
    limit, least = share("conflict", "ancestry_below"), share("conflict", "photo_at_least")
    against = [place for place, chance in enumerate(found.as_worn) if chance < limit]
    if sum(photo[place] for place in against) < least:
        return None
    seen = CATEGORIES[max(against, key=lambda place: photo[place])]
    expected = CATEGORIES[max(range(len(CATEGORIES)), key=lambda place: found.as_worn[place])]
    return Reason(
        code="genes_against_photo",
        text=(
            f"The photo looks like {category_label(seen).lower()}, which the ancestors or genes make unlikely; "
            f"they let expect {category_label(expected).lower()}. One of them is wrong: have a groomer touch the coat."
        ),
    )
