"""What owners answer: observed on the photos where an eye can, simulated where it can't.

Observed: a vision-language model answered three of the owner's questions from each picture, without sight of labels or
breed. No owner did; real ones will err more and otherwise. Whatever else is asked is drawn from stated tables and is
called simulated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from sklearn.model_selection import GroupKFold

from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.ensemble.fusion import answer_table
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, Array
from coatclass.taxonomy import BANDS, CATEGORIES
from training.ensemble.data import UNKNOWN, VISIBLE, Dataset, Ints

__all__ = [
    "Rows",
    "answers_of",
    "askable",
    "count_rows",
    "cross_counted",
    "draw_dogs",
    "draw_owners",
    "known_bands",
    "observed",
    "tables",
]

Rows = Mapping[str, Mapping[Any, Array]]
"""P(answer | category, band) by question and answer, (7, 4)."""


# --- rows counted on observed answers -------------------------------------------------------------------------------


def count_rows(data: Dataset, worth: float) -> Rows:
    """Rows of the visible questions: what was counted, shrunk to what is stated.

    Two levels of Dirichlet shrinkage (Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 5): each category's row lies
    between the stated one and the counts of the category; each length of a category, between that and its own counts.
    ``worth`` is what the upper level weighs on each, in dogs. Pictures that show several dogs or a part count half.
    """
    return {question: _counted(data, place, question, worth) for place, question in enumerate(VISIBLE)}


def _counted(data: Dataset, place: int, question: str, worth: float) -> dict[Any, Array]:
    outcomes = questionnaire.outcomes(question)
    stated = np.array([questionnaire.stated(question, answer) for answer in outcomes])  # (K, 7, 4)
    counts, of_category = np.zeros_like(stated), np.zeros(stated.shape[:2])
    answered = np.flatnonzero(data.observed[:, place] != UNKNOWN)
    given = data.observed[answered, place]
    np.add.at(of_category, (given, data.category[answered]), data.observed_weight[answered])
    measured = answered[data.band[answered] != UNKNOWN]
    cells = (data.observed[measured, place], data.category[measured], data.band[measured])
    np.add.at(counts, cells, data.observed_weight[measured])
    lengths = counts.sum(axis=0) + 0.5
    typical = (stated * (lengths / lengths.sum(axis=1, keepdims=True))).sum(axis=2)  # (K, 7)
    category = (worth * typical + of_category) / (worth + of_category.sum(axis=0))
    shifted = stated * (category / typical)[:, :, None]
    shifted /= shifted.sum(axis=0)
    rows = (worth * shifted + counts) / (worth + counts.sum(axis=0))
    return dict(zip(outcomes, rows, strict=True))


def cross_counted(pool: Dataset, worth: float, folds: int = 5) -> list[Rows]:
    """For each dog (N,) rows that were counted without any dog of its breed."""
    rows: list[Rows] = [{}] * len(pool)
    several = len(set(pool.breed.tolist())) >= folds
    for learn, held_out in GroupKFold(folds).split(pool.texture, groups=pool.breed if several else pool.group):
        counted = count_rows(pool.take(learn), worth)
        for row in held_out.tolist():
            rows[row] = counted
    return rows


# --- answers --------------------------------------------------------------------------------------------------------


def observed(data: Dataset, row: int) -> dict[str, Any]:
    """What the observer answered about one dog; what can't be seen is missing."""
    return {
        question: questionnaire.outcomes(question)[data.observed[row, place]]
        for place, question in enumerate(VISIBLE)
        if data.observed[row, place] != UNKNOWN
    }


def askable() -> tuple[str, ...]:
    """The questions that can be simulated: those with a table P(answer | category, band). Not breed and length.

    The annotators knew the recorded breed, and the bands are their labels: simulating either would leak the truth.
    """
    return tuple(
        question.id
        for question in questionnaire.questions()
        if questionnaire.outcomes(question.id) and question.id != "trunk_length_mm"
    )


def answers_of(
    category: int,
    band: int,
    rng: np.random.Generator,
    *,
    seen: Mapping[str, Any] | None = None,
    error_rate: float = 0.0,
    ask: Sequence[str] = (),
) -> Answers:
    """One owner: the answers ``seen``, as they are, and simulated ones to the questions ``ask``."""
    drawn = questionnaire.simulate(CATEGORIES[category], BANDS[band], rng, error_rate=error_rate, ask=ask)
    return drawn.model_copy(update=dict(seen or {}))


def tables(owners: Sequence[Answers], rows: Sequence[Rows] | None = None) -> tuple[Array, Array, Array]:
    """Log likelihoods (N, 7, 4) of the answers, and of those among them that a photo shows as well, by these rows and
    by stated ones.

    ``rows`` (N,) stand in for the released ones; an owner who answered nothing gives zeros.
    """
    told, visible, stated = (np.zeros((len(owners), N_CATEGORIES, N_BANDS)) for _ in range(3))
    for place, answers in enumerate(owners):
        said = questionnaire.evidence(answers, likelihood=_likelihood(rows[place] if rows else {}))
        told[place] = answer_table(said.log_likelihood)
        if said.visible is not None and said.stated_visible is not None:
            visible[place], stated[place] = answer_table(said.visible), answer_table(said.stated_visible)
    return told, visible, stated


def _likelihood(rows: Rows) -> Callable[[str, Any], Any]:
    def look_up(question: str, answer: Any) -> Any:
        counted = rows.get(question, {}).get(answer)
        return questionnaire.likelihood(question, answer) if counted is None else counted.tolist()

    return look_up


def known_bands(data: Dataset, rng: np.random.Generator) -> Ints:
    """Bands (N,); where nobody saw one, it is drawn from the other photos of the category."""
    bands = data.band.copy()
    for row in np.flatnonzero(bands == UNKNOWN):
        bands[row] = rng.choice(data.band[(data.category == data.category[row]) & (data.band != UNKNOWN)])
    return bands


def draw_dogs(n: int, rng: np.random.Generator, prior: Array) -> tuple[Ints, Ints]:
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
