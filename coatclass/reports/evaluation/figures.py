"""The figures of the report, with their intervals, and their names: category, band, dog or not, sets, verdicts.

Page, Markdown, README and model card show one list of them, under the same names; the page in its reader's language,
the JSON in English.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.contract import Verdict
from coatclass.decision import promise
from coatclass.reports.evaluation import metrics
from coatclass.reports.evaluation.cases import LabelledPhoto, LabelledPhotos
from coatclass.reports.evaluation.metrics import Figure, binomial_interval, bootstrap
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory
from coatclass.words import catalogue, in_language

REST = "(all other values)"
"""Of a column with many values, all those that come after the first ones."""

_FOUND = ("evaluation.found",)
_REASONS = ("refusals", "reasons", *_FOUND)


class Wording:
    """The words of the page. Take it from :func:`wording`.

    Attributes:
        language: code of the language in use: English where the one asked for lacks the report's texts.
    """

    def __init__(self, language: str) -> None:
        texts = catalogue(language, "evaluation")
        self.language = texts.language
        self.say, self.count, self._has = texts.say, texts.count, texts.has
        self._names = catalogue(self.language)
        self.decimal = self._decimal(".")

    def _decimal(self, text: str) -> str:
        return text.replace(".", str(self._names.number(0.5))[1])

    def number(self, value: float, digits: int = 3) -> str:
        """A number with its decimals, without a minus before a rounded zero."""
        return self._decimal(f"{round(value, digits) + 0.0:.{digits}f}")

    def short(self, value: float) -> str:
        """A number without trailing zeros."""
        return self._decimal(f"{value:g}")

    def percent(self, share: float) -> str:
        """A share in whole percent."""
        return self.say("percent", n=f"{share:.0%}".removesuffix("%"))

    def plot(self, key: str) -> str:
        """Text of an axis or of a plot's key."""
        return self.say(f"plot.{key}")

    def label(self, name: str) -> str:
        """A figure's name for people."""
        return self.say(f"figure.{name}") if self._has(f"figure.{name}") else self.spoken(name)

    def spoken(self, word: str) -> str:
        """A name of the data as people write it: bands in millimetres, no underscores."""
        if word in BANDS:
            return self._names.band(word).partition(" (")[0]
        if word in CATEGORIES:
            return self._names.coat(word)
        return self.say(f"name.{word}") if self._has(f"name.{word}") else word.replace("_", " ")

    def coat(self, label: str) -> str:
        """A coat that the report calls by its English name, as it begins a line."""
        word = label.casefold()
        return self._names.title(self._names.coat(word)) if word in CATEGORIES else label

    def subgroup(self, row: Mapping[str, Any]) -> str:
        """A subgroup: what is compared, and which part. Values of the researcher's own columns stay as they are."""
        kind, name = self.told(row["kind"]), row["name"]
        own = kind == row["kind"] or row["kind"] == "source"
        return f"{kind}: {name if own and name != REST else self.told(name)}"

    def told(self, text: str) -> str:
        """A sentence or name that the report holds in English; as it is where it is the researcher's own."""
        return in_language(text, self.language, rooms=_FOUND)

    def reason(self, text: str) -> str:
        """Why a photo was refused."""
        return in_language(text, self.language, rooms=_REASONS)


@cache
def wording(language: str = "en") -> Wording:
    """The words of the page in a language.

    Raises:
        InputError: for a language that has no texts at all.
    """
    return Wording(language)


_OF_CATEGORY = (
    "accuracy", "balanced_accuracy", "macro_f1", "macro_f1_without_mixed", "log_loss", "brier", "ece_15",
    "adaptive_ece_15", "aurc", "coverage_at_2_percent_error", "coverage_at_5_percent_error",
    "log_loss_against_annotators", "brier_against_annotators",
)  # fmt: skip
_OF_BAND = ("exact", "within_one", "quadratic_weighted_kappa", "log_loss", "ece_15")

FIGURES: tuple[tuple[str, str], ...] = (
    *(("category", name) for name in _OF_CATEGORY),
    *(("band", name) for name in _OF_BAND),
)
"""Part of the report and name of each main figure, in the order shown."""

_CHOSEN = "chosen"


def label(name: str) -> str:
    """A figure's English name."""
    return wording().label(name)


def shown_table(extra: Mapping[str, Any]) -> tuple[list[str], list[list[Any]]]:
    """Head and rows of a ready-made table as people are shown them; the JSON keeps every row.

    If a column marks the chosen rows, each variant (named in the first column) is shown by its chosen row, or by its
    first row if none was chosen, without that column.
    """
    head, rows = list(extra["head"]), [list(row) for row in extra["rows"]]
    if _CHOSEN not in head:
        return head, rows
    place = head.index(_CHOSEN)
    first: dict[Any, Sequence[Any]] = {}
    for row in rows:
        if row[0] not in first or (row[place] and not first[row[0]][place]):
            first[row[0]] = row
    return _without(head, place), [_without(row, place) for row in first.values()]


def _without(cells: Sequence[Any], place: int) -> list[Any]:
    return [*cells[:place], *cells[place + 1 :]]


Rows = NDArray[np.int64]
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_ALL = list(range(len(CATEGORIES)))
_NOT_MIXED = [label for label in _ALL if label != _MIXED]


def category_scores(cases: LabelledPhotos) -> dict[str, Callable[[Rows], float]]:
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
    cases: LabelledPhotos,
    *,
    only: Sequence[str] | None = None,
    resamples: int = 1000,
    units: Sequence[str] | None = None,
) -> dict[str, Figure]:
    """Figures of the category over judged dogs, each with its interval.

    Args:
        only: names of the figures, in the order wanted; all if not given.
        units: what is resampled, one for each case; its group if not given.
    """
    scores = category_scores(cases)
    chosen = {name: scores[name] for name in only or scores}
    return bootstrap(chosen, cases.groups if units is None else units, resamples=resamples)


