"""``python -m training labels``: from the photos' manifest to the published labels and the documents about them."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from PIL import Image

from coatclass.photo import difference_hash
from coatclass.vision import read_manifest
from training.dataset.documents import (
    AUDIT_COLUMNS,
    agreement_table,
    attribution,
    audit_table,
    composition,
    croissant,
    disagreement_table,
    label_audit,
    observed_table,
    opinion_table,
    with_numbers,
)
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
