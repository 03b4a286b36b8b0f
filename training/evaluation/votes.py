"""``python -m training votes``: the release against all votes, beside a further annotator, and the release before.

No person voted: every annotator is a pass of a general vision-language model, so their agreement is an upper bound on
how far independent judges would agree.

What the release says of each photo is kept in ``predictions.npz``. Once that file is of another release, it becomes
``predictions_before.npz``, and the differences are paired: the same photos, the same resamples.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.ensemble import load as load_members
from coatclass.errors import InputError
from coatclass.reports.evaluation import LabelledPhotos, metrics, with_decisions
from coatclass.reports.evaluation.metrics import Figure, bootstrap
from coatclass.taxonomy import CATEGORIES, CoatCategory
from coatclass.vision import read_manifest
from training.ensemble.data import Dataset, load, manifest_rows
from training.evaluation.cases import EVIDENCE, cases_of_evidence, cross_fitted, pool
from training.evaluation.tables import put_between, table
from training.places import ROOT, photos_folder, read_csv

__all__ = ["FAMILY", "RARE_PLACES", "Voted", "add_arguments", "change", "quoted_votes", "run", "summary"]

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
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="folder of the release; votes.json too")
    parser.add_argument(
        "--test", action="store_true", help="also the test split: once, when nothing is chosen any more"
    )


def run(options: argparse.Namespace) -> int:
    """Measure, write ``votes.json`` and what the cards quote of it, print that."""
    models = options.models
    sets = dict(_sets(models, test=options.test))
    release = [read_manifest(models).model_version, load_members().version]
    before = _kept_before(models, release, sets)
    report: dict[str, Any] = {
        "release": release,
        "before": before["release"] if before else None,
        "figures": {name: _plain(summary(voted)) for name, (voted, _) in sets.items()},
        "change": {
            name: _plain(change(voted, said))
            for name, (voted, photos) in sets.items()
            if before and (said := _said_before(before, name, photos)) is not None
        },
    }
    _keep(models / KEPT, sets, release)
    (models / "votes.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    told = quoted_votes(report)
    put_between(models / "MODEL_CARD.md", BEGIN_VOTES, END_VOTES, f"\n{told}\n")
    print(told)
    return 0


def _plain(figures: dict[str, Figure]) -> dict[str, list[float]]:
    return {name: [round(float(value), 4) for value in figure] for name, figure in figures.items()}


# --- what releases said of each photo -------------------------------------------------------------------------------

KEPT, KEPT_BEFORE = "predictions.npz", "predictions_before.npz"
Sets = dict[str, tuple["Voted", NDArray[np.str_]]]


def _kept_before(models: Path, release: list[str], sets: Sets) -> dict[str, Any] | None:
    """The predictions of the release before; the last release's file takes their place once predictions change.

    A refit that leaves the predictions for photos unchanged (of answers alone, say) keeps the earlier file.
    """
    kept = _read(models / KEPT) if (models / KEPT).exists() else None
    if kept is not None and kept["release"] != release and not _says_the_same(kept, sets):
        (models / KEPT).replace(models / KEPT_BEFORE)
    return _read(models / KEPT_BEFORE) if (models / KEPT_BEFORE).exists() else None


def _says_the_same(kept: dict[str, Any], sets: Sets) -> bool:
    shared = [name for name in _WHOLE if name in sets and f"{name}:log_category" in kept]
    return bool(shared) and all(
        np.array_equal(kept[f"{name}:photo_id"], sets[name][1])
        and np.allclose(kept[f"{name}:log_category"], _logs(sets[name][0]), atol=0.01)
        for name in shared
    )


def _logs(voted: Voted) -> NDArray[np.float16]:
    """Log P(category); half precision keeps three digits of a logarithm in half the bytes."""
    logs: NDArray[np.float16] = np.log(voted.probabilities.clip(1e-12)).astype(np.float16)
    return logs


def _read(path: Path) -> dict[str, Any]:
    with np.load(path, allow_pickle=False) as arrays:
        return {name: arrays[name] for name in arrays.files} | {"release": arrays["release"].tolist()}


def _keep(path: Path, sets: Sets, release: list[str]) -> None:
    """Log P(category) by set of photos, and whose they are."""
    columns: dict[str, Any] = {}
    if path.exists():  # test is measured once: later calls keep it
        columns = {name: np.asarray(value) for name, value in _read(path).items()}
    columns["release"] = np.array(release)
    for name in _WHOLE:
        if name in sets:
            voted, photos = sets[name]
            columns[f"{name}:log_category"] = _logs(voted)
            columns[f"{name}:photo_id"] = photos
    np.savez_compressed(path, **columns)


def _said_before(before: dict[str, Any], name: str, photos: NDArray[np.str_]) -> Array | None:
    """P(category) (N, 7) of these photos, as the release before had it; None if it was not asked.

    Raises:
        InputError: if it was asked about other photos.
    """
    whole = next(whole for whole in _WHOLE if name.startswith(whole))
    if f"{whole}:log_category" not in before:
        return None
    place = {photo: row for row, photo in enumerate(before[f"{whole}:photo_id"].tolist())}
    if not place.keys() >= set(photos.tolist()):
        raise InputError(KEPT_BEFORE, "lacks photos of the labels.", "Remove the file: then nothing is compared.")
    p = np.exp(before[f"{whole}:log_category"].astype(np.float64))[[place[photo] for photo in photos.tolist()]]
    return np.asarray(p / p.sum(axis=1, keepdims=True))


# --- sets of photos -------------------------------------------------------------------------------------------------

_WHOLE = ("breed never seen", "dog never seen", "test")


def _sets(models: Path, *, test: bool) -> Iterator[tuple[str, tuple[Voted, NDArray[np.str_]]]]:
    """Photos by what had not been seen, all and parts of them, with their names."""
    known = pool(models)
    sources = np.array([row["set"] for row in map(manifest_rows().__getitem__, known.photo_id.tolist())])
    parts = {"rare coats": np.isin(known.category, RARE_PLACES), "open photos": sources == "open"}
    for name, unseen, group in (("breed never seen", "breed", known.breed), ("dog never seen", "dog", known.group)):
        voted = _voted(cross_fitted(models, unseen), known, group)
        yield name, (voted, known.photo_id)
        for part, chosen in parts.items():
            yield f"{name}, {part}", (voted.take(chosen), known.photo_id[chosen])
    if test:
        data = load(models / EVIDENCE["dog"])
        data = data.take(data.split == "test")
        voted, rare = (
            _voted(with_decisions(cases_of_evidence(data)), data, data.group),
            np.isin(data.category, RARE_PLACES),
        )
        yield "test", (voted, data.photo_id)
        yield "test, rare coats", (voted.take(rare), data.photo_id[rare])


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


Scores = dict[str, Callable[[NDArray[np.int64]], float]]


def summary(voted: Voted) -> dict[str, Figure]:
    """Every figure with its 95 % interval over groups; differences are paired, the release less the annotators' mean.

    ``log_loss`` (nats) and ``brier`` are against the vote shares, ``accuracy`` against the agreed label; the figures
    of further annotators, and the differences, are of the photos that both of them judged.
    """
    said, truth = voted.probabilities.argmax(axis=1), voted.label
    one_voice, judged = voted.votes.max(axis=1) == 1, (voted.further != _UNKNOWN).all(axis=1)
    right, kin = said == truth, FAMILY[said] == FAMILY[truth]
    others = (voted.further == truth[:, None]).mean(axis=1)
    others_kin = (FAMILY[voted.further] == FAMILY[truth][:, None]).mean(axis=1)

    def f1(of: NDArray[np.int64]) -> Callable[[NDArray[np.int64]], float]:
        return lambda rows: macro_f1(truth[rows][judged[rows]], of[rows][judged[rows]])

    figures = _scores(voted) | {
        "accuracy_one_voice": _mean(right, one_voice),
        "accuracy_voices_differ": _mean(right, ~one_voice),
        "judged_accuracy": _mean(right, judged),
        "judged_macro_f1": f1(said),
        "annotator_3_accuracy": _mean(voted.further[:, 0] == truth, judged),
        "annotator_4_accuracy": _mean(voted.further[:, 1] == truth, judged),
        "annotator_3_macro_f1": f1(voted.further[:, 0]),
        "annotator_4_macro_f1": f1(voted.further[:, 1]),
        "less_further_annotators": _mean(right - others, judged),
        "less_further_annotators_hair_or_drop": _mean(kin - others_kin, judged),
    }
    found = bootstrap(figures, voted.group)
    counts = {"accuracy_one_voice": one_voice, "accuracy_voices_differ": ~one_voice}
    counts |= {name: judged for name in found if "judged" in name or "annotator" in name}
    return {
        name: figure._replace(n=int(counts[name].sum())) if name in counts else figure for name, figure in found.items()
    }


def _scores(voted: Voted) -> Scores:
    """The figures by which two releases are compared."""
    said, truth = voted.probabilities.argmax(axis=1), voted.label
    logs = np.log(voted.probabilities.clip(1e-12))
    return {
        "accuracy": _mean(said == truth),
        "accuracy_hair_or_drop": _mean(FAMILY[said] == FAMILY[truth]),
        "macro_f1": lambda rows: macro_f1(truth[rows], said[rows]),
        "log_loss": _mean(-(voted.votes * logs).sum(axis=1)),
        "brier": _mean(np.square(voted.probabilities - voted.votes).sum(axis=1)),
    }


def _mean(values: NDArray[Any], where: NDArray[np.bool_] | None = None) -> Callable[[NDArray[np.int64]], float]:
    chosen = np.ones(len(values), bool) if where is None else where
    return lambda rows: float(np.mean(values[rows][chosen[rows]])) if chosen[rows].any() else float("nan")


def change(now: Voted, before: Array) -> dict[str, Figure]:
    """This release less the one before, which said ``before`` (N, 7): paired, 95 % intervals over groups."""
    ours, theirs = _scores(now), _scores(replace(now, probabilities=before))

    def difference(name: str) -> Callable[[NDArray[np.int64]], float]:
        return lambda rows: ours[name](rows) - theirs[name](rows)

    return bootstrap({name: difference(name) for name in ours}, now.group)


def macro_f1(truth: NDArray[np.int64], said: NDArray[np.int64]) -> float:
    """Macro-F1 over the categories but *mixed*, on photos that are not mixed."""
    known = truth != _MIXED
    if not known.any():
        return float("nan")
    return metrics.macro_f1(truth[known], said[known], [name for name in range(len(CATEGORIES)) if name != _MIXED])


# --- for people -----------------------------------------------------------------------------------------------------

BEGIN_VOTES, END_VOTES = "<!-- figures of models/votes.json: begin -->", "<!-- figures of models/votes.json: end -->"
_COMPARED = {
    "accuracy": "accuracy",
    "accuracy_hair_or_drop": "- *hair* and *drop* as one",
    "macro_f1": "- macro-F1 without *mixed*",
    "log_loss": "- log loss",
    "brier": "- Brier score",
}
_RARE_ONLY = ("accuracy", "accuracy_hair_or_drop", "log_loss")


def quoted_votes(report: dict[str, Any]) -> str:
    """Release and further annotators by set of photos, before and after; Markdown."""
    image, ensemble = report["release"]
    before = f"; before: `{report['before'][0]}` with `{report['before'][1]}`" if report["before"] else ""
    head = ("", "before", "after", "difference", "a further annotator (third / fourth)")
    lines = [f"`{image}` with `{ensemble}`{before}.", "", *table(head, [])]
    for name, figures in report["figures"].items():
        less = report["change"].get(name, {})
        for figure, words in _COMPARED.items():
            if "," not in name or figure in _RARE_ONLY:
                title = f"**{name}** ({figures['accuracy'][3]:.0f}): {words}" if figure == "accuracy" else words
                lines.append(f"| {title} | {' | '.join(_cells(figures, less, figure))} |")
    return "\n".join(lines)


def _cells(figures: dict[str, list[float]], less: dict[str, list[float]], figure: str) -> list[str]:
    value, low, high, _ = figures[figure]
    after = f"{value:.3f} ({low:.3f} to {high:.3f})"
    before, difference = "", ""
    if figure in less:
        by, least, most, _ = less[figure]
        before, difference = f"{value - by:.3f}", f"{by:+.3f} ({least:+.3f} to {most:+.3f})"
    return [before, after, difference, _annotators(figures, figure)]


def _annotators(figures: dict[str, list[float]], figure: str) -> str:
    """Their agreement with the label, beside the release's on the photos that both of them judged."""
    if figure not in ("accuracy", "macro_f1"):
        return ""
    third, fourth, ours = (figures[f"{who}_{figure}"] for who in ("annotator_3", "annotator_4", "judged"))
    return f"{third[0]:.3f} / {fourth[0]:.3f}; release {ours[0]:.3f}, of {ours[3]:.0f}"
