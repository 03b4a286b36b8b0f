"""``python -m training labels``: the labels from the photos' manifest, and what is written about them.

Credits, agreement, counts, labels worth a second look, Croissant metadata.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from coatclass.photo import difference_hash
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.vision import read_manifest
from training.dataset.labels import (
    LABEL_COLUMNS,
    OBSERVED,
    OBSERVED_COLUMNS,
    OPINION_COLUMNS,
    OPINIONS,
    labels_from_manifest,
    opinions,
)
from training.places import ROOT, add_photos_argument, read_csv, sha256, write_csv

Rows = Sequence[Mapping[str, str]]

TIERS = {
    "O": "The Oxford-IIIT Pet data set",
    "A": "Licence, author and source page recorded",
    "B": "Exact file on Wikimedia Commons; its page states licence and author",
    "U": "Under the licence of the site that the page names",
    "C": "From the breed's Wikipedia article; a free licence, file and author not recorded",
}
_OXFORD = (
    'O. M. Parkhi, A. Vedaldi, A. Zisserman, C. V. Jawahar, "Cats and Dogs", IEEE Conference on Computer Vision and '
    "Pattern Recognition (CVPR), 2012; CC BY-SA 4.0; the photographs' copyright stays with their owners. "
)


@dataclass(frozen=True)
class Agreement:
    """How far two annotators agreed: number of photos, share that agrees, Cohen's kappa (quadratic for bands)."""

    photos: int
    exact: float
    kappa: float


def attribution(rows: Rows) -> str:
    """Who made the photos and under which licence, as Markdown; every photo of ``rows`` is covered."""
    tiers: defaultdict[str, list[Mapping[str, str]]] = defaultdict(list)
    for row in rows:
        tiers[row["licence_tier"]].append(row)
    parts = [
        "# Attribution\n",
        "Written by `python -m training labels`; don't edit by hand. The photos are not part of this project: these "
        "are the sources that `datasets/labels.csv` names and `python -m training photos` fetches.\n",
    ]
    for tier, title in TIERS.items():
        if not tiers[tier]:
            continue
        parts.append(f"## {title} ({len(tiers[tier])} photos)\n")
        if tier == "O":
            breeds = Counter(row["breed"].replace("_", " ") for row in tiers[tier])
            counted = ", ".join(f"{breed} {number}" for breed, number in sorted(breeds.items()))
            parts.append(f"{_OXFORD}Source: {tiers[tier][0]['source_url']}. Photos used: {counted}.\n")
            continue
        parts.extend([*_credits(tiers[tier]), ""])
    return "\n".join(parts).rstrip() + "\n"


def _credits(rows: Iterable[Mapping[str, str]]) -> Iterator[str]:
    """One line for the photos of one page, licence and author."""
    photos: defaultdict[tuple[str, str, str], list[str]] = defaultdict(list)
    for row in rows:
        photos[row["source_url"], row["licence"], row["author"] or "author not recorded"].append(row["photo_id"])
    for (page, licence, author), names in sorted(photos.items()):
        yield f"- {page}: {author}; {licence}; {', '.join(names)}"


def category_agreement(rows: Iterable[Mapping[str, str]]) -> Agreement:
    """Of the coat category, on photos with two labels."""
    both = [(row["category_1"], row["category_2"]) for row in rows if row["category_2"]]
    return _agreement(both, [str(category) for category in CATEGORIES])


def band_agreement(rows: Iterable[Mapping[str, str]]) -> Agreement:
    """Of the length band, where both annotators called the photo usable and the trunk's length visible."""
    both = [
        (row["band_1"], row["band_2"])
        for row in rows
        if row["usable_1"] == row["usable_2"] == "y" and "not_visible" not in (row["band_1"], row["band_2"])
    ]
    return _agreement(both, [str(band) for band in BANDS], weights="quadratic")


def _agreement(pairs: Sequence[tuple[str, str]], labels: Sequence[str], weights: str | None = None) -> Agreement:
    from sklearn.metrics import cohen_kappa_score

    one, other = zip(*pairs, strict=True)
    exact = sum(a == b for a, b in pairs) / len(pairs)
    return Agreement(len(pairs), exact, float(cohen_kappa_score(one, other, labels=list(labels), weights=weights)))


