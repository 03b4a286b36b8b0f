"""Simulated answers: what owners might say about a dog whose coat is known. Never real answers; called simulated."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from coatclass.answers._answers import Answers
from coatclass.answers._questions import question
from coatclass.answers.likelihoods import LENGTH, closed_limits, likelihood, outcomes, reliability, tabled_questions
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, measuring_error

if TYPE_CHECKING:
    from numpy.random import Generator

__all__ = ["simulate"]


def simulate(
    category: CoatCategory | str,
    band: LengthBand | str,
    rng: Generator,
    *,
    error_rate: float = 0.0,
    ask: Iterable[str] | None = None,
) -> Answers:
    """Draw simulated answers for a dog of this coat from the tables of ``data/likelihood.csv``.

    Answers of a correlated group are drawn with a common random number, at the group's rho. The trunk length is a true
    length, log-uniform in the band, read by ruler with the ruler's error.

    Args:
        category, band: the dog's coat.
        rng: numpy random generator; the same state gives the same answers.
        error_rate: probability, [0, 1], that an answer is replaced by one drawn evenly (a length: anywhere).
        ask: questions to answer; None for all that are evidence. The others are skipped.

    Raises:
        ValueError: if a question is no evidence or ``error_rate`` lies outside [0, 1].
    """
    if not 0 <= error_rate <= 1:
        raise ValueError(f"error_rate must lie from 0 to 1, not {error_rate}")
    asked = set((*tabled_questions(), LENGTH) if ask is None else ask)
    unknown = asked - {*tabled_questions(), LENGTH}
    if unknown:
        raise ValueError(f"no table to simulate answers to {', '.join(sorted(unknown))}")
    row, column = CATEGORIES.index(CoatCategory(category)), BANDS.index(LengthBand(band))
    common = {name: (float(rng.random()), float(group["rho"])) for name, group in reliability()["group"].items()}
    drawn: dict[str, Any] = {}
    for name in tabled_questions():
        if name in asked:
            wrong = rng.random() < error_rate
            drawn[name] = _any(outcomes(name), rng) if wrong else _choice(name, (row, column), rng, common)
    if LENGTH in asked:
        drawn |= {LENGTH: _length(BANDS[column], rng, error_rate), "trunk_length_by": "ruler"}
    return Answers(**drawn)


def _choice(name: str, cell: tuple[int, int], rng: Generator, common: dict[str, tuple[float, float]]) -> Any:
    """One answer by its table, at a random level of the answers laid end to end in their group's order."""
    answers = list(outcomes(name))
    level = float(rng.random())
    for group, (shared, rho) in common.items():
        order = reliability()["group"][group]["order"].get(name)
        if order:
            answers.sort(key=lambda answer: order.index(str(answer).lower()))
            if rng.random() < math.sqrt(rho):  # both of a pair share the number with probability rho
                level = shared
    for answer in answers:
        level -= likelihood(name, answer)[cell[0]][cell[1]]
        if level < 0:
            return answer
    return answers[-1]


def _any(answers: tuple[Any, ...], rng: Generator) -> Any:
    return answers[int(rng.integers(len(answers)))]


def _length(band: LengthBand, rng: Generator, error_rate: float) -> float:
    model, spec = reliability()["length"], question(LENGTH)
    lower, upper = closed_limits(band)
    if rng.random() < error_rate:
        lower, upper = model["shortest_mm"], model["longest_mm"]
    read = math.exp(rng.uniform(math.log(lower), math.log(upper)) + rng.normal(0, measuring_error("ruler")))
    return round(min(max(read, spec.minimum or 0), spec.maximum or math.inf), 1)
