"""Simulated owners: what each dog's coat would make them answer, wrong answers and skipped questions included.

Every number that rests on this module is called simulated. There are no real answers yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from coatclass import answers as questionnaire
from coatclass.ensemble._fusion import answer_table
from coatclass.ensemble._members import N_BANDS, N_CATEGORIES, Array
from coatclass.taxonomy import BANDS, CATEGORIES
from training.ensemble._data import UNKNOWN, Dataset

__all__ = ["askable", "draw_dogs", "draw_owners", "known_bands", "simulate"]


def askable() -> tuple[str, ...]:
    """The questions that are simulated: those with a table P(answer | category, band). Breed and length are left out.

    The annotators knew the recorded breed, and the bands are their labels: simulating either would leak the truth.
    """
    return tuple(
        question.id
        for question in questionnaire.questions()
        if questionnaire.outcomes(question.id) and question.id != "trunk_length_mm"
    )


def simulate(
    category: Any, band: Any, rng: np.random.Generator, error_rates: Array, asked: Sequence[Sequence[str]]
) -> Array:
    """Log likelihood tables (N, 7, 4) of simulated answers, one owner a dog.

    Args:
        category, band: (N,) the dogs' coats, as places in the taxonomy.
        error_rates: (N,) the share of an owner's answers that is drawn at random.
        asked: for each owner the questions that are answered; none gives a table of zeros.
    """
    tables = np.zeros((len(category), N_CATEGORIES, N_BANDS))
    for row, (coat, length) in enumerate(zip(category, band, strict=True)):
        if not asked[row]:
            continue
        answers = questionnaire.simulate(
            CATEGORIES[int(coat)], BANDS[int(length)], rng, error_rate=float(error_rates[row]), ask=asked[row]
        )
        tables[row] = answer_table(questionnaire.evidence(answers).log_likelihood)
    return tables


def known_bands(data: Dataset, rng: np.random.Generator) -> Any:
    """Bands (N,); where nobody saw one, it is drawn from the other photos of the category."""
    bands = data.band.copy()
    for row in np.flatnonzero(bands == UNKNOWN):
        bands[row] = rng.choice(data.band[(data.category == data.category[row]) & (data.band != UNKNOWN)])
    return bands


def draw_dogs(n: int, rng: np.random.Generator, prior: Array) -> tuple[Any, Any]:
    """Categories and bands (N,) of dogs drawn from the prior, log P(category, band) (7, 4)."""
    cells = rng.choice(prior.size, size=n, p=np.exp(prior).ravel() / np.exp(prior).sum())
    return np.divmod(cells, N_BANDS)


def draw_owners(
    n: int, rng: np.random.Generator, error_rates: Sequence[float], answered: Sequence[float]
) -> tuple[Array, list[tuple[str, ...]]]:
    """Owners: an error rate each, and a random share of the questions (at least one)."""
    questions = askable()
    rates = rng.choice(np.asarray(error_rates, dtype=np.float64), size=n)
    asked = []
    for share in rng.uniform(*answered, size=n):
        count = max(1, round(float(share) * len(questions)))
        chosen = set(rng.choice(len(questions), size=count, replace=False).tolist())
        asked.append(tuple(question for place, question in enumerate(questions) if place in chosen))
    return rates, asked