def composition(rows: Rows) -> str:
    """Counts by category and split, by band, set and licence, as Markdown tables."""
    splits = ("train", "val", "test")
    by = Counter((row["category"], row["split"]) for row in rows)
    lines = ["| coat category | train | val | test | all |", "|---|---|---|---|---|"]
    for category in CATEGORIES:
        counts = [by[category, split] for split in splits]
        lines.append(f"| {category} | {' | '.join(map(str, counts))} | {sum(counts)} |")
    totals = [sum(row["split"] == split for row in rows) for split in splits]
    lines.append(f"| all | {' | '.join(map(str, totals))} | {len(rows)} |")
    lines += ["", "| length band | photos |", "|---|---|"]
    bands = Counter(row["band"] for row in rows)
    lines += [f"| {band} | {bands[band]} |" for band in (*map(str, BANDS), "not_visible")]
    lines += ["", "| licence tier | photos |", "|---|---|"]
    tiers = Counter(row["licence_tier"] for row in rows)
    lines += [f"| {tier}: {title} | {tiers[tier]} |" for tier, title in TIERS.items()]
    usable = Counter(row["usable"] for row in rows)
    names, groups = ({row[column] for row in rows} for column in ("breed", "group"))
    lines += [
        "",
        f"{len(names)} breed names, {len(groups)} groups (photos of one dog and near-duplicates); {usable['y']} photos "
        f"show one dog whose coat can be judged, {usable['m']} several dogs or only part of the coat.",
    ]
    return "\n".join(lines)


def agreement_table(rows: Rows) -> str:
    """Both agreements with how the labels came about, as Markdown."""
    category, band = category_agreement(rows), band_agreement(rows)
    status = Counter(row["category_status"] for row in rows)
    band_status = Counter(row["band_status"] for row in rows)
    return "\n".join(
        [
            "| label | photos with two labels | exact | kappa |",
            "|---|---|---|---|",
            f"| category | {category.photos} | {category.exact:.1%} | {category.kappa:.3f} (Cohen) |",
            f"| band, usable to both | {band.photos} | {band.exact:.1%} | {band.kappa:.3f} (quadratic weights) |",
            "",
            f"Category: {_counted(status)}. Band: {_counted(band_status)}.",
        ]
    )


def disagreement_table(rows: Rows) -> str:
    """Which categories two annotators took for one another, and how often they agreed by the less sure one."""
    both = [row for row in rows if row["category_2"]]
    pairs = Counter(tuple(sorted((row["category_1"], row["category_2"]))) for row in both)
    apart = [(pair, number) for pair, number in pairs.most_common() if pair[0] != pair[1]]
    lines = ["| one said, the other said | photos |", "|---|---|"]
    lines += [f"| {one}, {other} | {number} |" for (one, other), number in apart]
    lines += ["", "| confidence of the less sure annotator | photos | category agreed |", "|---|---|---|"]
    for confidence in ("3", "2", "1"):
        sure = [row for row in both if min(row["confidence_1"], row["confidence_2"]) == confidence]
        agreed = sum(row["category_1"] == row["category_2"] for row in sure)
        lines.append(f"| {confidence} | {len(sure)} | {agreed / len(sure):.1%} |")
    return "\n".join(lines)


def opinion_table(rows: Rows, further: Rows) -> str:
    """How far the third and the fourth annotator agree with the label and with each other, by split, as Markdown."""
    label = {row["photo_id"]: row["category"] for row in rows}
    said = {(row["photo_id"], row["annotator"]): row["category"] for row in further}
    lines = [
        "| split | photos | third agrees with the label | fourth agrees | with each other |",
        "|---|---|---|---|---|",
    ]
    for split in ("train", "val", "test"):
        photos = sorted({row["photo_id"] for row in further if row["split"] == split})
        pairs = [(label[photo], said[photo, "3"], said[photo, "4"]) for photo in photos]
        shares = [sum(one[a] == one[b] for one in pairs) / len(pairs) for a, b in ((0, 1), (0, 2), (1, 2))]
        lines.append(f"| {split} | {len(pairs)} | {' | '.join(f'{share:.1%}' for share in shares)} |")
    return "\n".join(lines)


