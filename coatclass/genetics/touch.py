"""What to feel for on a doubtful coat: which touch tells the candidates apart best, and what it then says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from coatclass.contract import ToFeel, Triage, Who
from coatclass.contract import Touch as Allowed
from coatclass.errors import InputError
from coatclass.genetics.loci import data_table
from coatclass.taxonomy import CATEGORIES, BodyZone, CoatCategory
from coatclass.words import catalogue

__all__ = [
    "RankedTouch",
    "TouchTest",
    "not_for_hand_stripping",
    "outcome_words",
    "rank_touches",
    "to_feel",
    "touch_words",
    "touches",
    "update",
]


def not_for_hand_stripping(language: str = "en") -> str:
    """The trade's rule for mixed coats (common practice, no source)."""
    return catalogue(language, "visit").say("bench.not_for_hand_stripping")


@dataclass(frozen=True)
class TouchTest:
    """One thing to feel for.

    Attributes:
        zones: where; needs: eyes, hands or comb.
        outcomes: P(outcome | category) by outcome, (7,) each in the order of CATEGORIES.
    """

    id: str
    zones: tuple[BodyZone, ...]
    needs: Literal["eyes", "hands", "comb"]
    outcomes: Mapping[str, tuple[float, ...]]
    source: str

    @property
    def ask(self) -> str:
        """The question in English; :func:`touch_words` has every language."""
        return touch_words(self.id)[0]

    @property
    def feel(self) -> str:
        """How to feel, in English."""
        return touch_words(self.id)[1]


@dataclass(frozen=True)
class RankedTouch:
    """A touch worth making on this dog, with the information it is expected to give.

    Attributes:
        bits: expected information about the category, bits.
        would_say: P(category) after each outcome, (7,) each.
        chance: probability of each outcome on this dog.
    """

    touch: TouchTest
    bits: float
    chance: Mapping[str, float]
    would_say: Mapping[str, tuple[float, ...]]


@cache
def touches() -> tuple[TouchTest, ...]:
    """All touches (``data/touches.toml``)."""
    table = data_table("touches.toml")
    order = [table["categories"].index(str(category)) for category in CATEGORIES]
    return tuple(
        TouchTest(
            id=name,
            zones=tuple(BodyZone(zone) for zone in row["zones"]),
            needs=row["needs"],
            outcomes={outcome: tuple(shares[place] for place in order) for outcome, shares in row["outcomes"].items()},
            source=table["source"],
        )
        for name, row in table["finding"].items()
    )


def touch_words(touch: str, language: str = "en") -> tuple[str, str]:
    """The question behind a touch, and how to make it."""
    texts = catalogue(language, "visit")
    return texts.say(f"touch.{touch}.ask"), texts.say(f"touch.{touch}.feel")


def outcome_words(touch: str, outcome: str, language: str = "en") -> str:
    """The outcome of a touch, in a word or two."""
    return catalogue(language, "visit").say(f"touch.{touch}.outcome.{outcome}")


def to_feel(probabilities: Mapping[CoatCategory, float], cleared: Triage | None = None) -> tuple[ToFeel, ...]:
    """The touches that together are expected to tell most about a doubtful coat, the best first; three at most.

    Chosen one after the other: each is the one with the highest expected information given what those before it may
    have said. None is proposed where a vet has to look first.

    Args:
        probabilities: of the coats still possible; they need not sum to 1.
        cleared: what may be done with the dog; None if nobody asked.
    """
    total = sum(probabilities.values())
    if total <= 0:
        return ()
    start = tuple(probabilities.get(one, 0.0) / total for one in CATEGORIES)
    rule = data_table("touches.toml")["feel"]
    open_ = [touch for touch in touches() if _may(touch, cleared)]
    beliefs: list[tuple[float, tuple[float, ...]]] = [(1.0, start)]
    chosen: list[TouchTest] = []
    while open_ and len(chosen) < rule["most"]:
        bits, _, best = max(
            (sum(p * _judge(then, touch).bits for p, then in beliefs), -number, touch)
            for number, touch in enumerate(open_)
        )
        if bits < rule["least_bits"]:
            break
        chosen.append(best)
        open_.remove(best)
        beliefs = [
            (p * found.chance[outcome], said)
            for p, then in beliefs
            for found in (_judge(then, best),)
            for outcome, said in found.would_say.items()
        ]
    return tuple(ToFeel(touch=one.id, zones=one.zones, says=_coats_after(start, one)) for one in chosen)


def _may(touch: TouchTest, cleared: Triage | None) -> bool:
    """Whether a groomer may make the touch: not on a dog or a place that a vet must see first, no comb through felt."""
    if cleared is None or touch.needs == "eyes":
        return True
    if cleared.first is Who.VET and not cleared.session.open:
        return False
    places = {one.zone: one for one in cleared.zones if one.zone in touch.zones}
    return all(
        one.first is not Who.VET and not (touch.needs == "comb" and one.touch is Allowed.NOTHING)
        for one in places.values()
    )


def _coats_after(start: Sequence[float], touch: TouchTest) -> dict[str, tuple[CoatCategory, ...]]:
    """The coats left after each outcome, likeliest first, up to the share that a verdict asks for."""
    share = data_table("touches.toml")["verdict"]["set"]
    said = {}
    for outcome, then in _judge(start, touch).would_say.items():
        ranked = sorted(zip(then, CATEGORIES, strict=True), key=lambda pair: -pair[0])
        held, coats = 0.0, []
        for p, coat in ranked:
            if held >= share:
                break
            coats.append(coat)
            held += p
        said[outcome] = tuple(coats)
    return said


def rank_touches(distribution: Sequence[float], done: Sequence[str] = ()) -> tuple[RankedTouch, ...]:
    """Touches ordered by how much each is expected to tell about this dog, the best first.

    Args:
        distribution: P(category), (7,).
        done: ids of touches already made.

    Source of the order: mutual information between outcome and category (Shannon 1948).
    """
    found = [_judge(distribution, touch) for touch in touches() if touch.id not in done]
    return tuple(sorted(found, key=lambda finding: finding.bits, reverse=True))


def _judge(distribution: Sequence[float], touch: TouchTest) -> RankedTouch:
    joint = {outcome: _times(distribution, shares) for outcome, shares in touch.outcomes.items()}
    chance = {outcome: sum(values) for outcome, values in joint.items()}
    after = {outcome: tuple(value / p for value in joint[outcome]) for outcome, p in chance.items() if p > 0}
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
    joint = _times(distribution, known[touch][outcome])
    total = sum(joint)
    return tuple(value / total for value in joint) if total else tuple(distribution)


def _times(distribution: Sequence[float], shares: Sequence[float]) -> list[float]:
    return [p * q for p, q in zip(distribution, shares, strict=True)]
