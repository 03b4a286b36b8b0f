"""Photo, answers, both: with the cases' own answers where there are any, and with simulated ones.

Simulated answers are drawn from the tables of ``coatclass/answers``; their numbers are called simulated everywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.contract import CoatEstimate
from coatclass.estimating import estimate
from coatclass.reports.evaluation import metrics
from coatclass.reports.evaluation.cases import UNKNOWN, LabelledPhoto, LabelledPhotos
from coatclass.reports.evaluation.figures import calibration
from coatclass.reports.evaluation.metrics import Figure, bootstrap
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = [
    "ERROR_RATES",
    "QUESTION_ERROR_RATE",
    "answer_sweep",
    "asked",
    "own_answers",
    "own_reliability",
    "question_worth",
    "reliability",
]

ERROR_RATES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4)
QUESTION_ERROR_RATE = 0.1
_LENGTH = "trunk_length_mm"
_GROSS_LENGTH_ERRORS = 0.02  # rulers err less often than memories: as in the questionnaire's own table


def asked() -> tuple[str, ...]:
    """The questions that are simulated, the measured length left out: it would hand over the label."""
    return tuple(q.id for q in questionnaire.questions() if questionnaire.outcomes(q.id) and q.id != _LENGTH)


def _figures(cases: LabelledPhotos, resamples: int) -> dict[str, Figure]:
    judged, measured = cases.judged, cases.measured
    truth, p = judged.truth, judged.p_category
    band, b = measured.band, measured.p_band
    guess, sure = p.argmax(axis=1), p.max(axis=1)
    right = guess == truth
    of_category: dict[str, Callable[[Any], float]] = {
        "accuracy": lambda r: metrics.accuracy(truth[r], guess[r]),
        "log_loss": lambda r: metrics.log_loss(truth[r], p[r]),
        "ece_15": lambda r: metrics.expected_calibration_error(sure[r], right[r]),
    }
    of_band: dict[str, Callable[[Any], float]] = {
        "band_exact": lambda r: metrics.accuracy(band[r], b[r].argmax(axis=1)),
        "band_log_loss": lambda r: metrics.log_loss(band[r], b[r]),
    }
    figures = bootstrap(of_category, judged.groups, resamples=resamples)
    return figures | (bootstrap(of_band, measured.groups, resamples=resamples) if cases.enough_bands else {})


def _simulated(case: LabelledPhoto, rng: np.random.Generator, error_rate: float, questions: Sequence[str]) -> Answers:
    return questionnaire.simulate(
        CATEGORIES[case.category], BANDS[case.band], rng, error_rate=error_rate, ask=tuple(questions)
    )


def _estimates(cases: LabelledPhotos, answers: Sequence[Answers], *, with_photo: bool) -> list[CoatEstimate | None]:
    estimates: list[CoatEstimate | None] = []
    for case, said in zip(cases.rows, answers, strict=True):
        photos = [case.evidence] if with_photo and case.evidence else []
        estimates.append(estimate(photos, said).coat)
    return estimates


def _simulable(cases: LabelledPhotos) -> LabelledPhotos:
    """Judged dogs whose length is known: without it no answers can be drawn."""
    return cases.judged.where(lambda case: case.band != UNKNOWN)


def answer_sweep(cases: LabelledPhotos, *, seed: int = 0, resamples: int = 200) -> dict[str, Any]:
    """SIMULATED: answers alone and photo with answers, as more and more answers are wrong."""
    subjects = _simulable(cases)
    photo = [estimate([case.evidence]).coat if case.evidence else None for case in subjects.rows]
    rows = []
    for rate in ERROR_RATES:
        rng = np.random.default_rng([seed, round(100 * rate)])
        answers = [_simulated(case, rng, rate, asked()) for case in subjects.rows]
        for regime, with_photo in (("answers", False), ("both", True)):
            told = subjects.estimated(_estimates(subjects, answers, with_photo=with_photo))
            rows.append({"regime": regime, "error_rate": rate} | _figures(told, resamples))
    return {
        "simulated": True,
        "n": len(subjects),
        "photo": _figures(subjects.estimated(photo), resamples),
        "rows": rows,
    }


def reliability(cases: LabelledPhotos, *, seed: int = 0) -> dict[str, Any]:
    """Reliability diagrams of answers alone and photo with answers: SIMULATED answers, a tenth of them wrong."""
    subjects = _simulable(cases)
    rng = np.random.default_rng(seed)
    answers = [_simulated(case, rng, QUESTION_ERROR_RATE, asked()) for case in subjects.rows]
    return {"simulated": True, "error_rate": QUESTION_ERROR_RATE, "n": len(subjects)} | _reliable(subjects, answers)


def own_reliability(cases: LabelledPhotos) -> dict[str, Any] | None:
    """The same with the cases' own answers; None if nobody answered."""
    told = _answered(cases)
    if not len(told):
        return None
    return {"simulated": False, "n": len(told)} | _reliable(told, [case.answers or Answers() for case in told.rows])


