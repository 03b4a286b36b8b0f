"""``python -m training votes``: the release against all annotators' votes, and beside what a further annotator reaches.

No person voted: every annotator is a pass of a general vision-language model, so their agreement is an upper bound on
how far independent judges would agree.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.reports.evaluation import LabelledPhotos, with_decisions
from coatclass.reports.evaluation.metrics import Figure, bootstrap
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble.data import Dataset, load
from training.evaluation.cases import EVIDENCE, cases_of_evidence, cross_fitted, pool
from training.places import ROOT, photos_folder, read_csv

__all__ = ["FAMILY", "RARE", "RARE_PLACES", "Voted", "add_arguments", "run", "summary"]

Array = NDArray[np.float64]
_UNKNOWN = -1
RARE = (CoatCategory.HAIR, CoatCategory.MIXED, CoatCategory.WIRE, CoatCategory.CURLY, CoatCategory.DROP)
RARE_PLACES = tuple(CATEGORIES.index(name) for name in RARE)
# Soft hair that keeps growing: what parts *hair* from *drop* is only its length at the moment.
FAMILY = np.array([CATEGORIES.index(CoatCategory.HAIR if name is CoatCategory.DROP else name) for name in CATEGORIES])
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_FURTHER = ("3", "4")


@dataclass(frozen=True)
class Voted:
    """N photos, what was said of each.

    Attributes:
        probabilities: (N, 7) the release's.
        label: (N,) the agreed label.
        votes: (N, 7) shares of the annotators, each counting one.
        further: (N, 2) the third and the fourth annotator's categories; -1 where they were not asked.
        group: (N,) resampled together in intervals.
    """

    probabilities: Array
    label: NDArray[np.int64]
    votes: Array
    further: NDArray[np.int64]
    group: NDArray[np.str_]

    def take(self, chosen: Any) -> Voted:
        """The chosen photos."""
        return Voted(**{name: value[chosen] for name, value in vars(self).items()})


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training votes``."""
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="folder of the released files")
    parser.add_argument("--out", type=Path, default=ROOT / "models" / "votes.json", help="where the figures go")
    parser.add_argument(
        "--test", action="store_true", help="also the test split: once, when nothing is chosen any more"
    )


def run(options: argparse.Namespace) -> int:
    """Measure, write the figures as JSON, print them as a Markdown table."""
    found = {name: summary(voted) for name, voted in _sets(options.models, test=options.test)}
    plain = {name: {key: list(figure) for key, figure in figures.items()} for name, figures in found.items()}
    options.out.write_text(json.dumps(plain, indent=1) + "\n", encoding="utf-8")
    print(table(found))
    return 0


def _sets(models: Path, *, test: bool) -> Iterator[tuple[str, Voted]]:
    known = pool(models)
    rare = np.isin(known.category, RARE_PLACES)
    for name, unseen, group in (("breed never seen", "breed", known.breed), ("dog never seen", "dog", known.group)):
        voted = _voted(cross_fitted(models, unseen), known, group)
        yield name, voted
        yield f"{name}, rare coats", voted.take(rare)
    if test:
        data = load(models / EVIDENCE["dog"])
        data = data.take(data.split == "test")
        yield "test", _voted(with_decisions(cases_of_evidence(data)), data, data.group)


def _voted(cases: LabelledPhotos, data: Dataset, group: NDArray[np.str_]) -> Voted:
    estimates = [case.estimate for case in cases.rows]
    probabilities = np.array([estimate.category for estimate in estimates if estimate is not None])
    assert len(probabilities) == len(data)
    return Voted(probabilities, data.category, data.votes, _further(data.photo_id.tolist()), group)


def _further(photos: list[str]) -> NDArray[np.int64]:
    rows = read_csv(photos_folder() / "more_opinions.csv")
    said = {(row["photo_id"], row["annotator"]): row["category"] for row in rows}
    names = [str(category) for category in CATEGORIES]
    return np.array(
        [[names.index(said[photo, who]) if (photo, who) in said else _UNKNOWN for who in _FURTHER] for photo in photos]
    )


