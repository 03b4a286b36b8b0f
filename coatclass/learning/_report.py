"""Before and after, on dogs that were not learned from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.contract import Frozen
from coatclass.ensemble import Members
from coatclass.estimating import estimate
from coatclass.learning._cases import Case
from coatclass.learning._model import RELEASED, LearnedModel
from coatclass.taxonomy import CATEGORIES

__all__ = ["LearningReport", "Scores", "probabilities", "report"]

Array = NDArray[np.float64]


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


def report(
    cases: Sequence[Case],
    fit: Callable[[Sequence[Case]], LearnedModel],
    members: Members,
    settings: Mapping[str, Any],
) -> LearningReport:
    """Compare the released model with one that ``fit`` makes from the other dogs' findings."""
    before = np.array([probabilities(case, RELEASED, members) for case in cases])
    after = np.empty_like(before)
    fold = _folds(cases, settings["folds"])
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


def _folds(cases: Sequence[Case], folds: int) -> NDArray[np.int_]:
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
