"""``datasets/labels.csv``: our labels in words, how to fetch and credit a photo, and which file is the one meant."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from PIL import Image, ImageOps, UnidentifiedImageError

from coatclass import breeds
from coatclass.photo import difference_hash, hash_distance
from coatclass.taxonomy import LengthBand
from training.places import read_csv

MANIFEST_COLUMNS = (
    "photo_id", "file", "set", "breed", "split", "group",
    "category", "category_status", "band", "band_status", "usable",
    "category_1", "band_1", "usable_1", "confidence_1", "category_2", "band_2", "usable_2", "confidence_2",
    "licence", "licence_tier", "author", "source_url", "width", "height", "resampled", "sha256",
)  # fmt: skip
LABEL_COLUMNS = (*MANIFEST_COLUMNS, "breed_id", "file_url", "dhash")
OPINIONS, OBSERVED = "more_opinions.csv", "observed_answers.csv"
OPINION_COLUMNS = ("photo_id", "split", "annotator", "category", "second_category", "confidence", "band", "usable")
OBSERVED_COLUMNS = (
    "photo_id", "split", "curl", "lie", "beard_and_brows", "feel_by_look", "trunk_length_mm_by_eye", "visible",
)  # fmt: skip

# The manifest's letters as words of the taxonomy.
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


def opinions(rows: Iterable[Mapping[str, str]], *, words: bool) -> list[dict[str, str]]:
    """Rows of further opinions with bands in words, as published, or in letters, as beside the photos."""
    return [{**row, "band": (BAND_WORDS if words else _LETTERS)[row["band"]]} for row in rows]


def file_url(row: Mapping[str, str]) -> str:
    """The address of the file itself where one is known; empty where the picture has to be found on its page."""
    if subject := _SUBJECTS.search(row["photo_id"]):
        return _SUBJECTS_ADDRESS.format(**subject.groupdict())
    if file := _COMMONS_FILE.match(row["source_url"]):
        return _COMMONS_ADDRESS.format(name=file["name"])
    return ""


FORMATS = ("JPEG", "PNG", "WEBP", "GIF")
MOST_PIXELS = 120_000_000
# Of the labelled photos no two of different dogs lie closer than 7 of 64 bits, and none moved by more than 1 bit when
# it was resized threefold and compressed (measured on all 3.3 million pairs, and on 150 photos).
MOST_BITS = 6
# Width to height may differ this far: sizes are rounded to whole pixels, and some photos were resampled.
ASPECT_TOLERANCE = 0.05


@dataclass(frozen=True)
class PictureCheck:
    """What a fetched file is: byte for byte ours, the same picture, another one, or no picture; and why."""

    is_: Literal["unchanged", "same", "different", "no_picture"]
    detail: str = ""
    distance: int | None = None


def open_picture(data: bytes) -> Image.Image:
    """Decode a picture upright, as RGB.

    Raises:
        ValueError: if it is no picture of the formats above, is damaged, or has too many pixels.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=FORMATS)
            if picture.width * picture.height > MOST_PIXELS:
                raise ValueError(f"has {picture.width} x {picture.height} pixels, too many")
            picture.draft("RGB", (2048, 2048))
            return ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, Image.DecompressionBombError, Warning) as error:
        raise ValueError(f"is no picture that can be opened ({type(error).__name__})") from error


def examine(data: bytes, sha256: str, dhash: str, size: tuple[int, int]) -> PictureCheck:
    """Compare a file with the hash, difference hash and size (width, height in pixels) of the labelled picture."""
    if hashlib.sha256(data).hexdigest() == sha256:
        return PictureCheck("unchanged", distance=0)
    try:
        picture = open_picture(data)
    except ValueError as problem:
        return PictureCheck("no_picture", str(problem))
    distance = hash_distance(difference_hash(picture), dhash)
    if distance > MOST_BITS:
        return PictureCheck("different", f"looks different ({distance} of 64 bits)", distance)
    ratio = (picture.width / picture.height) / (size[0] / size[1])
    if abs(ratio - 1) > ASPECT_TOLERANCE:
        shape = f"{picture.width} x {picture.height} instead of {size[0]} x {size[1]}"
        return PictureCheck("different", f"is cropped: {shape}", distance)
    return PictureCheck("same", distance=distance)


def reduced(data: bytes, size: tuple[int, int]) -> bytes:
    """The picture as JPEG at the size that was labelled; unchanged bytes if it already has this size and is a JPEG."""
    with Image.open(io.BytesIO(data), formats=FORMATS) as probe:
        if probe.size == size and probe.format == "JPEG":
            return data
    buffer = io.BytesIO()
    open_picture(data).resize(size, Image.Resampling.LANCZOS).save(buffer, "JPEG", quality=90)
    return buffer.getvalue()
