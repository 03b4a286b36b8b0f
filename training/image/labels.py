"""The manifest of the photos as arrays: soft labels from up to four annotators, weights, splits and folds."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coatclass.errors import InputError
from coatclass.taxonomy import CATEGORIES
from training.image import looks

_BAND_LETTERS = "ABCD"  # the manifest's letters for coatclass.taxonomy.BANDS; U is "not visible"
_BY_CONFIDENCE = {3: 1.0, 2: 0.8, 1: 0.5}  # an annotator's say; only ratios between two who disagree matter
_ADJUDICATOR = 0.7  # border cases are close to coin flips: the third opinion counts like one annotator's
_PARTLY_VISIBLE = 0.5  # several dogs, or part of a coat: half a photo's weight


@dataclass(frozen=True)
class Labels:
    """One entry a photo, in the manifest's order.

    Attributes:
        category: (N, 7) soft label, rows sum to 1.
        category_hard, band_hard: the agreed label's index; band is -1 where the length is not visible.
        band: (N, 4) soft label; rows of zeros where the length is not visible.
        weight: (N,) say of the photo in training.
        single: (N,) share of the annotators who saw one dog, and enough of it to judge the coat.
        sureness: (N,) the less sure annotator's confidence, 1 to 3.
        breed: (N,) index into ``breeds``.
        looks: (N, 15) what an observer says of the coat, as in :mod:`training.image.looks`.
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
    rows = _rows(path)
    further: dict[str, list[dict[str, str]]] = defaultdict(list)
    for opinion in _rows(photos / "more_opinions.csv"):
        further[opinion["photo_id"]].append(opinion)
    observed = {row["photo_id"]: row for row in _rows(photos / "observed_answers.csv")}
    votes = [further[row["photo_id"]] for row in rows]
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
        looks=looks.targets([observed.get(row["photo_id"], {}) for row in rows]),
    )


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.is_file():
        return []
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def _share_of_yes(row: dict[str, str]) -> float:
    said = [row[name] for name in ("usable_1", "usable_2") if row[name]]
    return said.count("y") / len(said)


def _confidences(row: dict[str, str]) -> list[int]:
    return [int(float(row[name])) for name in ("confidence_1", "confidence_2") if row[name]]


def _shares(
    rows: list[dict[str, str]], further: list[list[dict[str, str]]], what: str, names: list[str]
) -> NDArray[np.float32]:
    return np.array([_soft(row, votes, what, names) for row, votes in zip(rows, further, strict=True)], np.float32)


def _soft(row: dict[str, str], further: list[dict[str, str]], what: str, names: list[str]) -> list[float]:
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


def folds(keys: NDArray[np.str_], classes: NDArray[np.int64], n: int, seed: int) -> NDArray[np.int64]:
    """A fold 0..n-1 for each entry; entries of equal key share a fold, classes are spread evenly. (N,)"""
    from sklearn.model_selection import StratifiedGroupKFold

    fold = np.empty(len(classes), np.int64)
    splitter = StratifiedGroupKFold(n, shuffle=True, random_state=seed)
    for k, (_, held_out) in enumerate(splitter.split(classes, classes, keys)):
        fold[held_out] = k
    return fold
