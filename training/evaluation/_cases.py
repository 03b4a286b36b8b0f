"""The labelled photos as cases of the evaluation."""

from __future__ import annotations

from dataclasses import replace

from coatclass.contract import PhotoEvidence
from coatclass.reports.evaluation import UNKNOWN, Case, Cases
from coatclass.taxonomy import CATEGORIES
from training.ensemble._data import Dataset, manifest_rows
from training.places import photos_folder

__all__ = ["cases_of_evidence", "cases_of_split", "other_animals"]

_BANDS = "ABCD"


def cases_of_split(split: str) -> Cases:
    """Every photo of a split, not yet looked at."""
    return Cases(tuple(_case(row) for row in manifest_rows().values() if row["split"] == split))


def _case(row: dict[str, str]) -> Case:
    second = bool(row["category_2"])
    confidence = min(float(row["confidence_1"]), float(row["confidence_2"])) if second else None
    return Case(
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
    )


def _category(word: str) -> int:
    return [str(category) for category in CATEGORIES].index(word) if word else UNKNOWN


def _band(letter: str) -> int:
    return _BANDS.index(letter) if letter and letter in _BANDS else UNKNOWN


def other_animals() -> Cases:
    """Pictures that show no dog: the cats beside the photos."""
    files = sorted((photos_folder().parent / "not_dogs").glob("**/*.jpg"))
    return Cases(tuple(Case(file.name, file, file.name, UNKNOWN, UNKNOWN, is_dog=False) for file in files))


def cases_of_evidence(data: Dataset) -> Cases:
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
    return Cases(tuple(cases))
