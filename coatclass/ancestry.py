"""What crosses and tested genes say, in the form that the ensemble and the decision take.

A dog of one breed needs none of this: the answers room looks its breed up. The genetics room is loaded only for a
cross, a parent, percentages of a DNA test, or a result of the coat genes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from coatclass import breeds
from coatclass.answers import Answers
from coatclass.contract import CoatEstimate, Decision, Reason, Verdict

if TYPE_CHECKING:
    from coatclass.genetics import CoatPrior

__all__ = ["Inherited", "of", "weigh"]

_GROWN_MONTHS = 12  # before that a coat's length is a puppy's, whatever the parents wear
_LEAST = 1e-9


@dataclass(frozen=True)
class Inherited:
    """A prior from ancestors or genes, and its log-likelihoods (7, 4) against a dog of which nothing is known."""

    prior: CoatPrior
    table: tuple[tuple[float, ...], ...]


def of(answers: Answers) -> Inherited | None:
    """What inheritance says about this dog; None if nobody named ancestors of more than one breed, nor genes.

    Raises:
        GenotypeError: if a DNA result can't be read.
    """
    if not (answers.dna_result or answers.dna_breeds or answers.parents or _is_cross(answers.breed)):
        return None
    from coatclass.genetics import prior_of

    prior = prior_of(answers)
    if not prior.dogs:
        return None
    category = _ratio(prior.as_worn, breeds.background())
    grown = answers.age_months is None or answers.age_months >= _GROWN_MONTHS
    band = _ratio(prior.band, breeds.background_band()) if grown else (0.0,) * len(prior.band)
    return Inherited(prior, tuple(tuple(row + column for column in band) for row in category))


def weigh(decided: Decision, inherited: Inherited, estimate: CoatEstimate) -> Decision:
    """Add what inheritance says to the reasons; where it contradicts the photo, hands must decide."""
    if estimate.regime == "hands_on":
        return decided
    said = Reason(code="ancestry", text=" ".join(inherited.prior.explanation))
    if estimate.by_photo is not None:
        from coatclass.genetics import conflicts

        conflict = conflicts(inherited.prior, estimate.by_photo)
        if conflict is not None:
            return replace(decided, verdict=Verdict.HANDS_ON, reasons=(conflict, *decided.reasons, said))
    return replace(decided, reasons=(*decided.reasons, said))


def _is_cross(breed: str | None) -> bool:
    if not breed:
        return False
    found = breeds.find(breed)
    if found.id is None:
        return any(found.parents)
    return breeds.facts(found.id).kind == "cross"


def _ratio(probabilities: tuple[float, ...], background: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(math.log(max(p, _LEAST) / max(b, _LEAST)) for p, b in zip(probabilities, background, strict=True))
