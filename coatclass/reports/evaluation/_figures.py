"""Sections of the report that are figures with intervals: category, band, dog or not, sets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.contract import Verdict
from coatclass.reports.evaluation import _metrics as metrics
from coatclass.reports.evaluation._bootstrap import Figure, binomial_interval, bootstrap
from coatclass.reports.evaluation._cases import Cases
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

__all__ = [
    "band_figures",
    "calibration",
    "category_figures",
    "category_scores",
    "class_section",
    "confusions",
    "dog_figures",
    "set_section",
    "tables",
]

Rows = NDArray[np.int64]
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_ALL = list(range(len(CATEGORIES)))
_NOT_MIXED = [label for label in _ALL if label != _MIXED]


def category_scores(cases: Cases) -> dict[str, Callable[[Rows], float]]:
    """Every figure of the category over judged dogs, as a function of row numbers."""
    truth, p = cases.truth, cases.p_category
    guess, sure = p.argmax(axis=1), p.max(axis=1)
    right = guess == truth
    shares = cases.shares

    return {
        "accuracy": lambda r: metrics.accuracy(truth[r], guess[r]),
        "balanced_accuracy": lambda r: metrics.balanced_accuracy(truth[r], guess[r]),
        "macro_f1": lambda r: metrics.macro_f1(truth[r], guess[r], _ALL),
        "macro_f1_without_mixed": lambda r: metrics.macro_f1(truth[r], guess[r], _NOT_MIXED),
        "log_loss": lambda r: metrics.log_loss(truth[r], p[r]),
        "brier": lambda r: metrics.brier_score(truth[r], p[r]),
        "ece_15": lambda r: metrics.expected_calibration_error(sure[r], right[r]),
        "adaptive_ece_15": lambda r: metrics.adaptive_calibration_error(sure[r], right[r]),
        "aurc": lambda r: metrics.area_under_risk_coverage(sure[r], right[r]),
        "coverage_at_2_percent_error": lambda r: metrics.coverage_at_risk(sure[r], right[r], 0.02),
        "coverage_at_5_percent_error": lambda r: metrics.coverage_at_risk(sure[r], right[r], 0.05),
        "log_loss_against_annotators": lambda r: metrics.soft_log_loss(shares[r], p[r]),
        "brier_against_annotators": lambda r: metrics.soft_brier_score(shares[r], p[r]),
    }


def category_figures(
    cases: Cases, *, only: Sequence[str] | None = None, resamples: int = 1000, units: Sequence[str] | None = None
) -> dict[str, Figure]:
    """Figures of the category over judged dogs, each with its interval.

    Args:
        only: names of the figures, in the order wanted; all if not given.
        units: what is resampled, one for each case; its group if not given.
    """
    scores = category_scores(cases)
    chosen = {name: scores[name] for name in only or scores}
    return bootstrap(chosen, cases.groups if units is None else units, resamples=resamples)


def band_figures(cases: Cases, *, resamples: int = 1000) -> dict[str, Figure]:
    """All figures of the length band over photos of one dog whose length can be judged."""
    truth, p = cases.band, cases.p_band
    guess, sure = p.argmax(axis=1), p.max(axis=1)
    right = guess == truth
    figures: dict[str, Callable[[Rows], float]] = {
        "exact": lambda r: metrics.accuracy(truth[r], guess[r]),
        "within_one": lambda r: metrics.within_one(truth[r], guess[r]),
        "quadratic_weighted_kappa": lambda r: metrics.kappa(truth[r], guess[r], len(BANDS), quadratic=True),
        "log_loss": lambda r: metrics.log_loss(truth[r], p[r]),
        "ece_15": lambda r: metrics.expected_calibration_error(sure[r], right[r]),
    }
    return bootstrap(figures, cases.groups, resamples=resamples)


def dog_figures(cases: Cases, *, resamples: int = 1000) -> dict[str, Any] | None:
    """How well dogs are told from other pictures; None without both kinds."""
    known = [(case, case.evidence.dog_probability) for case in cases.rows if case.evidence]
    positive = np.array([case.is_dog for case, _ in known])
    score = np.array([probability for _, probability in known])
    if not len(positive) or positive.all() or not positive.any():
        return None
    alarms, detected = metrics.roc(score, positive)
    figures: dict[str, Callable[[Rows], float]] = {
        "area_under_roc": lambda r: metrics.area_under_roc(score[r], positive[r])
    }
    judged = [case for case in cases.rows if not case.is_dog and case.decision]
    coats = sum(case.decision.verdict in (Verdict.SETTLED, Verdict.NARROWED) for case in judged if case.decision)
    return {
        "figures": bootstrap(figures, [case.group for case, _ in known], resamples=resamples),
        "other_pictures": len(judged),
        "other_pictures_given_a_coat": {"count": coats, "interval": binomial_interval(coats, len(judged))},
        "roc": {"false_alarms": alarms.tolist(), "detected": detected.tolist()},
    }


def confusions(cases: Cases) -> dict[str, Any]:
    """Counts by truth (rows) and by what was said (columns)."""
    judged, measured = cases.judged, cases.measured
    counts = {"category": metrics.confusion(judged.truth, judged.p_category.argmax(axis=1), len(CATEGORIES)).tolist()}
    if cases.enough_bands:
        counts["band"] = metrics.confusion(measured.band, measured.p_band.argmax(axis=1), len(BANDS)).tolist()
    return counts


def class_section(cases: Cases) -> dict[str, Any]:
    """Precision, recall and F1 of each class with its counts; intervals of precision and recall are exact."""
    counts = confusions(cases)
    return {
        what: [_class_row(word, place, np.array(counts[what])) for place, word in enumerate(words)]
        for what, words in (("category", CATEGORIES), ("band", BANDS))
        if what in counts
    }


def _class_row(word: str, place: int, counts: NDArray[np.float64]) -> dict[str, Any]:
    right, labelled, said = (int(n) for n in (counts[place, place], counts[place].sum(), counts[:, place].sum()))
    return {
        "class": str(word),
        "labelled": labelled,
        "said": said,
        "right": right,
        "precision": right / said if said else None,
        "precision_interval": binomial_interval(right, said) if said else None,
        "recall": right / labelled if labelled else None,
        "recall_interval": binomial_interval(right, labelled) if labelled else None,
        "f1": 2 * right / (labelled + said) if labelled + said else None,
    }


def calibration(cases: Cases) -> dict[str, Any]:
    """Bins of the reliability diagrams (equal width) and the risk-coverage curve."""
    judged, measured = cases.judged, cases.measured
    edges = np.linspace(0, 1, metrics.BINS + 1)
    sure, right = judged.p_category.max(axis=1), judged.p_category.argmax(axis=1) == judged.truth
    coverage, risk = metrics.risk_coverage(sure, right)
    section: dict[str, Any] = {
        "category_bins": metrics.calibration_bins(sure, right, edges),
        "risk_coverage": {"coverage": coverage.tolist(), "risk": risk.tolist()},
    }
    if cases.enough_bands:
        sure, right = measured.p_band.max(axis=1), measured.p_band.argmax(axis=1) == measured.band
        section["band_bins"] = metrics.calibration_bins(sure, right, edges)
    return section


def set_section(cases: Cases) -> dict[str, Any]:
    """Size and coverage of the prediction sets, overall and by true class, with exact intervals."""
    section = {"category": _sets(cases.judged, "category")}
    return section | ({"band": _sets(cases.measured, "band")} if cases.enough_bands else {})


def _sets(cases: Cases, what: str) -> list[dict[str, Any]]:
    words: tuple[str, ...] = CATEGORIES if what == "category" else BANDS
    truths = cases.truth if what == "category" else cases.band
    chosen: list[tuple[str, ...]] = [
        (case.decision.categories if what == "category" else case.decision.bands)
        for case in cases.rows
        if case.decision
    ]
    held = np.array([words[truth] in names for truth, names in zip(truths, chosen, strict=True)], dtype=bool)
    sizes = np.array([len(names) for names in chosen])
    rows = []
    for name, of in [("all", np.ones(len(held), dtype=bool)), *((w, truths == i) for i, w in enumerate(words))]:
        n, hits = int(of.sum()), int(held[of].sum())
        if n:
            rows.append(
                {"class": str(name), "n": n, "coverage": hits / n, "interval": binomial_interval(hits, n)}
                | {"mean_size": float(sizes[of].mean()), "single": float((sizes[of] == 1).mean())}
            )
    return rows


def tables(cases: Cases, *, resamples: int = 1000) -> dict[str, dict[str, Figure]]:
    """Figures of category and band of one set of estimates; those of the band only where enough lengths are known."""
    figures = {"category": category_figures(cases.judged, resamples=resamples)}
    return figures | ({"band": band_figures(cases.measured, resamples=resamples)} if cases.enough_bands else {})
