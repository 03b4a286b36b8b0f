"""The bench for doubtful coats: from the estimate through the touches so far to the next one worth making."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel, Field

from app.language import spoken
from coatclass.contract import Assessment
from coatclass.genetics import RankedTouch, not_for_hand_stripping, rank_touches, touch_words, touches, update
from coatclass.taxonomy import CATEGORIES, CoatCategory


class Touches(BaseModel):
    """Touches made so far: the outcome of each by its id, in the order of making."""

    outcomes: dict[str, str] = Field(default_factory=dict, max_length=20)


class NextTouch(BaseModel):
    """A touch worth making: what to ask, how to feel, what may come of it, and what that would say."""

    id: str
    ask: str
    feel: str
    bits: float
    outcomes: dict[str, CoatCategory]


class Bench(BaseModel):
    """P(category) after the touches, the category that leads, and the touches still open, the best first."""

    probabilities: dict[CoatCategory, float]
    best: CoatCategory
    open: list[NextTouch]
    advice: str


def bench_of(assessment: Assessment, outcomes: Mapping[str, str]) -> Bench:
    """The bench as it stands, in the words of whoever asks; without an estimate every coat is as likely as any other.

    Raises:
        InputError: ``unknown_finding``.
    """
    start = {one: 1 / len(CATEGORIES) for one in CATEGORIES}
    if assessment.category is not None and assessment.regime != "hands_on":
        start = assessment.category.probabilities
    distribution = tuple(start.get(one, 0.0) for one in CATEGORIES)
    for touch, outcome in outcomes.items():
        distribution = update(distribution, touch, outcome)
    probabilities = dict(zip(CATEGORIES, distribution, strict=True))
    best = max(CATEGORIES, key=probabilities.__getitem__)
    return Bench(
        probabilities=probabilities,
        best=best,
        open=[_next(one) for one in rank_touches(distribution, done=tuple(outcomes))],
        advice=not_for_hand_stripping(spoken()) if best is CoatCategory.MIXED else "",
    )


def _next(found: RankedTouch) -> NextTouch:
    would = {
        outcome: max(CATEGORIES, key=dict(zip(CATEGORIES, said, strict=True)).__getitem__)
        for outcome, said in found.would_say.items()
    }
    ask, feel = touch_words(found.touch.id, spoken())
    return NextTouch(id=found.touch.id, ask=ask, feel=feel, bits=round(found.bits, 3), outcomes=would)


def finding_of(outcomes: Mapping[str, str]) -> dict[str, str]:
    """Fields of a hands-on finding that touches have answered already."""
    named = {touch.id for touch in touches()}
    return {name: outcomes[name] for name in ("undercoat", "texture") if name in named and name in outcomes}