def summary(voted: Voted) -> dict[str, Figure]:
    """Every figure with its 95 % interval over groups; differences are paired, the release less the annotators' mean.

    ``log_loss`` (nats) and ``brier`` are against the vote shares, ``accuracy`` against the agreed label; the figures
    of further annotators, and the differences, are of the photos that both of them judged.
    """
    said, truth = voted.probabilities.argmax(axis=1), voted.label
    logs = np.log(voted.probabilities.clip(1e-12))
    one_voice = voted.votes.max(axis=1) == 1
    judged = (voted.further != _UNKNOWN).all(axis=1)

    def mean(values: NDArray[Any], where: NDArray[np.bool_] | None = None) -> Callable[[NDArray[np.int64]], float]:
        chosen = np.ones(len(values), bool) if where is None else where
        return lambda rows: float(np.mean(values[rows][chosen[rows]])) if chosen[rows].any() else float("nan")

    right, kin = said == truth, FAMILY[said] == FAMILY[truth]
    others = (voted.further == truth[:, None]).mean(axis=1)
    others_kin = (FAMILY[voted.further] == FAMILY[truth][:, None]).mean(axis=1)

    def f1(of: NDArray[np.int64]) -> Callable[[NDArray[np.int64]], float]:
        return lambda rows: macro_f1(truth[rows][judged[rows]], of[rows][judged[rows]])

    figures = {
        "log_loss": mean(-(voted.votes * logs).sum(axis=1)),
        "brier": mean(np.square(voted.probabilities - voted.votes).sum(axis=1)),
        "accuracy": mean(right),
        "accuracy_hair_or_drop": mean(kin),
        "accuracy_one_voice": mean(right, one_voice),
        "accuracy_voices_differ": mean(right, ~one_voice),
        "judged_accuracy": mean(right, judged),
        "judged_macro_f1": f1(said),
        "annotator_3_accuracy": mean(voted.further[:, 0] == truth, judged),
        "annotator_4_accuracy": mean(voted.further[:, 1] == truth, judged),
        "annotator_3_macro_f1": f1(voted.further[:, 0]),
        "annotator_4_macro_f1": f1(voted.further[:, 1]),
        "less_further_annotators": mean(right - others, judged),
        "less_further_annotators_hair_or_drop": mean(kin - others_kin, judged),
    }
    found = bootstrap(figures, voted.group)
    counts = {"accuracy_one_voice": one_voice, "accuracy_voices_differ": ~one_voice}
    counts |= {name: judged for name in found if "judged" in name or "annotator" in name}
    return {
        name: figure._replace(n=int(counts[name].sum())) if name in counts else figure for name, figure in found.items()
    }


def macro_f1(truth: NDArray[np.int64], said: NDArray[np.int64]) -> float:
    """Macro-F1 over the categories but *mixed*, on photos that are not mixed."""
    from sklearn.metrics import f1_score

    known = truth != _MIXED
    if not known.any():
        return float("nan")
    names = [place for place in range(len(CATEGORIES)) if place != _MIXED]
    return float(f1_score(truth[known], said[known], labels=names, average="macro", zero_division=0))


def table(found: dict[str, dict[str, Figure]]) -> str:
    """All figures as Markdown, a column for each set of photos."""
    lines = ["| | " + " | ".join(found) + " |", "|---" * (len(found) + 1) + "|"]
    for name in next(iter(found.values())):
        cells = [_cell(figures[name]) for figures in found.values()]
        lines.append(f"| {name.replace('_', ' ')} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _cell(figure: Figure) -> str:
    if not np.isfinite(figure.value):
        return ""
    return f"{figure.value:.3f} ({figure.low:.3f} to {figure.high:.3f}), n = {figure.n}"
