"""Simulated owners: what each dog's coat would make them answer, wrong answers and skipped questions included.

Every number that rests on this module is called simulated. There are no real answers yet.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coatclass import answers as questionnaire
from coatclass.ensemble._fusion import answer_table
from coatclass.ensemble._members import N_BANDS, N_CATEGORIES, Array
from coatclass.taxonomy import BANDS, CATEGORIES
from training.ensemble._data import UNKNOWN, Dataset

__all__ = ["askable", "draw_owners", "simulate"]


def askable() -> tuple[str, ...]:
    """The questions that are simulated: those with a table P(answer | category, band). Breed and length are left out.

    The annotators knew the recorded breed, and the bands are their labels: simulating either would leak the truth.
    """
    return tuple(
        question.id
        for question in questionnaire.questions()
        if questionnaire.outcomes(question.id) and question.id != "trunk_length_mm"
    )


def simulate(data: Dataset, rng: np.random.Generator, error_rates: Array, asked: Sequence[Sequence[str]]) -> Array:
    """Log likelihood tables (N, 7, 4) of simulated answers, one owner a photo.

    Args:
        error_rates: (N,) the share of an owner's answers that is drawn at random.
        asked: for each owner the questions that are answered; none gives a table of zeros.
    """
    tables = np.zeros((len(data), N_CATEGORIES, N_BANDS))
    for row in range(len(data)):
        if not asked[row]:
            continue
        category = CATEGORIES[int(data.category[row])]
        band = int(data.band[row]) if data.band[row] != UNKNOWN else _band_of(data, row, rng)
        answers = questionnaire.simulate(category, BANDS[band], rng, error_rate=float(error_rates[row]), ask=asked[row])
        tables[row] = answer_table(questionnaire.evidence(answers).log_likelihood)
    return tables


def _band_of(data: Dataset, row: int, rng: np.random.Generator) -> int:
    """A length for a photo on which nobody saw one: drawn from the other photos of its category."""
    known = data.band[(data.category == data.category[row]) & (data.band != UNKNOWN)]
    return int(rng.choice(known))


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
