"""``datasets/labels.csv``: our labels in words, and what is needed to fetch, check and credit each photo."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from PIL import Image

from coatclass import breeds
from coatclass.errors import InputError
from coatclass.taxonomy import LengthBand
from training.dataset._check import difference_hash

MANIFEST_COLUMNS = (
    "photo_id", "file", "set", "breed", "split", "group",
    "category", "category_status", "band", "band_status", "usable",
    "category_1", "band_1", "usable_1", "confidence_1", "category_2", "band_2", "usable_2", "confidence_2",
    "licence", "licence_tier", "author", "source_url", "width", "height", "resampled", "sha256",
)  # fmt: skip
LABEL_COLUMNS = (*MANIFEST_COLUMNS, "breed_id", "file_url", "dhash")

# The manifest's letters in the taxonomy's words.
BAND_WORDS = {
    "A": str(LengthBand.UNDER_19MM),
    "B": str(LengthBand.FROM_19_TO_25MM),
    "C": str(LengthBand.FROM_25_TO_75MM),
    "D": str(LengthBand.OVER_75MM),
    "U": "not_visible",
    "": "",
}
_LETTERS = {word: letter for letter, word in BAND_WORDS.items()}
_BAND_COLUMNS = ("band", "band_1", "band_2")
# Commons serves a file by its name; a width above the original's gives the original.
_COMMONS_FILE = re.compile(r"https://commons\.wikimedia\.org/wiki/File:(?P<name>[^?#]+)")
_COMMONS_ADDRESS = "https://commons.wikimedia.org/wiki/Special:FilePath/{name}?width=1280"
# The open data set of 30 subjects, whose files are named by subject and number.
_SUBJECTS = re.compile(r"__dreambooth_(?P<subject>dog\d*)_(?P<number>\d\d)$")
_SUBJECTS_ADDRESS = "https://raw.githubusercontent.com/google/dreambooth/main/dataset/{subject}/{number}.jpg"


def read_csv(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file in UTF-8.

    Raises:
        InputError: if it is missing.
    """
    if not path.is_file():
        raise InputError(str(path), "is not there.", "Name another file or folder.", code="missing")
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write rows as CSV in UTF-8, by way of a file beside it, so that nothing is left half-written."""
    half = path.with_suffix(path.suffix + ".part")
    with half.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(columns), extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    half.replace(path)


def labels_from_manifest(photos: Path) -> list[dict[str, str]]:
    """One row a photo, by photo_id: the manifest's columns with bands in words, and breed_id, file_url, dhash."""
    rows = []
    for row in read_csv(photos / "manifest.csv"):
        with Image.open(photos / row["file"]) as picture:
            dhash = difference_hash(picture)
        bands = {column: BAND_WORDS[row[column]] for column in _BAND_COLUMNS}
        match = breeds.find(row["breed"].replace("_", " "))
        rows.append({**row, **bands, "breed_id": match.id or "", "file_url": file_url(row), "dhash": dhash})
    return sorted(rows, key=lambda row: row["photo_id"])


def manifest_from_labels(rows: Iterable[Mapping[str, str]]) -> list[dict[str, str]]:
    """Rows of the photos' manifest from rows of the labels, band letters again."""
    return [
        {column: _LETTERS[row[column]] if column in _BAND_COLUMNS else row[column] for column in MANIFEST_COLUMNS}
        for row in rows
    ]


def file_url(row: Mapping[str, str]) -> str:
    """The address of the file itself where one is known; empty where the picture has to be found on its page."""
    if subject := _SUBJECTS.search(row["photo_id"]):
        return _SUBJECTS_ADDRESS.format(**subject.groupdict())
    if file := _COMMONS_FILE.match(row["source_url"]):
        return _COMMONS_ADDRESS.format(name=file["name"])
    return ""