def _reliable(cases: LabelledPhotos, answers: Sequence[Answers]) -> dict[str, Any]:
    return {
        regime: calibration(cases.estimated(_estimates(cases, answers, with_photo=with_photo)))
        for regime, with_photo in (("answers", False), ("both", True))
    }


def _answered(cases: LabelledPhotos) -> LabelledPhotos:
    return cases.judged.where(lambda case: case.answers is not None)


def question_worth(cases: LabelledPhotos, *, seed: int = 0, resamples: int = 1) -> dict[str, Any]:
    """SIMULATED: what each question alone adds to the photo, and what is lost when it alone is left out.

    Log loss in nats, a tenth of the answers wrong; the same simulated owners throughout. The measured length is
    included here as one question more, with its own measuring error.
    """
    subjects = _simulable(cases)
    everything = asked()
    rng = np.random.default_rng(seed)
    told = [_simulated(case, rng, QUESTION_ERROR_RATE, everything) for case in subjects.rows]
    lengths = [_simulated(case, rng, _GROSS_LENGTH_ERRORS, (_LENGTH,)) for case in subjects.rows]

    def losses(answers: Sequence[Answers]) -> tuple[float, float]:
        figures = _figures(subjects.estimated(_estimates(subjects, answers, with_photo=True)), resamples)
        return figures["log_loss"].value, figures["band_log_loss"].value

    photo, all_told = losses([Answers()] * len(subjects)), losses(told)
    rows = []
    for name in everything:
        added = losses([Answers(**{name: getattr(said, name)}) for said in told])
        dropped = losses([said.model_copy(update={name: None}) for said in told])
        rows.append({"question": name, "category_gain": photo[0] - added[0], "band_gain": photo[1] - added[1]})
        rows[-1] |= {"category_loss_without": dropped[0] - all_told[0], "band_loss_without": dropped[1] - all_told[1]}
    added = losses(lengths)
    rows.append({"question": _LENGTH, "category_gain": photo[0] - added[0], "band_gain": photo[1] - added[1]})
    return {
        "simulated": True,
        "n": len(subjects),
        "error_rate": QUESTION_ERROR_RATE,
        "photo_log_loss": photo[0],
        "all_answers_log_loss": all_told[0],
        "rows": sorted(rows, key=lambda row: -row["category_gain"]),
    }


def own_answers(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Any] | None:
    """The cases' own answers: answers alone, and with the photo; None if nobody answered."""
    told = _answered(cases)
    if not len(told):
        return None
    answers = [case.answers or Answers() for case in told.rows]
    return {
        "n": len(told),
        "photo": _figures(told, resamples),
        "answers": _figures(told.estimated(_estimates(told, answers, with_photo=False)), resamples),
        "both": _figures(told.estimated(_estimates(told, answers, with_photo=True)), resamples),
    }
