"""What names and tested genes say about a coat, in the form that ensemble and decision expect.

One breed is looked up in the breed table. The genetics room is loaded only for a cross, a parent, percentages of a DNA
test, or a result of the coat genes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from coatclass import breeds
from coatclass.answers import Answers, grown_up
from coatclass.contract import Reason
from coatclass.taxonomy import BANDS

if TYPE_CHECKING:
    from coatclass.genetics import CoatPrior

__all__ = ["Inherited", "conflict", "names_cross", "of"]

_LEAST = 1e-9  # later evidence could never overcome a probability of 0
Vector = tuple[float, ...]


@dataclass(frozen=True)
class Inherited:
    """What names or genes say about the coat.

    Attributes:
        table: log P(coat | names, genes) - log P(coat), 7 rows (category) of 4 (band).
        cross: somebody named a cross, in whatever words, so that a mixed coat stays possible.
        proven: papers or a test of the genes say so.
        prior: what inheritance says of a cross or of tested genes; None for one breed, or if no parent is known.
    """

    table: tuple[Vector, ...] | None
    cross: bool
    proven: bool = False
    prior: CoatPrior | None = None


def of(answers: Answers) -> Inherited | None:
    """What is known of this dog's ancestors and genes; None if nobody named any that say something.

    The band of a puppy is left out: ancestors tell lengths of grown dogs.

    Raises:
        GenotypeError: if a DNA result can't be read.
    """
    cross = names_cross(answers)
    if answers.dna_result or answers.dna_breeds or answers.parents or cross:
        from coatclass.genetics import prior_of

        prior = prior_of(answers)
        if prior.dogs:
            return Inherited(_table(prior.as_worn, prior.band, answers), cross, _proven(answers), prior)
    named = _named(answers)
    if named is None:
        return Inherited(None, cross) if cross else None
    category = breeds.category_distribution(named, known_by=answers.breed_known_by)
    band = breeds.band_distribution(named, known_by=answers.breed_known_by)
    return Inherited(_table(category, band, answers), cross, _proven(answers))


def _proven(answers: Answers) -> bool:
    return bool(answers.dna_breeds or answers.dna_result) or answers.breed_known_by in ("papers", "dna_test")


def names_cross(answers: Answers) -> bool:
    """Whether anybody named a cross: parents or shares of several breeds, a portmanteau, "poodle cross", "mongrel"."""
    parents = {_who(name) for name in answers.parents or ()}
    several = answers.dna_breeds is not None and not _all_of_one(answers.dna_breeds)
    return len(parents) > 1 or several or any(map(_is_cross, filter(None, (answers.breed, *(answers.parents or ())))))


def _who(name: str) -> str:
    """A parent's breed; its name where it can't be read; nothing where nobody knows."""
    return "" if breeds.says_nothing(name) else breeds.find(name).id or breeds.normalise(name)


def _all_of_one(shares: Mapping[str, float]) -> bool:
    """Whether a DNA test names one breed only, with a share high enough to count as pure."""
    from coatclass.genetics import pure_from

    named = [share for share in shares.values() if share > 0]
    return not named or (len(named) == 1 and named[0] >= 100 * pure_from())


def conflict(inherited: Inherited, by_photo: Vector) -> Reason | None:
    """A reason if the photo shows a coat that the ancestors or genes make all but impossible, else None."""
    if inherited.prior is None:
        return None
    from coatclass.genetics import conflicts

    return conflicts(inherited.prior, by_photo)


def _is_cross(name: str) -> bool:
    return breeds.find(name).is_cross or breeds.says_cross(name)


def _table(category: Vector, band: Vector, answers: Answers) -> tuple[Vector, ...]:
    by_category = _ratio(category, breeds.background())
    by_band = _ratio(band, breeds.background_band()) if grown_up(answers) else (0.0,) * len(BANDS)
    return tuple(tuple(row + column for column in by_band) for row in by_category)


def _named(answers: Answers) -> dict[str, float] | tuple[str | None, ...] | None:
    """Breed ids in the form that the breeds room takes; None if it knows none of the names."""
    if answers.dna_breeds:
        shares: dict[str, float] = {}
        for text, share in answers.dna_breeds.items():
            found = breeds.find(text).id
            if found is not None:
                shares[found] = shares.get(found, 0.0) + share
        return shares or None
    if answers.parents:
        ids = tuple(breeds.find(text).id for text in answers.parents)
        both = ids if len(ids) > 1 else (*ids, None)
        return both if any(both) else None
    if answers.breed is None:
        return None
    match = breeds.find(answers.breed)
    known = (match.id,) if match.id else tuple(match.parents)
    return known if any(known) else None


def _ratio(probabilities: Vector, background: Vector) -> Vector:
    return tuple(math.log(max(p, _LEAST) / max(b, _LEAST)) for p, b in zip(probabilities, background, strict=True))
