"""What to feel for on a doubtful coat: which touch tells the candidates apart best, and what it then says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from coatclass.errors import InputError
from coatclass.genetics.loci import data_table
from coatclass.taxonomy import CATEGORIES

__all__ = [
    "NOT_FOR_HAND_STRIPPING",
    "RankedTouch",
    "Touch",
    "rank_touches",
    "touches",
    "update",
]

NOT_FOR_HAND_STRIPPING = (
    "A mixed coat is not for hand-stripping, clipping doesn't alter it, and each such dog needs its own tools."
)
"""The trade's rule for mixed coats (common practice, no source)."""


@dataclass(frozen=True)
class Touch:
    """One thing to feel for.

    Attributes:
        outcomes: P(outcome | category) by outcome, (7,) each in the order of CATEGORIES.
    """

    id: str
    ask: str
    feel: str
    outcomes: Mapping[str, tuple[float, ...]]
    source: str


@dataclass(frozen=True)
class RankedTouch:
    """A touch worth doing on this dog, with the information it is expected to bring.

    Attributes:
        bits: expected information about the category, bits.
        would_say: P(category) after each outcome, (7,) each.
        chance: probability of each outcome on this dog.
    """

    touch: Touch
    bits: float
    chance: Mapping[str, float]
    would_say: Mapping[str, tuple[float, ...]]


@cache
def touches() -> tuple[Touch, ...]:
    """All touches (``data/touches.toml``)."""
    table = data_table("touches.toml")
    order = [table["categories"].index(str(category)) for category in CATEGORIES]
    return tuple(
        Touch(
            id=name,
            ask=row["ask"],
            feel=row["feel"],
            outcomes={outcome: tuple(shares[place] for place in order) for outcome, shares in row["outcomes"].items()},
            source=table["source"],
        )
        for name, row in table["finding"].items()
    )


def rank_touches(distribution: Sequence[float], done: Sequence[str] = ()) -> tuple[RankedTouch, ...]:
    """Touches ordered by how much each is expected to tell about this dog, the best first.

    Args:
        distribution: P(category), (7,).
        done: ids of touches already made.

    Source of the order: mutual information between outcome and category (Shannon 1948).
    """
    found = [_judge(distribution, touch) for touch in touches() if touch.id not in done]
    return tuple(sorted(found, key=lambda finding: finding.bits, reverse=True))


def _judge(distribution: Sequence[float], touch: Touch) -> RankedTouch:
    chance = {
        outcome: sum(p * q for p, q in zip(distribution, shares, strict=True))
        for outcome, shares in touch.outcomes.items()
    }
    after = {outcome: update(distribution, touch.id, outcome) for outcome, p in chance.items() if p > 0}
    bits = _entropy(distribution) - sum(chance[outcome] * _entropy(after[outcome]) for outcome in after)
    return RankedTouch(touch, max(bits, 0.0), chance, after)


def _entropy(distribution: Sequence[float]) -> float:
    return -sum(p * math.log2(p) for p in distribution if p > 0)


def update(distribution: Sequence[float], touch: str, outcome: str) -> tuple[float, ...]:
    """P(category) after a touch finding (Bayes), (7,).

    Raises:
        InputError: unknown touch or outcome (code ``unknown_finding``).
    """
    known = {row.id: row.outcomes for row in touches()}
    if touch not in known or outcome not in known[touch]:
        choices = ", ".join(known[touch]) if touch in known else ", ".join(known)
        raise InputError(
            f"finding '{touch}: {outcome}'", "is not on the bench.", f"Use one of: {choices}.", code="unknown_finding"
        )
    joint = [p * q for p, q in zip(distribution, known[touch][outcome], strict=True)]
    total = sum(joint)
    return tuple(value / total for value in joint) if total else tuple(distribution)