def observed_table(rows: Rows, observed: Rows) -> str:
    """What observers answered for each coat, in percent of what could be seen, as Markdown."""
    label = {row["photo_id"]: row["category"] for row in rows}
    asked = {
        "curl": {"straight": "straight", "wavy": "wavy", "curly": "curly"},
        "lie": {"lies_flat": "lies flat", "stands_off": "stands off", "hangs": "hangs"},
        "beard_and_brows": {"true": "beard and brows"},
    }
    heads = [words for answers in asked.values() for words in answers.values()]
    lines = [f"| coat | photos | {' | '.join(heads)} |", "|---" * (len(heads) + 2) + "|"]
    for category in CATEGORIES:
        seen = [row for row in observed if label[row["photo_id"]] == category]
        cells = []
        for question, answers in asked.items():
            told = Counter(row[question] for row in seen if row[question])
            cells += [f"{100 * told[answer] / max(1, told.total()):.0f}" for answer in answers]
        lines.append(f"| {category} | {len(seen)} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _counted(counts: Counter[str]) -> str:
    return ", ".join(f"{number} {name}" for name, number in counts.most_common())


def with_numbers(text: str, blocks: Mapping[str, str]) -> str:
    """Replace what stands between ``<!-- NAME -->`` and ``<!-- /NAME -->``.

    Raises:
        ValueError: if a block has no place in the text.
    """
    for name, content in blocks.items():
        start, end = f"<!-- {name} -->", f"<!-- /{name} -->"
        before, opened, rest = text.partition(start)
        _, closed, after = rest.partition(end)
        if not (opened and closed):
            raise ValueError(f"the text has no place for {name}")
        text = f"{before}{start}\n{content}\n{end}{after}"
    return text


AUDIT_COLUMNS = (
    "photo_id",
    "split",
    "breed",
    "category",
    "category_status",
    "category_1",
    "category_2",
    "p_category",
    "model_category",
    "band",
    "p_band",
    "model_band",
    "why",
    "model_version",
)
OTHER_CATEGORY = "the model prefers another category"
ANNOTATORS_DIFFER = "the annotators chose different categories"
OTHER_BAND = "the model prefers a band two or more away"
REASONS = (OTHER_CATEGORY, ANNOTATORS_DIFFER, OTHER_BAND)
_NAMES, _BANDS = [str(category) for category in CATEGORIES], [str(band) for band in BANDS]


def label_audit(rows: Sequence[Mapping[str, str]], evidence: Path, model_version: str) -> list[dict[str, str]]:
    """Rows of ``label_audit.csv``: the photos with a reason to look again, the least believed label first.

    ``p_category`` is P(agreed label) by the plain mean of the texture and kinship routes' log probabilities,
    ``p_band`` that of the band route, empty where the length is not visible; both in [0, 1]. A band next to the agreed
    one is no reason: annotators differ by one, too. Photos of which the evidence knows nothing are left out.

    Args:
        rows: rows of the labels.
        evidence: the released table of what the model says out of fold.
        model_version: which model that was.
    """
    with np.load(evidence) as found:
        held_out = {str(name): place for place, name in enumerate(found["photo_id"]) if found["fold"][place] >= 0}
        category, band = _probabilities((found["texture"] + found["kinship"]) / 2), _probabilities(found["band"])
    known = [(row, held_out[row["photo_id"]]) for row in rows if row["photo_id"] in held_out and row["split"] != "test"]
    audit = [_audited(row, category[place], band[place]) | {"model_version": model_version} for row, place in known]
    return sorted((row for row in audit if row["why"]), key=lambda row: (row["p_category"], row["photo_id"]))


def audit_table(audit: Sequence[Mapping[str, str]]) -> str:
    """How many photos have which reason, as Markdown."""
    counts = Counter(why for row in audit for why in row["why"].split("; "))
    version = ", ".join(sorted({row["model_version"] for row in audit}))
    lines = [f"| why, by {version} | photos of train and val |", "|---|---|"]
    return "\n".join([*lines, *(f"| {why} | {counts[why]} |" for why in REASONS), f"| any | {len(audit)} |"])


def _audited(row: Mapping[str, str], category: NDArray[np.float64], band: NDArray[np.float64]) -> dict[str, str]:
    model_category, model_band = int(category.argmax()), int(band.argmax())
    seen = _BANDS.index(row["band"]) if row["band"] in _BANDS else None
    holds = {
        OTHER_CATEGORY: _NAMES[model_category] != row["category"],
        ANNOTATORS_DIFFER: row["category_2"] not in ("", row["category_1"]),
        OTHER_BAND: seen is not None and abs(model_band - seen) >= 2,
    }
    return {
        **{name: row[name] for name in AUDIT_COLUMNS if name in row},
        "p_category": f"{category[_NAMES.index(row['category'])]:.4f}",
        "model_category": _NAMES[model_category],
        "p_band": "" if seen is None else f"{band[seen]:.4f}",
        "model_band": _BANDS[model_band],
        "why": "; ".join(why for why in REASONS if holds[why]),
    }


def _probabilities(log_p: NDArray[np.float32]) -> NDArray[np.float64]:
    scores = log_p.astype(np.float64)
    return np.exp(scores - np.logaddexp.reduce(scores, axis=1, keepdims=True))


RELEASED = "2026-11-28"
VERSION = "1.1.0"
FILES = {
    "labels.csv": "One row a photo: our labels, the split, where the photo is, its licence and how to check it.",
    "label_audit.csv": (
        "Labels of train and val worth a second look: what the image model said of the photo before it had seen the "
        "dog, and what the two annotators said. A list to look at, no correction."
    ),
    OPINIONS: "A third and a fourth annotator's labels, of all test photos and of the doubtful ones of train and val.",
    OBSERVED: "What an observer answers from each picture to five of an owner's questions.",
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


FURTHER = {
    "annotator": "3 or 4; annotators 1 and 2 stand in labels.csv.",
    "category": "Coat category on the trunk, as this annotator sees it.",
    "second_category": "The category that this annotator thinks next likely.",
    "confidence": "1 toss-up, 2, 3 sure.",
    "band": "Length band of the trunk hair as this annotator sees it, or not_visible.",
    "curl": "straight, wavy or curly; empty where it can't be seen, as in all columns that follow.",
    "lie": "lies_flat, stands_off or hangs.",
    "beard_and_brows": "true or false.",
    "feel_by_look": "soft, silky, harsh, cottony or woolly: a guess by look, smooth coats soft by default.",
    "trunk_length_mm_by_eye": "Length of the trunk hair, mm; the picture has no scale.",
    "visible": "y: one dog, trunk visible; m: several or a part, weaker; n: not visible.",
}


def croissant(folder: Path) -> dict[str, Any]:
    """The metadata of the files in ``folder`` (the repository's ``datasets``) as JSON-LD."""
    import mlcroissant as mlc

    def described(column: str) -> str:
        if column in DESCRIPTIONS:
            return DESCRIPTIONS[column]
        return f"The {column[-1:]}{'st' if column.endswith('1') else 'nd'} annotator's {column[:-2]}."

    def texts(file: str, columns: Sequence[str]) -> mlc.RecordSet:
        name = file.removesuffix(".csv")
        fields = [
            mlc.Field(
                id=f"{name}/{column}",
                name=column,
                description=FURTHER.get(column) or DESCRIPTIONS[column],
                data_types=[mlc.DataType.TEXT],
                source=mlc.Source(file_object=file, extract=mlc.Extract(column=column)),
            )
            for column in columns
        ]
        return mlc.RecordSet(id=name, name=name, description=FILES[file], fields=fields)

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
            "Per-photo labels of dogs' coats: category, length of the trunk hair, two to four annotators' labels, "
            "observed answers, splits by dog. All of them are passes of a general vision-language model; no person has "
            "labelled or checked a photo. The photos are not included; the labels name their sources, licences and "
            "authors, and "
            "`python -m training photos` fetches them."
        ),
        license=["https://spdx.org/licenses/MIT.html"],
        version=VERSION,
        date_published=RELEASED,
        cite_as=f"The coatclass engineers, coatclass-labels {VERSION}, 2026. Photos: see datasets/ATTRIBUTION.md.",
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
        record_sets=[labels, texts(OPINIONS, OPINION_COLUMNS), texts(OBSERVED, OBSERVED_COLUMNS)],
        annotations_per_item="2, or 1 for smooth-coated breeds of the Oxford set; 2 more for 816 photos",
        data_annotation_protocol=[
            "No person labelled: every annotator is a pass of a general vision-language model with written "
            "definitions, without sight of the others' labels. The first two looked at pictures 230 px wide and saw "
            "the recorded breed; disagreements were adjudicated from a larger view or left to the more confident "
            "one. The third and fourth looked at pictures 320 or 360 px wide and did not see the breed, but know many. "
            "One family of "
            "annotators errs alike: their agreement is an upper bound on that of independent judges. No groomer has "
            "checked the labels."
        ],
        data_biases=[
            "Well-kept coats in good light; hardly any mixed-breed dogs but poodle crosses; breeds as their owners "
            "photograph and publish them."
        ],
        data_limitations=[
            "Few mixed, curly and drop coats; no matted dogs; the band of 19 to 25 mm is close to a guess."
        ],
        data_use_cases=[
            "Training and evaluating estimates of a dog's coat category and trunk hair length from photos."
        ],
        personal_sensitive_information=["Names of photographers, where a licence asks for them."],
    )
    json_ld: dict[str, Any] = metadata.to_json()
    return json_ld


