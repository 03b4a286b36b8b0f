"""Learning: Dirichlet counts over the released rows, one temperature a regime, and the gain on dogs held out."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.answers import likelihood, outcomes, questions
from coatclass.contract import Frozen
from coatclass.ensemble import Members, load
from coatclass.errors import RecordError
from coatclass.estimating import estimate
from coatclass.learning._cases import Case
from coatclass.learning._model import RELEASED, LearnedModel, Table, word
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = [
    "LearningReport",
    "Scores",
    "fit",
    "folds_of",
    "learn",
    "probabilities",
    "settings",
    "temperature",
]

Array = NDArray[np.float64]

_LENGTH = "trunk_length_mm"  # has an error model instead of a table
_LOG_STEPS = np.linspace(math.log(1 / 4), math.log(4), 161)  # temperatures tried, as factors of the released one

Coat = tuple[int, int]


def settings() -> dict[str, Any]:
    """``data/learning.toml``; callers must not change it."""
    return read_toml(Path(__file__).with_name("data") / "learning.toml")


def learn(
    cases: Sequence[Case], *, members: Members | None = None, at: datetime | None = None
) -> tuple[LearnedModel, LearningReport]:
    """Learn from findings, and say how much better that is on dogs that were not learned from.

    Args:
        cases: findings with what was known before them.
        members: the released ensemble, unless another is meant.
        at: now, for the version's name.

    Returns:
        The model learned from all cases, not yet in use (see :class:`Shelf`), and the comparison before and after.

    Raises:
        RecordError: ``too_few`` if the findings can't carry it.
    """
    members = members or load()
    _refuse_too_few(cases)
    held_out = compare(cases, lambda some: fit(some, members), members, settings())
    moment = (at or datetime.now(UTC)).strftime("%Y%m%d-%H%M%S")
    return replace(fit(cases, members), version=f"learned-{moment}"), held_out


def fit(cases: Sequence[Case], members: Members) -> LearnedModel:
    """Rows and temperatures from these cases, without asking whether they suffice."""
    rows = LearnedModel(
        "learned",
        tables=_tables(cases),
        members_version=members.version,
        findings=len(cases),
        dogs=len({case.dog for case in cases}),
    )
    return replace(rows, temperatures=_temperatures(cases, rows, members))


def _refuse_too_few(cases: Sequence[Case]) -> None:
    need = settings()
    dogs = {case.dog: case.category for case in cases}
    common = [n for n in Counter(dogs.values()).values() if n >= need["least_dogs_of_a_category"]]
    if len(dogs) >= need["least_dogs"] and len(common) >= need["least_categories"]:
        return
    raise RecordError(
        "learning",
        f"has {len(dogs)} dogs with a hands-on finding and answers or a photo, {len(common)} coat categories of them "
        f"with {need['least_dogs_of_a_category']} or more; that is too few.",
        f"Go on entering findings: {need['least_dogs']} dogs of {need['least_categories']} categories are needed.",
        code="too_few",
    )


# --- rows -----------------------------------------------------------------------------------------------------------


def _tables(cases: Sequence[Case]) -> dict[str, dict[str, Table]]:
    tabled = [spec.id for spec in questions() if outcomes(spec.id) and spec.id != _LENGTH]
    return {name: _question_tables(name, cases) for name in tabled}


def _question_tables(name: str, cases: Iterable[Case]) -> dict[str, Table]:
    """Posterior mean of every row: (worth * stated + count) / (worth + all counts of the row).

    The conjugate Dirichlet prior of a multinomial: Gelman et al., Bayesian Data Analysis, 3rd ed., 3.4. Coats of one
    category to which the tables give one row share its counts, so that a stated "any length" is learned as such.
    """
    answers, worth = outcomes(name), float(settings()["row_worth_dogs"])
    stated = np.array([likelihood(name, answer) for answer in answers])  # (answers, 7, 4)
    counts = np.zeros_like(stated)
    for case in cases:
        given = None if case.answers is None else getattr(case.answers, name)
        shared = [] if given is None else _same_row(stated, case)
        for row, column in shared:
            counts[answers.index(given), row, column] += 1
    learned = (worth * stated + counts) / (worth + counts.sum(axis=0))
    return {word(answer): _as_table(learned[index]) for index, answer in enumerate(answers)}


def _same_row(stated: Array, case: Case) -> list[Coat]:
    """Coats that share the stated row of the case's coat; none if the length is unknown and would matter."""
    row = CATEGORIES.index(case.category)
    of_category = stated[:, row, :]  # (answers, 4)
    if case.band is None:
        alike = (of_category == of_category[:, :1]).all()
        return [(row, column) for column in range(len(BANDS))] if alike else []
    own = of_category[:, BANDS.index(case.band)]
    return [(row, column) for column in range(len(BANDS)) if (of_category[:, column] == own).all()]


def _as_table(values: Array) -> Table:
    return tuple(tuple(float(value) for value in row) for row in values)


# --- temperatures ---------------------------------------------------------------------------------------------------


