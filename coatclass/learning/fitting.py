"""Learning from hands-on findings: Dirichlet counts over the released rows, one temperature a regime.

The examples are findings with what was known before them; the gain is measured on dogs held out."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from coatclass import ancestry
from coatclass import answers as questionnaire
from coatclass.answers import Answer, Answers, likelihood, outcomes, parse, questions
from coatclass.contract import AnswerEvidence, Frozen, PhotoEvidence, Regime
from coatclass.ensemble import Members, load
from coatclass.errors import AnswersError, GenotypeError, RecordError
from coatclass.estimating import estimate
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, band_of_mm

if TYPE_CHECKING:
    from coatclass.records import LearningCase


@dataclass(frozen=True)
class Example:
    """One finding.

    Attributes:
        dog: tells dogs apart, so that none is both learned from and tested on.
        category: what hands found.
        band: what they measured on the trunk; None if they didn't.
        answers: what the owner had said; None if nothing.
        photos: what the image model had read; empty without a photo.
    """

    dog: str
    category: CoatCategory
    band: LengthBand | None
    answers: Answers | None = None
    photos: tuple[PhotoEvidence, ...] = ()

    @property
    def regime(self) -> Regime:
        """Which kinds of evidence there were."""
        if self.photos:
            return "photo" if self.answers is None else "both"
        return "none" if self.answers is None else "answers"


def pack_photos(photos: Sequence[PhotoEvidence]) -> dict[str, Any]:
    """Photo evidence as JSON, to keep with a stored assessment (``StoredAssessment.evidence``)."""
    return {"photos": [asdict(photo) for photo in photos]}


def examples(kept: Iterable[LearningCase], *, model_version: str) -> tuple[Example, ...]:
    """Examples from the records, oldest first; those without answers and photos teach nothing and are left out.

    Args:
        kept: findings with what was known before them.
        model_version: the image model of today; what another one read is left out.
    """
    made = (
        Example(
            dog=one.dog_id,
            category=one.finding.category,
            band=None if one.finding.trunk_mm is None else band_of_mm(one.finding.trunk_mm),
            answers=_answers(one.answers),
            photos=_photos(one.evidence, model_version),
        )
        for one in kept
    )
    return tuple(example for example in made if example.regime != "none")


def _answers(content: Mapping[str, Any] | None) -> Answers | None:
    """Answers and results of tests that can't be read any more teach nothing."""
    try:
        answers = None if content is None else parse(dict(content))
        if answers is not None:
            ancestry.of(answers)
    except (AnswersError, GenotypeError):
        return None
    return answers if answers != Answers() else None


def _photos(evidence: Mapping[str, Any], model_version: str) -> tuple[PhotoEvidence, ...]:
    names = {field.name for field in fields(PhotoEvidence)}
    packed = [one for one in evidence.get("photos", ()) if isinstance(one, dict) and set(one) == names]
    return tuple(_unpacked(one) for one in packed if one["model_version"] == model_version)


def _unpacked(packed: dict[str, Any]) -> PhotoEvidence:
    values: dict[str, Any] = {name: tuple(one) if isinstance(one, list) else one for name, one in packed.items()}
    return PhotoEvidence(**values)


Row = tuple[float, ...]
Table = tuple[Row, ...]