def band_figures(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Figure]:
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


def dog_figures(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Any] | None:
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


def confusions(cases: LabelledPhotos) -> dict[str, Any]:
    """Counts by truth (rows) and by what was said (columns)."""
    judged, measured = cases.judged, cases.measured
    counts = {"category": metrics.confusion(judged.truth, judged.p_category.argmax(axis=1), len(CATEGORIES)).tolist()}
    if cases.enough_bands:
        counts["band"] = metrics.confusion(measured.band, measured.p_band.argmax(axis=1), len(BANDS)).tolist()
    return counts


def class_section(cases: LabelledPhotos) -> dict[str, Any]:
    """Precision, recall and F1 of each class with its counts; intervals of precision and recall are exact."""
    return class_rows(confusions(cases))


def class_rows(counts: Mapping[str, Any]) -> dict[str, Any]:
    """The same of :func:`confusions`."""
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


def calibration(cases: LabelledPhotos) -> dict[str, Any]:
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


def set_section(cases: LabelledPhotos) -> dict[str, Any]:
    """Size and coverage of the prediction sets, overall and by true class, with exact intervals."""
    section = {"category": _sets(cases.judged, "category")}
    told = any(case.decision and case.decision.bands for case in cases.measured.rows)  # a table of scores holds none
    return section | ({"band": _sets(cases.measured, "band")} if cases.enough_bands and told else {})


def _sets(cases: LabelledPhotos, what: str) -> list[dict[str, Any]]:
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


def tables(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, dict[str, Figure]]:
    """Figures of category and band of one set of estimates; those of the band only where enough lengths are known."""
    figures = {"category": category_figures(cases.judged, resamples=resamples)}
    return figures | ({"band": band_figures(cases.measured, resamples=resamples)} if cases.enough_bands else {})


_MIXED = CATEGORIES.index(CoatCategory.MIXED)


def counted(hits: int, n: int) -> dict[str, Any]:
    """A share with its exact interval (Clopper and Pearson 1934); share and interval None among none."""
    return {"n": n, "share": hits / n if n else None, "interval": binomial_interval(hits, n) if n else None}


def _verdict(case: LabelledPhoto) -> str:
    return str(case.decision.verdict) if case.decision else ""


def verdict_section(cases: LabelledPhotos) -> list[dict[str, Any]]:
    """How often each verdict is given and, where it names a coat, how often the first named is wrong."""
    judged = cases.judged
    wrong = judged.p_category.argmax(axis=1) != judged.truth
    verdicts = np.array([_verdict(case) for case in judged.rows])
    rows = []
    for verdict in (Verdict.SETTLED, Verdict.NARROWED, Verdict.HANDS_ON):
        of = verdicts == verdict
        n, errors = int(of.sum()), int(wrong[of].sum())
        share = n / len(judged) if len(judged) else 0.0
        rows.append({"verdict": str(verdict), "n": n, "share": share, "wrong": errors})
        rows[-1]["interval"] = counted(errors, n)["interval"]
    return rows


def settled_section(cases: LabelledPhotos) -> dict[str, Any]:
    """Wrong among *settled*, by what was said and by the source of the photo: the promise holds only on average.

    Rows: ``name``, ``n`` settled, ``wrong``, ``share`` wrong, exact ``interval`` (photos taken as independent).
    """
    settled = cases.judged.where(lambda case: _verdict(case) == Verdict.SETTLED)
    said = settled.p_category.argmax(axis=1)
    wrong = said != settled.truth
    sources = np.array([case.source for case in settled.rows])

    def row(name: str, of: Any) -> dict[str, Any]:
        errors = int(wrong[of].sum())
        return {"name": name, "wrong": errors} | counted(errors, int(of.sum()))

    return {
        "promised_wrong_at_most": promise()["settled_risk"],
        "all": row("all", np.ones(len(settled), dtype=bool)),
        "by_said": [row(str(name), said == i) for i, name in enumerate(CATEGORIES) if (said == i).any()],
        "by_source": [row(name, sources == name) for name in sorted(set(sources.tolist()) - {""})],
    }


def mixed_section(cases: LabelledPhotos) -> dict[str, Any]:
    """The dangerous error: a mixed coat that is called something else with confidence.

    In the narrow sense it is settled as another coat. In the wider sense *mixed* is ruled out without hands: settled or
    narrowed to other coats, so that nobody is told to have it touched.
    """
    mixed = cases.judged.where(lambda case: case.category == _MIXED)
    n = len(mixed)
    settled = sum(_verdict(case) == Verdict.SETTLED for case in mixed.rows)
    ruled_out = sum(_ruled_out(case) for case in mixed.rows)
    sent = sum(_verdict(case) == Verdict.HANDS_ON for case in mixed.rows)
    return {
        "photos": n,
        "called_something_else_with_confidence": settled,
        "interval": counted(settled, n)["interval"],
        "ruled_out_without_hands": ruled_out,
        "ruled_out_interval": counted(ruled_out, n)["interval"],
        "sent_to_a_groomer": sent,
        "sent_interval": counted(sent, n)["interval"],
    }


def _ruled_out(case: LabelledPhoto) -> bool:
    """Whether the answer names coats and *mixed* is not among them."""
    told = _verdict(case) in (Verdict.SETTLED, Verdict.NARROWED)
    return bool(case.decision and told and CoatCategory.MIXED not in case.decision.categories)
