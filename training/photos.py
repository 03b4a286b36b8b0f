"""``python -m training photos``: fetch what the labels name, check it, report what is gone, print the attribution list.

Needs the internet. Leaves ``OUT/photos`` (with manifest.csv, as training expects it) and ``OUT/not_dogs``.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from coatclass.errors import InputError
from training.dataset import MANIFEST_COLUMNS, Fetcher, Outcome, examine, manifest_from_labels, read_csv, rebuild
from training.dataset.documents import attribution
from training.dataset.labels import OBSERVED, OBSERVED_COLUMNS, OPINION_COLUMNS, OPINIONS, opinions, reduced, write_csv

LABELS = Path(__file__).resolve().parent.parent / "datasets" / "labels.csv"
_NOTHING_CAME = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training photos``."""
    parser.add_argument("--out", type=Path, required=True, help="folder for photos/ and not_dogs/")
    parser.add_argument("--labels", type=Path, default=LABELS, help="the labels (default: datasets/labels.csv)")
    parser.add_argument("--only", choices=("oxford", "open"), help="fetch one of the two sets")
    parser.add_argument("--contact", default="", help="an address or page by which a site's keeper can reach you")
    parser.add_argument("--pause", type=float, default=1.0, help="least seconds between requests to one site")
    parser.add_argument("--quiet", action="store_true", help="don't print the attribution list (it is written anyway)")


def run(options: argparse.Namespace) -> int:
    """Fetch, check, report; 0 if every photo is there, else 3. An interrupted run is taken up where it stopped."""
    rows = read_csv(options.labels)
    if options.only:
        rows = [row for row in rows if row["set"] == options.only]
    if not rows:
        raise InputError(str(options.labels), "names no photo to fetch.", "Check --labels and --only.", code="empty")
    oxford = oxford_folder(options.out / "sources") if any(row["set"] == "oxford" for row in rows) else None
    fetcher = Fetcher(contact=options.contact, pause_s=options.pause)
    photos = options.out / "photos"
    outcomes = rebuild(rows, photos, fetcher, oxford=oxford, report=_say)
    if oxford is not None:
        _not_dogs(options.labels.parent / "not_dogs.csv", oxford, options.out / "not_dogs")
    _beside(options.labels.parent, photos)
    return finish(rows, outcomes, photos, quiet=options.quiet)


def _beside(published: Path, photos: Path) -> None:
    """Lay the further opinions and observed answers beside the manifest, where training looks for them."""
    if (published / OPINIONS).is_file():
        write_csv(photos / OPINIONS, OPINION_COLUMNS, opinions(read_csv(published / OPINIONS), words=False))
    if (published / OBSERVED).is_file():
        write_csv(photos / OBSERVED, OBSERVED_COLUMNS, read_csv(published / OBSERVED))


def finish(rows: Sequence[Mapping[str, str]], outcomes: Sequence[Outcome], photos: Path, *, quiet: bool) -> int:
    """Write the manifest and the attribution list of what came, and print what didn't."""
    came = {outcome.photo_id: outcome for outcome in outcomes if outcome.status.usable}
    kept = [{**row, "sha256": came[row["photo_id"]].sha256} for row in rows if row["photo_id"] in came]
    write_csv(photos / "manifest.csv", MANIFEST_COLUMNS, manifest_from_labels(kept))
    credits_ = attribution(kept) if kept else ""
    (photos / "ATTRIBUTION.md").write_text(credits_, encoding="utf-8")
    if not quiet:
        print(credits_)
    counts = Counter(str(outcome.status) for outcome in outcomes)
    print(
        f"{len(kept)} of {len(rows)} photos are there: " + ", ".join(f"{n} {name}" for name, n in counts.items()) + "."
    )
    for outcome in outcomes:
        if not outcome.status.usable:
            print(f"  {outcome.status}: {outcome.photo_id}: {outcome.detail} ({outcome.address})")
    return 0 if len(kept) == len(rows) else _NOTHING_CAME


def oxford_folder(root: Path) -> Path:
    """The Oxford-IIIT Pet data set, fetched through torchvision (800 MB, checked by its MD5) unless it is there.

    Raises:
        InputError: if it can't be had.
    """
    from torchvision.datasets import OxfordIIITPet

    root.mkdir(parents=True, exist_ok=True)
    try:
        OxfordIIITPet(root, download=True)
    except (OSError, RuntimeError) as error:
        raise InputError(
            "Oxford-IIIT Pet",
            f"could not be fetched ({error}).",
            "Try again later, or fetch the rest with --only open.",
            code="oxford",
        ) from error
    return root / "oxford-iiit-pet"


def _not_dogs(table: Path, oxford: Path, out: Path) -> None:
    """Bring the cats that stand for everything that is no dog."""
    if not table.is_file():
        return
    out.mkdir(parents=True, exist_ok=True)
    for row in read_csv(table):
        path = oxford / "images" / row["file"]
        size = int(row["width"]), int(row["height"])
        data = path.read_bytes() if path.is_file() else b""
        verdict = examine(data, row["sha256"], row["dhash"], size)
        if verdict.is_ in ("unchanged", "same"):
            (out / row["file"]).write_bytes(data if verdict.is_ == "unchanged" else reduced(data, size))


def _say(outcome: Outcome) -> None:
    print(f"{outcome.status:>9}  {outcome.photo_id}", file=sys.stderr)
