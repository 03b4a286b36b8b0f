"""From answers to log P(answers | category, band): question by question, correlated answers discounted."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from coatclass.answers._model import Answers
from coatclass.answers._questions import questions
from coatclass.answers.tables import (
    LENGTH,
    Answer,
    Table,
    length_density,
    likelihood,
    outcomes,
    reliability,
    stated,
    tabled_questions,
)
from coatclass.contract import AnsweredQuestion, AnswerEvidence
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = ["evidence", "grown_up", "visible", "weights"]

_NAMES = ("dna_result", "dna_breeds", "parents", "breed")  # the first that is given counts
Array = NDArray[np.float64]


def evidence(
    answers: Answers,
    *,
    ancestry: Sequence[Sequence[float]] | None = None,
    likelihood: Callable[[str, Answer], Table] = likelihood,
    stated: Callable[[str, Answer], Table] = stated,
) -> AnswerEvidence:
    """What the answers say about the coat; skipped questions say nothing, so nothing answered is neutral (all 0).

    Args:
        answers: the questionnaire.
        ancestry: log-likelihoods (7, 4) of breed, parents or genes, from ``coatclass.ancestry``; None if nobody named
            any.
        likelihood: P(answer | category, band) by question and answer, (7, 4); other tables than the released ones.
        stated: the same beside a photo, for what it shows as well; other tables than the stated ones.

    Returns:
        log-likelihoods (7, 4) of the answers, the largest 0, question by question and together, and those of the names
        apart from them.

    Raises:
        ValueError: if ``ancestry`` has the wrong shape or is not finite.
    """
    weight = weights(answers)
    by_rate = {name: _by_rate(name, likelihood(name, getattr(answers, name))) * w for name, w in weight.items()}
    alone = {name: _over_owners([table]) for name, table in by_rate.items()}
    together = _over_owners(by_rate.values())
    if answers.trunk_length_mm is not None:
        by = answers.trunk_length_by or "ruler"
        alone[LENGTH] = np.log(length_density(answers.trunk_length_mm, by))
        together = together + alone[LENGTH]
    names = None if ancestry is None else _checked(ancestry)
    if names is not None:
        alone[next((name for name in _NAMES if getattr(answers, name)), "breed")] = np.array(names)
    answered = tuple(spec.id for spec in questions() if spec.id in alone)
    seen = [name for name in weight if name in visible()]
    as_stated = [_by_rate(name, stated(name, getattr(answers, name))) * weight[name] for name in seen]
    return AnswerEvidence(
        log_likelihood=_table(together),
        answered=answered,
        ancestry=names,
        measured_mm=answers.measured_mm,
        visible=_table(_over_owners(by_rate[name] for name in seen)) if seen else None,
        stated_visible=_table(_over_owners(as_stated)) if seen else None,
        by_question=tuple(AnsweredQuestion(name, getattr(answers, name), _table(alone[name])) for name in answered),
    )


def _by_rate(question: str, table: Table) -> Array:
    """log P(answer | coat) by owners' error rates, (rates, 7, 4).

    An owner with error rate e gives the answer of the table with probability 1 - e, and any of the question's k answers
    evenly otherwise.
    """
    rate = np.array(reliability()["owner"]["error_rates"])[:, None, None]
    result: Array = np.log((1 - rate) * np.array(table) + rate / len(outcomes(question)))
    return result


def _over_owners(by_rate: Iterable[Array]) -> Array:
    """log P(answers | coat), (7, 4), over owners who err more or less often.

    Nobody knows how often an owner errs, so the rate is summed out. Answers that fit together speak for a careful owner
    and count in full; answers that don't, speak for a careless one and count less.
    """
    total: Array = sum(by_rate, start=np.zeros((1, len(CATEGORIES), len(BANDS))))
    result: Array = np.log(np.exp(total).mean(axis=0))
    return result


@cache
def visible() -> frozenset[str]:
    """The questions whose answer shows on a photo as well."""
    return frozenset(reliability()["visible"]["questions"])


def weights(answers: Answers) -> dict[str, float]:
    """Weight of each answered question's log-likelihood, (0, 1], in the questionnaire's order.

    Of k answers in a correlated group the most telling counts in full, each other (1 - rho) / (1 + (k - 1) rho), in
    sum Kish's effective number k / (1 + (k - 1) rho). What is felt on a puppy counts less. Groups, rho and the puppy's
    weight: ``data/reliability.toml``.
    """
    answered = [name for name in tabled_questions() if getattr(answers, name) is not None]
    weight = dict.fromkeys(answered, 1.0)
    for group in reliability()["group"].values():
        members = [name for name in group["order"] if name in weight]
        for name in members[1:]:
            weight[name] = (1 - group["rho"]) / (1 + (len(members) - 1) * group["rho"])
    if not grown_up(answers):
        weight = {name: share * reliability()["puppy"]["weight"] for name, share in weight.items()}
    return weight


def grown_up(answers: Answers) -> bool:
    """Whether the dog wears its adult coat, by its age; so too if nobody told the age."""
    return answers.age_months is None or bool(answers.age_months >= reliability()["puppy"]["under_months"])


def _checked(table: Sequence[Sequence[float]]) -> Table:
    fits = len(table) == len(CATEGORIES) and all(len(row) == len(BANDS) for row in table)
    if not fits or not all(math.isfinite(value) for row in table for value in row):
        raise ValueError(f"ancestry must be {len(CATEGORIES)} rows of {len(BANDS)} finite log-likelihoods")
    return tuple(tuple(row) for row in table)


def _table(logs: Array) -> Table:
    """As tuples, with the largest at 0."""
    return tuple(map(tuple, (logs - logs.max()).tolist()))