@dataclass(frozen=True)
class LearnedModel:
    """A version of the answer model and of the temperatures.

    Attributes:
        version: "released", or a name that starts with "learned-".
        tables: by question and answer (``true`` and ``false`` as words): P(answer | category, band), 7 rows of 4.
        temperatures: P(category)'s temperature by regime; those not named stay as released.
        members_version: the released ensemble that it was learned on; it fits no other.
        findings, dogs: what it was learned from.
    """

    version: str
    tables: Mapping[str, Mapping[str, Table]] = field(default_factory=dict)
    temperatures: Mapping[str, float] = field(default_factory=dict)
    members_version: str = ""
    findings: int = 0
    dogs: int = 0

    def evidence(self, answers: Answers, *, ancestry: Sequence[Sequence[float]] | None = None) -> AnswerEvidence:
        """What the answers say by the learned rows; where nothing was learned, the stated ones count."""
        return questionnaire.evidence(answers, ancestry=ancestry, likelihood=self.likelihood, stated=self._stated)

    def likelihood(self, question: str, answer: Answer) -> Table:
        """P(answer | category, band), (7, 4): as learned, else as released."""
        learned = self.tables.get(question, {}).get(word(answer))
        return questionnaire.likelihood(question, answer) if learned is None else learned

    def _stated(self, question: str, answer: Answer) -> Table:
        learned = self.tables.get(question, {}).get(word(answer))
        return questionnaire.stated(question, answer) if learned is None else learned

    def members(self, released: Members) -> Members:
        """The ensemble with the learned temperatures."""
        return replace(released, category_temperature={**released.category_temperature, **self.temperatures})

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return dict(vars(self))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> LearnedModel:
        """Rebuild from :meth:`to_json`.

        Raises:
            RecordError: ``damaged`` if a value is missing, or a probability is none.
        """
        try:
            model = cls(
                version=str(data["version"]),
                tables={
                    str(name): {str(answer): _table(rows) for answer, rows in by_answer.items()}
                    for name, by_answer in data["tables"].items()
                },
                temperatures={str(regime): _positive(value) for regime, value in data["temperatures"].items()},
                members_version=str(data["members_version"]),
                findings=int(data["findings"]),
                dogs=int(data["dogs"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise RecordError(
                "a learned version", "is damaged.", "Return to the released one and learn again.", code="damaged"
            ) from error
        return model


RELEASED = LearnedModel("released")
"""Nothing learned: the stated tables and the released temperatures."""


def word(answer: object) -> str:
    """An answer as it is named in tables."""
    return str(answer).lower()


def _positive(value: object) -> float:
    number = float(value)  # type: ignore[arg-type]
    if not 0 < number < math.inf:
        raise ValueError(f"{value} is not positive")
    return number


def _table(rows: Any) -> Table:
    table = tuple(tuple(_positive(value) for value in row) for row in rows)
    if [len(row) for row in table] != [len(BANDS)] * len(CATEGORIES) or max(map(max, table)) > 1:
        raise ValueError("a table is not 7 rows of 4 probabilities")
    return table


Array = NDArray[np.float64]

_LENGTH = "trunk_length_mm"  # the trunk length has an error model instead of a table
_LOG_STEPS = np.linspace(math.log(1 / 4), math.log(4), 161)  # temperatures tried, as factors of the released one

Coat = tuple[int, int]


def settings() -> dict[str, Any]:
    """``data/learning.toml``; callers must not change it."""
    return read_toml(Path(__file__).with_name("data") / "learning.toml")


def learn(
    examples: Sequence[Example], *, members: Members | None = None, at: datetime | None = None
) -> tuple[LearnedModel, LearningReport]:
    """Learn from findings, and measure the gain on held-out dogs.

    Args:
        examples: findings with what was known before them.
        members: the released ensemble, unless another is meant.
        at: now, for the version's name.

    Returns:
        The model learned from all examples, not yet in use (see :class:`Shelf`), and the comparison before and after.

    Raises:
        RecordError: ``too_few`` if there are not enough findings.
    """
    members = members or load()
    _refuse_too_few(examples)
    held_out = compare(examples, lambda some: fit(some, members), members, settings())
    moment = (at or datetime.now(UTC)).strftime("%Y%m%d-%H%M%S")
    return replace(fit(examples, members), version=f"learned-{moment}"), held_out


def fit(examples: Sequence[Example], members: Members) -> LearnedModel:
    """Rows and temperatures from these examples, without checking that there are enough."""
    rows = LearnedModel(
        "learned",
        tables=_tables(examples),
        members_version=members.version,
        findings=len(examples),
        dogs=len({example.dog for example in examples}),
    )
    return replace(rows, temperatures=_temperatures(examples, rows, members))


def _refuse_too_few(examples: Sequence[Example]) -> None:
    need = settings()
    dogs = {example.dog: example.category for example in examples}
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


def _tables(examples: Sequence[Example]) -> dict[str, dict[str, Table]]:
    tabled = [spec.id for spec in questions() if outcomes(spec.id) and spec.id != _LENGTH]
    return {name: _question_tables(name, examples) for name in tabled}


def _question_tables(name: str, examples: Iterable[Example]) -> dict[str, Table]:
    """Posterior mean of every row: (worth * stated + count) / (worth + all counts of the row).

    The conjugate Dirichlet prior of a multinomial: Gelman et al., Bayesian Data Analysis, 3rd ed., 3.4. Bands of one
    category that share a stated row share its counts, so that a stated "any length" stays one row.
    """
    answers, worth = outcomes(name), float(settings()["row_worth_dogs"])
    stated = np.array([likelihood(name, answer) for answer in answers])  # (answers, 7, 4)
    counts = np.zeros_like(stated)
    for example in examples:
        given = None if example.answers is None else getattr(example.answers, name)
        shared = [] if given is None else _same_row(stated, example)
        for row, column in shared:
            counts[answers.index(given), row, column] += 1
    learned = (worth * stated + counts) / (worth + counts.sum(axis=0))
    return {word(answer): _as_table(learned[index]) for index, answer in enumerate(answers)}


def _same_row(stated: Array, example: Example) -> list[Coat]:
    """Coats that share the stated row of the example's coat; none if the length is unknown and would matter."""
    row = CATEGORIES.index(example.category)
    of_category = stated[:, row, :]  # (answers, 4)
    if example.band is None:
        alike = (of_category == of_category[:, :1]).all()
        return [(row, column) for column in range(len(BANDS))] if alike else []
    own = of_category[:, BANDS.index(example.band)]
    return [(row, column) for column in range(len(BANDS)) if (of_category[:, column] == own).all()]


def _as_table(values: Array) -> Table:
    return tuple(tuple(float(value) for value in row) for row in values)


# --- temperatures ---------------------------------------------------------------------------------------------------


def _temperatures(examples: Sequence[Example], rows: LearnedModel, members: Members) -> dict[str, float]:
    """One temperature for each regime with enough findings: maximum a posteriori, log T drawn to the released one."""
    uncalibrated = replace(members, category_temperature=dict.fromkeys(members.category_temperature, 1.0))
    logs: dict[str, list[Array]] = defaultdict(list)
    truths: dict[str, list[int]] = defaultdict(list)
    for example in examples:
        logs[example.regime].append(np.log(np.maximum(probabilities(example, rows, uncalibrated), 1e-12)))
        truths[example.regime].append(CATEGORIES.index(example.category))
    return {
        regime: map_temperature(np.array(logs[regime]), truths[regime], members.category_temperature[regime])
        for regime in logs
        if len(logs[regime]) >= settings()["least_findings_for_temperature"]
    }


def map_temperature(logs: Array, truths: Sequence[int], released: float) -> float:
    """Temperature scaling (Guo et al. 2017): the maximum a posteriori of 161 values tried.

    The prior draws log T towards the released temperature.

    Args:
        logs: uncalibrated log P(category), (N, 7).
        truths: index of the category that hands found, (N,).
        released: the temperature of the release, above 0.
    """
    spread = float(settings()["temperature_prior_sd_log"])

    def cost(log_factor: float) -> float:
        scaled = logs / (released * math.exp(log_factor))
        normal = scaled - np.log(np.exp(scaled).sum(axis=1, keepdims=True))
        return float(-normal[np.arange(len(truths)), truths].sum() + 0.5 * (log_factor / spread) ** 2)

    return released * math.exp(min(_LOG_STEPS.tolist(), key=cost))


# --- before and after ------------------------------------------------------------------------------------------------


class Scores(Frozen):
    """How well P(category) predicted what hands found.

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
        before, after: scores on held-out dogs.
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
        """Whether the fall in log loss is more than chance explains."""
        return self.gain_interval[0] > 0


def probabilities(example: Example, model: LearnedModel, members: Members) -> Array:
    """P(category), (7,), as this model predicts it before the hands-on finding."""
    return np.array(estimate(example.photos, example.answers, learned=model, members=members).coat.category)


def compare(
    examples: Sequence[Example],
    fit: Callable[[Sequence[Example]], LearnedModel],
    members: Members,
    settings: Mapping[str, Any],
) -> LearningReport:
    """Compare the released model with one that ``fit`` makes from the other dogs' findings."""
    before = np.array([probabilities(example, RELEASED, members) for example in examples])
    after = np.empty_like(before)
    fold = folds_of(examples, settings["folds"])
    for number in range(settings["folds"]):
        learned = fit([example for example, its in zip(examples, fold, strict=True) if its != number])
        for index in np.flatnonzero(fold == number).tolist():
            after[index] = probabilities(examples[index], learned, members)
    truth = np.array([CATEGORIES.index(example.category) for example in examples])
    gain = _losses(before, truth) - _losses(after, truth)
    return LearningReport(
        findings=len(examples),
        dogs=len({example.dog for example in examples}),
        by_regime={
            regime: sum(example.regime == regime for example in examples) for regime in ("photo", "answers", "both")
        },
        before=_scores(before, truth),
        after=_scores(after, truth),
        gain_interval=_interval(gain, [example.dog for example in examples], settings["bootstrap_rounds"]),
    )


def folds_of(examples: Sequence[Example], folds: int) -> NDArray[np.int_]:
    """A fold for every example, the same for all of one dog; dogs of each category are dealt out in turn."""
    dogs = sorted({(example.category, example.dog) for example in examples})
    dealt: dict[str, int] = {}
    for index, (_, dog) in enumerate(dogs):
        dealt.setdefault(dog, index % folds)
    return np.array([dealt[example.dog] for example in examples])


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
