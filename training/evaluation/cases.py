"""Labelled photos as cases of the evaluation: those of a split, and train and val read out of fold."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.contract import PhotoEvidence
from coatclass.ensemble import Members
from coatclass.ensemble import load as load_members
from coatclass.errors import InputError
from coatclass.reports.evaluation import UNKNOWN, LabelledPhoto, LabelledPhotos, with_decisions
from coatclass.taxonomy import CATEGORIES
from training import places
from training.ensemble.data import Dataset, load, manifest_rows, observed_answers_of, split_groups
from training.ensemble.members import fit_members, fold_members
from training.places import photos_folder

__all__ = [
    "EVIDENCE",
    "cases_of_evidence",
    "cases_of_split",
    "cross_fitted",
    "other_animals",
    "pool",
    "role",
    "sources_held_out",
]

_BANDS = "ABCD"


def cases_of_split(split: str) -> LabelledPhotos:
    """Every photo of a split, not yet looked at."""
    return LabelledPhotos(tuple(_case(row) for row in manifest_rows().values() if row["split"] == split))


def _case(row: dict[str, str]) -> LabelledPhoto:
    second = bool(row["category_2"])
    confidence = min(float(row["confidence_1"]), float(row["confidence_2"])) if second else None
    return LabelledPhoto(
        file=row["file"],
        path=photos_folder() / row["file"],
        group=row["group"],
        category=_category(row["category"]),
        band=_band(row["band"]),
        usable=row["usable"] == "y",
        categories_by=(_category(row["category_1"]), _category(row["category_2"])),
        bands_by=(_band(row["band_1"]), _band(row["band_2"])),
        confidence=confidence,
        breed=row["breed"],
        source=row["set"],
        answers=observed_answers_of(row["photo_id"]),
    )


def _category(word: str) -> int:
    return [str(category) for category in CATEGORIES].index(word) if word else UNKNOWN


def _band(letter: str) -> int:
    return _BANDS.index(letter) if letter and letter in _BANDS else UNKNOWN


def other_animals() -> LabelledPhotos:
    """Pictures that show no dog: the cats beside the photos."""
    files = sorted((photos_folder().parent / "not_dogs").glob("**/*.jpg"))
    return LabelledPhotos(
        tuple(LabelledPhoto(file.name, file, file.name, UNKNOWN, UNKNOWN, is_dog=False) for file in files)
    )


def cases_of_evidence(data: Dataset) -> LabelledPhotos:
    """Photos with the evidence that was read out of fold; nothing is opened."""
    rows = manifest_rows()
    cases = []
    for place, photo in enumerate(data.photo_id.tolist()):
        case = _case(rows[photo])
        evidence = PhotoEvidence(
            file=case.file,
            texture=tuple(data.texture[place].tolist()),
            kinship=tuple(data.kinship[place].tolist()),
            band=tuple(data.band_evidence[place].tolist()),
            dog_probability=float(data.dog_probability[place]),
            dog_share=None,
            unfamiliarity=float(data.unfamiliarity[place]),
            model_version="out of fold",
            outline=tuple(data.outline[place].tolist()),
        )
        cases.append(replace(case, evidence=evidence))
    return LabelledPhotos(tuple(cases))


_CONFIG = Path(__file__).resolve().parent.parent / "configs" / "ensemble.toml"
# By what no network that read a photo had seen: the dog, every dog of its breed, every photo of its source.
EVIDENCE = {"dog" if by == "group" else by: name for by, name in places.EVIDENCE.items()}
# Fields that are fitted once, on all folds together: taken from the released ensemble.
_KEPT = ("answer_weight", "category_temperature", "band_temperature", "unfamiliar_above")


@cache
def pool(models: Path) -> Dataset:
    """The photos of train and val with their evidence."""
    data = load(models / EVIDENCE["dog"])
    return data.take(data.split != "test")


@cache
def _config() -> dict[str, Any]:
    return tomllib.loads(_CONFIG.read_text(encoding="utf-8"))


def _with_released(fitted: Members) -> Members:
    released = load_members()
    return replace(fitted, **{name: getattr(released, name) for name in _KEPT})


@cache
def _folds(models: Path, by: str) -> tuple[tuple[NDArray[np.int64], Members], ...]:
    """Rows of the pool, each part with members that were fitted on other dogs (``group``) or on other breeds."""
    return tuple((rows, _with_released(fitted)) for rows, fitted in fold_members(pool(models), _config(), by=by))


@cache
def _by_source(models: Path) -> tuple[tuple[NDArray[np.int64], Members], ...]:
    """Rows of the pool, each source's with members that were fitted on the other source's photos."""
    photos = pool(models)
    fold = _read_by(models, "source").fold
    parts = []
    for held_out in sorted(set(fold.tolist())):
        fitted = fit_members(photos.take(fold != held_out), _config(), np.inf)
        parts.append((np.flatnonzero(fold == held_out), _with_released(fitted)))
    return tuple(parts)


@cache
def cross_fitted(models: Path, unseen: str = "dog") -> LabelledPhotos:
    """The pool out of fold, in its order: no network and no member of the ensemble was fitted on the dog that it reads,
    nor with ``breed`` on any of its breed.

    Temperatures and thresholds, a handful of numbers, are the released ones.

    Args:
        models: folder of the released files.
        unseen: what the networks had not seen either: ``dog`` (nothing more), ``breed`` or ``source``; with
            ``source_at_all`` the ensemble's members had not seen the source either.
    """
    read = _read_by(models, unseen)
    rows = np.empty(len(read), dtype=object)
    by = "breed" if unseen == "breed" else "group"
    for held_out, members in _by_source(models) if unseen == "source_at_all" else _folds(models, by):
        rows[held_out] = with_decisions(cases_of_evidence(read.take(held_out)), members=members).rows
    return LabelledPhotos(tuple(rows))


def _read_by(models: Path, unseen: str) -> Dataset:
    """The pool with leave-dog-out, leave-breed-out or leave-source-out evidence."""
    photos = pool(models)
    if unseen == "breed":
        return replace(
            photos,
            texture=photos.unseen_texture,
            kinship=photos.unseen_kinship,
            band_evidence=photos.unseen_band,
            outline=photos.unseen_outline,
            unfamiliarity=photos.unseen_unfamiliarity,
        )
    return photos if unseen == "dog" else _with_sources_held_out(photos, models / EVIDENCE["source"])


def _with_sources_held_out(photos: Dataset, path: Path) -> Dataset:
    """What networks read that never saw the source."""
    with np.load(path, allow_pickle=False) as arrays:
        place = {photo: row for row, photo in enumerate(arrays["photo_id"].tolist())}
        if not place.keys() >= set(photos.photo_id.tolist()):
            raise InputError(str(path), "lacks photos of the labels.", "Make it again with: python -m training image")
        rows = np.array([place[photo] for photo in photos.photo_id.tolist()])
        scores = {name: name for name in ("texture", "kinship", "outline", "unfamiliarity")} | {"band_evidence": "band"}
        return replace(
            photos,
            fold=arrays["fold"][rows],
            **{field: arrays[key].astype(np.float64)[rows] for field, key in scores.items()},
        )


def sources_held_out(models: Path) -> bool:
    """Whether the release holds evidence of networks that never saw the photo's source."""
    return (models / EVIDENCE["source"]).exists()


def role(models: Path, name: str) -> NDArray[np.bool_]:
    """Which photos (N,) of the pool the fit of the ensemble used as ``temper`` or as ``conform``."""
    config = _config()
    return split_groups(pool(models), config["pool"], config["seed"])[name]
