"""What answers say about the coat: P(answer | category, band), and the evidence of all answers together.

There are tables for choices and an error model for the measured length. Every table is 7 rows (category) of 4 (band),
in the order of the taxonomy. :func:`simulate` draws made-up answers from the same tables.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from coatclass.answers._answers import Answers
from coatclass.answers.questionnaire import question, questions
from coatclass.contract import AnsweredQuestion, AnswerEvidence
from coatclass.resources import read_csv, read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, band_limits_mm, gross_error, measuring_error

if TYPE_CHECKING:
    from numpy.random import Generator

Table = tuple[tuple[float, ...], ...]
Answer = str | bool | float

LENGTH = "trunk_length_mm"
_DATA = Path(__file__).with_name("data")
_RELIABILITY = _DATA / "reliability.toml"
_ANY = "*"
_CDF = NormalDist().cdf
_STEPS = 200


@cache
def reliability() -> dict[str, Any]:
    """Measuring errors, correlations and weights, as in ``data/reliability.toml``; callers must not change it."""
    return read_toml(_RELIABILITY)


@cache
def outcomes(question_id: str) -> tuple[Answer, ...]:
    """Answers that a question can have and that say something about the coat; empty if it is no evidence.

    For the trunk length these are the bands that a measurement can fall into.
    """
    if question_id == LENGTH:
        return BANDS
    return tuple(answer for question, answer in _tables() if question == question_id)


def likelihood(question_id: str, answer: Answer) -> Table:
    """P(answer | category, band), (7, 4): as counted on observed answers where there are any, else as stated.

    Summed over :func:`outcomes` every cell is 1. For the trunk length the answer is a band: the probability that a
    ruler reads a length in that band.

    Raises:
        ValueError: if the question is no evidence or has no such answer.
    """
    if question_id == LENGTH and answer in BANDS:
        return _read_as(LengthBand(str(answer)))
    counted = _counted().get((question_id, answer))
    return stated(question_id, answer) if counted is None else counted


def stated(question_id: str, answer: Answer) -> Table:
    """P(answer | category, band), (7, 4), as ``data/likelihood.csv`` states it.

    Raises:
        ValueError: if the question is no evidence or has no such answer.
    """
    try:
        return _tables()[question_id, answer]
    except KeyError:
        raise ValueError(f"no table says how likely {answer!r} is as an answer to {question_id!r}") from None


@cache
def tabled_questions() -> tuple[str, ...]:
    """The questions with a table of choices, in the questionnaire's order; the trunk length is not among them."""
    tabled = {question for question, _ in _tables()}
    return tuple(spec.id for spec in questions() if spec.id in tabled)


# --- trunk length ---------------------------------------------------------------------------------------------------


def length_density(length_mm: float, by: str = "ruler") -> Table:
    """Density of a measured log length given category and band, (7, 4).

    True lengths are log-uniform within the band, log(measured) has a normal error, and a small share of measurements
    are uniform outliers. Cells that a category's definition excludes (a drop coat is long) are all but ruled out.
    Parameters: ``data/reliability.toml`` and the taxonomy's ``data/measuring.toml``.

    Args:
        length_mm: as measured, mm.
        by: what it was measured with: ``ruler``, ``card``, ``finger`` or ``eye``.
    """
    model = reliability()["length"]
    sd = measuring_error(by)
    length_mm = min(max(length_mm, model["shortest_mm"]), model["longest_mm"])  # shorter is short, longer is long
    row = []
    for band in BANDS:
        lower, upper = closed_limits(band)
        inside = _CDF(math.log(upper / length_mm) / sd) - _CDF(math.log(lower / length_mm) / sd)
        row.append(inside / math.log(upper / lower))
    seen = _with_outliers(row, uniform=1 / math.log(model["longest_mm"] / model["shortest_mm"]))
    return tuple(
        tuple(
            value * (1 if band_limits_mm(band)[0] >= model["at_least_mm"].get(category, 0) else model["no_such_dog"])
            for value, band in zip(seen, BANDS, strict=True)
        )
        for category in CATEGORIES
    )


def closed_limits(band: LengthBand) -> tuple[float, float]:
    """Limits of a band, mm; the error model's shortest and longest length close the outer bands."""
    model = reliability()["length"]
    lower, upper = band_limits_mm(band)
    return max(lower, model["shortest_mm"]), min(upper, model["longest_mm"])


def _with_outliers(row: Sequence[float], uniform: float) -> tuple[float, ...]:
    """The mixture of each band's density with a uniform outlier component of density ``uniform``."""
    gross = gross_error()
    return tuple((1 - gross) * density + gross * uniform for density in row)


@cache
def _read_as(read: LengthBand) -> Table:
    """P(a ruler reads a length in this band | category, band), by the midpoint rule over true log lengths."""
    model = reliability()["length"]
    sd = measuring_error("ruler")
    below_low, below_high = (_read_below(limit, sd) for limit in band_limits_mm(read))
    row = [
        sum(high - low for low, high in zip(lows, highs, strict=True)) / _STEPS
        for lows, highs in zip(below_low, below_high, strict=True)
    ]
    lower, upper = closed_limits(read)
    share = math.log(upper / lower) / math.log(model["longest_mm"] / model["shortest_mm"])
    return (_with_outliers(row, uniform=share),) * len(CATEGORIES)