def _temperatures(cases: Sequence[Case], rows: LearnedModel, members: Members) -> dict[str, float]:
    """One temperature a regime with findings enough: maximum a posteriori, log T drawn towards the released one."""
    uncalibrated = replace(members, category_temperature=dict.fromkeys(members.category_temperature, 1.0))
    logs: dict[str, list[Array]] = defaultdict(list)
    truths: dict[str, list[int]] = defaultdict(list)
    for case in cases:
        logs[case.regime].append(np.log(np.maximum(probabilities(case, rows, uncalibrated), 1e-12)))
        truths[case.regime].append(CATEGORIES.index(case.category))
    return {
        regime: temperature(np.array(logs[regime]), truths[regime], members.category_temperature[regime])
        for regime in logs
        if len(logs[regime]) >= settings()["least_findings_for_temperature"]
    }


def temperature(logs: Array, truths: Sequence[int], released: float) -> float:
    """Temperature scaling (Guo et al. 2017) with a prior, by trying 161 values; ``logs`` (N, 7)."""
    spread = float(settings()["temperature_prior_sd_log"])

    def cost(log_factor: float) -> float:
        scaled = logs / (released * math.exp(log_factor))
        normal = scaled - np.log(np.exp(scaled).sum(axis=1, keepdims=True))
        return float(-normal[np.arange(len(truths)), truths].sum() + 0.5 * (log_factor / spread) ** 2)

    return released * math.exp(min(_LOG_STEPS.tolist(), key=cost))


# --- before and after ------------------------------------------------------------------------------------------------


class Scores(Frozen):
    """How well P(category) foretold what hands found.

    Attributes:
        log_loss: mean -log of the probability given to what was found; lower is better.
        accuracy: share whose likeliest category was found, [0, 1].
    """

    log_loss: float
    accuracy: float


class LearningReport(Frozen):
    """The released model against the learned one, by cross-validation over dogs.

    Attributes:
        findings, dogs: how many.
        by_regime: findings by what was known before them.
        before, after: scores on findings of dogs that were not learned from.
        gain_interval: 95 % interval of the fall in log loss; above 0 throughout means that learning helps.
    """

    findings: int
    dogs: int
    by_regime: dict[str, int]
    before: Scores
    after: Scores
    gain_interval: tuple[float, float]

    @property
    def worth_switching(self) -> bool:
        """The fall in log loss is more than chance explains."""
        return self.gain_interval[0] > 0


def probabilities(case: Case, model: LearnedModel, members: Members) -> Array:
    """P(category), (7,), as the program tells by this model before hands are laid on."""
    return np.array(estimate(case.photos, case.answers, learned=model, members=members).coat.category)


def compare(
    cases: Sequence[Case],
    fit: Callable[[Sequence[Case]], LearnedModel],
    members: Members,
    settings: Mapping[str, Any],
) -> LearningReport:
    """Compare the released model with one that ``fit`` makes from the other dogs' findings."""
    before = np.array([probabilities(case, RELEASED, members) for case in cases])
    after = np.empty_like(before)
    fold = folds_of(cases, settings["folds"])
    for number in range(settings["folds"]):
        learned = fit([case for case, its in zip(cases, fold, strict=True) if its != number])
        for index in np.flatnonzero(fold == number).tolist():
            after[index] = probabilities(cases[index], learned, members)
    truth = np.array([CATEGORIES.index(case.category) for case in cases])
    gain = _losses(before, truth) - _losses(after, truth)
    return LearningReport(
        findings=len(cases),
        dogs=len({case.dog for case in cases}),
        by_regime={regime: sum(case.regime == regime for case in cases) for regime in ("photo", "answers", "both")},
        before=_scores(before, truth),
        after=_scores(after, truth),
        gain_interval=_interval(gain, [case.dog for case in cases], settings["bootstrap_rounds"]),
    )


def folds_of(cases: Sequence[Case], folds: int) -> NDArray[np.int_]:
    """A fold for every case, the same for all of one dog; dogs of each category are dealt out in turn."""
    dogs = sorted({(case.category, case.dog) for case in cases})
    dealt: dict[str, int] = {}
    for index, (_, dog) in enumerate(dogs):
        dealt.setdefault(dog, index % folds)
    return np.array([dealt[case.dog] for case in cases])


def _losses(told: Array, truth: NDArray[np.int_]) -> Array:
    losses: Array = -np.log(np.maximum(told[np.arange(len(truth)), truth], 1e-12))
    return losses


def _scores(told: Array, truth: NDArray[np.int_]) -> Scores:
    return Scores(log_loss=float(_losses(told, truth).mean()), accuracy=float((told.argmax(axis=1) == truth).mean()))


def _interval(gain: Array, dogs: Sequence[str], rounds: int) -> tuple[float, float]:
    """Percentile bootstrap over dogs of the mean gain a finding."""
    number = {dog: index for index, dog in enumerate(dict.fromkeys(dogs))}
    of = np.array([number[dog] for dog in dogs])
    sums, counts = np.bincount(of, gain), np.bincount(of)
    drawn = np.random.default_rng(0).integers(len(sums), size=(rounds, len(sums)))
    means = sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    low, high = np.quantile(means, (0.025, 0.975))
    return float(low), float(high)
