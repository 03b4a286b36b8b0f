"""From answers to log P(answers | category, band): question by question, correlated answers discounted."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence

from coatclass.answers._likelihood import (
    LENGTH,
    Answer,
    Table,
    length_density,
    likelihood,
    outcomes,
    reliability,
    tabled_questions,
)
from coatclass.answers._model import Answers
from coatclass.answers._questions import questions
from coatclass.contract import AnsweredQuestion, AnswerEvidence
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = ["evidence", "grown_up", "weights"]

_NAMES = ("dna_result", "dna_breeds", "parents", "breed")  # the first that is given counts
_NEUTRAL: Table = ((0.0,) * len(BANDS),) * len(CATEGORIES)


def evidence(
    answers: Answers,
    *,
    ancestry: Sequence[Sequence[float]] | None = None,
    likelihood: Callable[[str, Answer], Table] = likelihood,
) -> AnswerEvidence:
    """What the answers say about the coat; skipped questions say nothing, so nothing answered is neutral (all 0).

    Args:
        answers: the questionnaire.
        ancestry: log-likelihoods (7, 4) of breed, parents or genes, from ``coatclass.ancestry``; None if nobody named
            any.
        likelihood: P(answer | category, band) by question and answer, (7, 4); other tables than the stated ones.

    Returns:
        log-likelihoods (7, 4) of the answers, the largest 0, question by question and together, and those of the names
        apart from them.

    Raises:
        ValueError: if ``ancestry`` has the wrong shape or is not finite.
    """
    weight = weights(answers)
    tables = {name: likelihood(name, getattr(answers, name)) for name in weight}
    alone = {name: _owners({name: weight[name]}, {name: table}) for name, table in tables.items()}
    together = [_owners(weight, tables)]
    if answers.trunk_length_mm is not None:
        alone[LENGTH] = _log(length_density(answers.trunk_length_mm, answers.trunk_length_by or "ruler"))
        together.append(alone[LENGTH])
    if ancestry is not None:
        ancestry = _checked(ancestry)
        alone[next((name for name in _NAMES if getattr(answers, name)), "breed")] = ancestry
    answered = tuple(spec.id for spec in questions() if spec.id in alone)
    return AnswerEvidence(
        log_likelihood=_sum(together),
        answered=answered,
        ancestry=ancestry,
        measured_mm=answers.measured_mm,
        by_question=tuple(AnsweredQuestion(name, getattr(answers, name), _sum([alone[name]])) for name in answered),
    )


def _owners(weight: Mapping[str, float], tables: Mapping[str, Table]) -> Table:
    """log P(answers | coat), (7, 4), over owners who err more or less often.

    An owner with error rate e gives the answer of the table with probability 1 - e, and any of the question's k answers
    evenly otherwise; nobody knows e, so it is summed out over the rates of ``data/reliability.toml``. Answers that fit
    together speak for a careful owner and count in full; answers that don't, speak for a careless one and count less.
    """
    rates = reliability()["owner"]["error_rates"]
    by_rate = [
        _sum(
            [
                tuple(
                    tuple(weight[name] * math.log((1 - rate) * p + rate / len(outcomes(name))) for p in row)
                    for row in table
                )
                for name, table in tables.items()
            ],
            shift=False,
        )
        for rate in rates
    ]
    return tuple(
        tuple(math.log(sum(map(math.exp, cell)) / len(rates)) for cell in zip(*rows, strict=True))
        for rows in zip(*by_rate, strict=True)
    )


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


def _log(table: Table) -> Table:
    return tuple(tuple(math.log(value) for value in row) for row in table)


def _sum(tables: Iterable[Table], *, shift: bool = True) -> Table:
    """The sum of log tables, (7, 4); with ``shift`` the largest is 0."""
    total = [[sum(cell) for cell in zip(*rows, strict=True)] for rows in zip(_NEUTRAL, *tables, strict=True)]
    top = max(max(row) for row in total) if shift else 0.0
    return tuple(tuple(value - top for value in row) for row in total)
