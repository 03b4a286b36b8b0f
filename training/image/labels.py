"""The photos' labels as arrays, and who may train on which of them.

Soft labels come from up to four annotators, weighted by how sure they were.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coatclass.errors import InputError
from coatclass.taxonomy import CATEGORIES
from coatclass.vision import LOOKS as QUESTIONS
from training.image.config import Config
from training.image.linear import LOOKS
from training.places import read_csv

_BAND_LETTERS = "ABCD"  # the manifest's letters for coatclass.taxonomy.BANDS; U is "not visible"
_BY_CONFIDENCE = {3: 1.0, 2: 0.8, 1: 0.5}  # an annotator's weight; only ratios between two who disagree matter
_ADJUDICATOR = 0.7  # border cases are close to coin flips: the third opinion counts like one annotator's
_PARTLY_VISIBLE = 0.5  # several dogs, or part of a coat: half a photo's weight
_LOOKS_COLUMNS = {"curl": "curl", "lie": "lie", "furnishings": "beard_and_brows", "feel": "feel_by_look"}
_LENGTH_COLUMN = "trunk_length_mm_by_eye"
_LENGTH_MM = (24.0, 2.2)  # about the geometric mean and spread of the observers' lengths: one unit of the last score


Row = dict[str, str]
Opinions = Mapping[str, list[Row]]


@dataclass(frozen=True)
class Labels:
    """One entry a photo, in the manifest's order.

    Attributes:
        category: (N, 7) soft label, rows sum to 1.
        category_hard, band_hard: the agreed label's index; band is -1 where the length is not visible.
        band: (N, 4) soft label; rows of zeros where the length is not visible.
        weight: (N,) weight of the photo in training.
        single: (N,) share of the annotators who saw one dog, and enough of it to judge the coat.
        sureness: (N,) the less sure annotator's confidence, 1 to 3.
        breed: (N,) index into ``breeds``.
        looks: (N, 15) what an observer says of the coat: a column for each answer, then the standardised log length and
            whether it is known.
    """

    photo_id: NDArray[np.str_]
    file: NDArray[np.str_]
    split: NDArray[np.str_]
    group: NDArray[np.str_]
    source: NDArray[np.str_]
    breed: NDArray[np.int64]
    breeds: tuple[str, ...]
    category: NDArray[np.float32]
    category_hard: NDArray[np.int64]
    band: NDArray[np.float32]
    band_hard: NDArray[np.int64]
    usable: NDArray[np.bool_]
    single: NDArray[np.float32]
    weight: NDArray[np.float32]
    sureness: NDArray[np.int64]
    looks: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.photo_id)

    def where(self, *splits: str) -> NDArray[np.int64]:
        """Indices of the photos in these splits."""
        return np.flatnonzero(np.isin(self.split, splits))


def read_labels(photos: Path) -> Labels:
    """Read ``manifest.csv`` in the folder of photos, and what ``more_opinions.csv`` and ``observed_answers.csv`` add.

    Raises:
        InputError: if there is no such file.
    """
    path = photos / "manifest.csv"
    if not path.is_file():
        raise InputError(str(photos), "holds no manifest.csv.", "Name the photos with --photos or COATCLASS_PHOTOS.")
    return labels_of(read_csv(path), *read_further(photos))


def read_further(photos: Path) -> tuple[Opinions, Mapping[str, Row]]:
    """Further annotators' opinions, and an observer's answers, by photo; both may be missing."""
    opinions: dict[str, list[Row]] = defaultdict(list)
    for opinion in read_csv(photos / "more_opinions.csv", optional=True):
        opinions[opinion["photo_id"]].append(opinion)
    return opinions, {row["photo_id"]: row for row in read_csv(photos / "observed_answers.csv", optional=True)}


def labels_of(rows: Sequence[Row], opinions: Opinions, observed: Mapping[str, Row]) -> Labels:
    """Rows of the manifest, with what else is known of their photos, as arrays."""
    votes = [opinions.get(row["photo_id"], []) for row in rows]
    breeds = tuple(sorted({row["breed"] for row in rows}))
    names = [str(category) for category in CATEGORIES]

    def column(name: str) -> NDArray[np.str_]:
        return np.array([row[name] for row in rows])

    return Labels(
        photo_id=column("photo_id"),
        file=column("file"),
        split=column("split"),
        group=column("group"),
        source=column("set"),
        breed=np.array([breeds.index(row["breed"]) for row in rows]),
        breeds=breeds,
        category=_shares(rows, votes, "category", names),
        category_hard=np.array([names.index(row["category"]) for row in rows]),
        band=_shares(rows, votes, "band", list(_BAND_LETTERS)),
        band_hard=np.array([_BAND_LETTERS.find(row["band"]) for row in rows]),
        usable=column("usable") == "y",
        single=np.array([_share_of_yes(row) for row in rows], np.float32),
        weight=np.array([1.0 if row["usable"] == "y" else _PARTLY_VISIBLE for row in rows], np.float32),
        sureness=np.array([min(_confidences(row)) for row in rows]),
        looks=_looks([observed.get(row["photo_id"], {}) for row in rows]),
    )


def _looks(rows: list[Row]) -> NDArray[np.float32]:
    """Answers of N observers as (N, 15): one column an answer, rows of zeros where it can't be seen; then the
    standardised log length, and whether it is known.
    """
    found = np.zeros((len(rows), LOOKS + 1), np.float32)
    for place, row in enumerate(rows):
        column = 0
        for question, answers in QUESTIONS.items():
            if (said := row.get(_LOOKS_COLUMNS[question], "")) in answers:
                found[place, column + answers.index(said)] = 1
            column += len(answers)
        if row.get(_LENGTH_COLUMN):
            found[place, column:] = np.log(float(row[_LENGTH_COLUMN]) / _LENGTH_MM[0]) / np.log(_LENGTH_MM[1]), 1
    return found


def _share_of_yes(row: Row) -> float:
    said = [row[name] for name in ("usable_1", "usable_2") if row[name]]
    return said.count("y") / len(said)


def _confidences(row: Row) -> list[int]:
    return [int(float(row[name])) for name in ("confidence_1", "confidence_2") if row[name]]


def _shares(rows: Sequence[Row], further: list[list[Row]], what: str, names: list[str]) -> NDArray[np.float32]:
    return np.array([_soft(row, votes, what, names) for row, votes in zip(rows, further, strict=True)], np.float32)


def _soft(row: Row, further: list[Row], what: str, names: list[str]) -> list[float]:
    """Votes of all annotators by confidence, and of the adjudicator where there was one; zeros if nobody could see."""
    votes = [
        (row[f"{what}_{k}"], _BY_CONFIDENCE[int(float(row[f"confidence_{k}"]))]) for k in "12" if row[f"{what}_{k}"]
    ]
    votes += [(opinion[what], _BY_CONFIDENCE[int(opinion["confidence"])]) for opinion in further]
    if row[f"{what}_status"] == "adjudicated":
        votes.append((row[what], _ADJUDICATOR))
    shares = [sum(say for name, say in votes if name == word) for word in names]
    total = sum(shares)
    return [share / total for share in shares] if total else shares


@dataclass(frozen=True)
class TrainingPlan:
    """Who trains on what.

    Attributes:
        folds: fold of each photo, -1 on the test split; by what is held out: ``group`` (the dog), ``breed``, and for
            a release ``source`` (where the photo came from).
        jobs: indices of the training photos by name: ``val`` (train split only), ``group0``…, ``breed0``…,
            ``source0``…, ``all``.
    """

    folds: dict[str, NDArray[np.int64]]
    jobs: dict[str, NDArray[np.int64]]


def make_plan(labels: Labels, config: Config, *, release: bool) -> TrainingPlan:
    """The jobs of a run: enough to select (``val``, unseen dogs, unseen breeds), and the one that is released."""
    held_out = {
        "group": _folds(labels, labels.group, config),
        "breed": _folds(labels, labels.breed.astype(str), config),
    }
    if release:
        held_out["source"] = _sources(labels)
    jobs = {"val": labels.where("train")}
    for by, fold in held_out.items():
        jobs |= {f"{by}{k}": np.flatnonzero((fold >= 0) & (fold != k)) for k in range(int(fold.max()) + 1)}
    if release:
        jobs["all"] = labels.where("train", "val")
    return TrainingPlan(held_out, jobs)


def _folds(labels: Labels, keys: NDArray[np.str_], config: Config) -> NDArray[np.int64]:
    """A fold for each photo of train and val, -1 for others (N,); equal keys share one, coats are spread evenly."""
    from sklearn.model_selection import StratifiedGroupKFold

    chosen = labels.where("train", "val")
    classes = labels.category_hard[chosen]
    fold = np.full(len(labels), -1)
    splitter = StratifiedGroupKFold(config.folds, shuffle=True, random_state=config.seeds[0])
    for k, (_, held_out) in enumerate(splitter.split(classes, classes, keys[chosen])):
        fold[chosen[held_out]] = k
    return fold


def _sources(labels: Labels) -> NDArray[np.int64]:
    """A fold for each source of photos."""
    _, fold = np.unique(labels.source, return_inverse=True)
    return np.where(labels.split == "test", -1, fold)