NOT_DOGS_COLUMNS = ("file", "width", "height", "sha256", "dhash")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training labels``."""
    add_photos_argument(parser)
    parser.add_argument("--out", type=Path, default=ROOT / "datasets", help="where to write (default: datasets)")


def run(options: argparse.Namespace) -> int:
    """Write the CSV files, ATTRIBUTION.md, the numbers of DATASHEET.md, and croissant.json."""
    rows = labels_from_manifest(options.photos)
    out: Path = options.out
    write_csv(out / "labels.csv", LABEL_COLUMNS, rows)
    further = opinions(read_csv(options.photos / OPINIONS), words=True)
    observed = read_csv(options.photos / OBSERVED)
    write_csv(out / OPINIONS, OPINION_COLUMNS, further)
    write_csv(out / OBSERVED, OBSERVED_COLUMNS, observed)
    audit = label_audit(rows, ROOT / "models" / "evidence.npz", read_manifest().model_version)
    write_csv(out / "label_audit.csv", AUDIT_COLUMNS, audit)
    not_dogs = options.photos.parent / "not_dogs"
    write_csv(out / "not_dogs.csv", NOT_DOGS_COLUMNS, [_not_dog(path) for path in sorted(not_dogs.glob("*.jpg"))])
    (out / "ATTRIBUTION.md").write_text(attribution(rows), encoding="utf-8")
    datasheet = out / "DATASHEET.md"
    blocks = {
        "composition": composition(rows),
        "agreement": agreement_table(rows),
        "disagreements": disagreement_table(rows),
        "opinions": opinion_table(rows, further),
        "observed": observed_table(rows, observed),
        "audit": audit_table(audit),
    }
    datasheet.write_text(with_numbers(datasheet.read_text(encoding="utf-8"), blocks), encoding="utf-8")
    metadata = json.dumps(croissant(out), indent=2, ensure_ascii=False, default=str)
    (out / "croissant.json").write_text(metadata + "\n", encoding="utf-8")
    print(f"wrote {len(rows)} labels and their documents to {out}")
    return 0


def _not_dog(path: Path) -> dict[str, str]:
    with Image.open(path) as picture:
        width, height = picture.size
        dhash = difference_hash(picture)
    return {"file": path.name, "width": str(width), "height": str(height), "sha256": sha256(path), "dhash": dhash}