@cache
def _read_below(limit_mm: float, sd: float) -> tuple[tuple[float, ...], ...]:
    """P(a ruler reads less than a limit | true length), for the lengths of the midpoint rule in each band."""
    limit = math.log(limit_mm) if limit_mm > 0 else -math.inf
    rows = []
    for band in BANDS:
        start, end = (math.log(closed) for closed in closed_limits(band))
        truths = (start + (end - start) * (step + 0.5) / _STEPS for step in range(_STEPS))
        rows.append(tuple(_CDF((limit - truth) / sd) for truth in truths))
    return tuple(rows)


# --- owners who err -------------------------------------------------------------------------------------------------


def alone(question_id: str, answer: Answer, table: Table) -> Table:
    """P(an owner gives this answer | category, band), (7, 4), from a table of P(answer | category, band).

    An owner with error rate e gives the answer of the table with probability 1 - e, and any of the question's answers
    evenly otherwise; e is summed out over the rates of ``data/reliability.toml``. A ruler has its own error already.
    """
    if question_id == LENGTH:
        return table
    rates = reliability()["owner"]["error_rates"]
    rate = sum(rates) / len(rates)
    evenly = rate / len(outcomes(question_id))
    return tuple(tuple((1 - rate) * p + evenly for p in row) for row in table)


# --- tables of choices ----------------------------------------------------------------------------------------------


@cache
def _tables() -> dict[tuple[str, Answer], Table]:
    """All tables by question and answer; of the rows that fit a cell the most specific one counts."""
    stated = {
        (row["question"], row["answer"], row["category"], row["band"]): float(row["probability"])
        for row in read_csv(_DATA / "likelihood.csv")
    }
    answers = {(question, answer): None for question, answer, _, _ in stated}
    return {
        (question, _value(answer)): tuple(
            tuple(_cell(stated, question, answer, category, band) for band in BANDS) for category in CATEGORIES
        )
        for question, answer in answers
    }


@cache
def _counted() -> dict[tuple[str, Answer], Table]:
    """Tables of the questions whose answers were observed, from the release."""
    from coatclass.ensemble import read_checked

    return {
        (question, _value(answer)): tuple(tuple(row) for row in table)
        for question, by_answer in read_checked("ensemble_answers.json")["tables"].items()
        for answer, table in by_answer.items()
    }


def _value(answer: str) -> Answer:
    return {"true": True, "false": False}.get(answer, answer)


def _cell(
    stated: dict[tuple[str, str, str, str], float], question: str, answer: str, category: CoatCategory, band: LengthBand
) -> float:
    for fitting in ((category, band), (category, _ANY), (_ANY, band), (_ANY, _ANY)):
        found = stated.get((question, answer, *fitting))
        if found is not None:
            return found
    raise ValueError(f"likelihood.csv: nothing says how likely {question} = {answer} is for {category}, {band}")


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
        measured_by=answers.trunk_length_by or "ruler",
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
    and count in full; answers that don't suggest a careless one and count less.
    """
    total: Array = sum(by_rate, start=np.zeros((1, len(CATEGORIES), len(BANDS))))
    result: Array = np.log(np.exp(total).mean(axis=0))
    return result


@cache
def visible() -> frozenset[str]:
    """The questions whose answer a photo shows as well."""
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
    """Whether the dog is old enough for its adult coat; assumed if nobody gave its age."""
    return answers.age_months is None or bool(answers.age_months >= reliability()["puppy"]["under_months"])


def _checked(table: Sequence[Sequence[float]]) -> Table:
    fits = len(table) == len(CATEGORIES) and all(len(row) == len(BANDS) for row in table)
    if not fits or not all(math.isfinite(value) for row in table for value in row):
        raise ValueError(f"ancestry must be {len(CATEGORIES)} rows of {len(BANDS)} finite log-likelihoods")
    return tuple(tuple(row) for row in table)


def _table(logs: Array) -> Table:
    """The table as tuples, shifted so that its largest value is 0."""
    return tuple(map(tuple, (logs - logs.max()).tolist()))


# --- simulated answers ------------------------------------------------------------------------------------------------


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
        drawn |= {LENGTH: _read_length(BANDS[column], rng, error_rate), "trunk_length_by": "ruler"}
    return Answers(**drawn)


def _choice(name: str, cell: tuple[int, int], rng: Generator, common: dict[str, tuple[float, float]]) -> Any:
    """Draw one answer by inverting the cumulative table, with the answers in their group's order, at a random level."""
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


def _read_length(band: LengthBand, rng: Generator, error_rate: float) -> float:
    model, spec = reliability()["length"], question(LENGTH)
    lower, upper = closed_limits(band)
    if rng.random() < error_rate:
        lower, upper = model["shortest_mm"], model["longest_mm"]
    read = math.exp(rng.uniform(math.log(lower), math.log(upper)) + rng.normal(0, measuring_error("ruler")))
    return round(min(max(read, spec.minimum or 0), spec.maximum or math.inf), 1)
