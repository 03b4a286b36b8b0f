"""Croissant metadata of the data set (MLCommons, format 1.0), built by mlcroissant."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from training.dataset._labels import LABEL_COLUMNS
from training.provenance import sha256

RELEASED = "2026-11-24"
FILES = {
    "labels.csv": "One row a photo: our labels, the split, where the photo is, its licence and how to check it.",
    "label_audit.csv": (
        "Labels of train and val worth a second look: what the image model said of the photo before it had seen the "
        "dog, and what the two annotators said. A list to look at, no correction."
    ),
    "not_dogs.csv": "Cats of the Oxford-IIIT Pet data set, for telling dog from not-dog.",
    "breeds.csv": "Breeds, varieties and common crosses with their coats; a source per row.",
    "breed_aliases.csv": "Other names and misspellings of the breeds.",
    "imagenet_dogs.csv": "ImageNet's 118 dog classes as breeds of the table.",
}
DESCRIPTIONS = {
    "photo_id": "Name of the photo, unique.",
    "file": "Where the photo lies in a rebuilt folder.",
    "set": "oxford (Oxford-IIIT Pet) or open.",
    "breed": "Breed as the source names it; sometimes wrong.",
    "split": "train, val or test; by group, so that no dog is on two sides.",
    "group": "Photos of one dog and near-duplicates share a group.",
    "category": "Coat category on the trunk, as worn on the photo: the agreed label.",
    "category_status": "agreed, adjudicated, disputed (the more confident label), or single (one annotator).",
    "band": "Length band of the trunk hair, or not_visible: the agreed label.",
    "band_status": "As category_status, of the band.",
    "usable": "y: one dog, coat judgeable; m: several dogs or only part of the coat.",
    "licence": "Licence of the photo as its source states it.",
    "licence_tier": "How well licence and author are known (datasets/DATASHEET.md).",
    "author": "Author of the photo as its source states it.",
    "source_url": "Page that shows the photo.",
    "width": "Width of the labelled picture, pixels.",
    "height": "Height of the labelled picture, pixels.",
    "resampled": "yes: reached us squashed and was brought back to its proportions.",
    "sha256": "SHA-256 of the labelled file.",
    "breed_id": "Row of breeds.csv, empty if the name is not in it.",
    "file_url": "Address of the file itself where one is known.",
    "dhash": "Difference hash of the labelled picture, 64 bits, hexadecimal.",
}


def croissant(folder: Path) -> dict[str, Any]:
    """The metadata of the files in ``folder`` (the repository's ``datasets``) as JSON-LD."""
    import mlcroissant as mlc

    def described(column: str) -> str:
        if column in DESCRIPTIONS:
            return DESCRIPTIONS[column]
        return f"The {column[-1:]}{'st' if column.endswith('1') else 'nd'} annotator's {column[:-2]}."

    whole_numbers = ("width", "height")
    labels = mlc.RecordSet(
        id="labels",
        name="labels",
        description=FILES["labels.csv"],
        key=["labels/photo_id"],
        fields=[
            mlc.Field(
                id=f"labels/{column}",
                name=column,
                description=described(column),
                data_types=[mlc.DataType.INTEGER if column in whole_numbers else mlc.DataType.TEXT],
                source=mlc.Source(file_object="labels.csv", extract=mlc.Extract(column=column)),
            )
            for column in LABEL_COLUMNS
        ],
    )
    metadata = mlc.Metadata(
        name="coatclass-labels",
        description=(
            "Per-photo labels of dogs' coats: category, length of the trunk hair, two annotators' labels, splits by "
            "dog. The photos are not included; the labels name their sources, licences and authors, and "
            "`python -m training photos` fetches them."
        ),
        license=["https://spdx.org/licenses/MIT.html"],
        version="1.0.0",
        date_published=RELEASED,
        cite_as="The coatclass engineers, coatclass-labels 1.0.0, 2026. Photos: see datasets/ATTRIBUTION.md.",
        keywords=["dogs", "coat", "grooming", "image classification", "label noise"],
        in_language=["en"],
        distribution=[
            mlc.FileObject(
                id=name,
                name=name,
                description=description,
                content_url=name,
                encoding_formats=["text/csv"],
                sha256=sha256(folder / name),
            )
            for name, description in FILES.items()
        ],
        record_sets=[labels],
        annotations_per_item="2, or 1 for smooth-coated breeds of the Oxford set",
        data_annotation_protocol=[
            "By eye from pictures 230 px wide, by two independent annotators who saw the recorded breed; "
            "disagreements adjudicated from a larger view or left to the more confident annotator."
        ],
        data_biases=[
            "Well-kept coats in good light; hardly any mixed-breed dogs but poodle crosses; breeds as their owners "
            "photograph and publish them."
        ],
        data_limitations=[
            "Few mixed, curly and drop coats; no matted dogs; the band of 19 to 25 mm is close to a guess by eye."
        ],
        data_use_cases=[
            "Training and evaluating estimates of a dog's coat category and trunk hair length from photos."
        ],
        personal_sensitive_information=["Names of photographers, where a licence asks for them."],
    )
    json_ld: dict[str, Any] = metadata.to_json()
    return json_ld
