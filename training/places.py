"""Where the commands of this room find photos and released files, unless they are told otherwise."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

__all__ = ["EVIDENCE", "ROOT", "add_photos_argument", "photos_folder"]

ROOT = Path(__file__).resolve().parent.parent
EVIDENCE = {
    "group": "evidence.npz",
    "breed": "evidence_unseen_breeds.npz",
    "source": "evidence_unseen_sources.npz",
}
"""Released evidence by what was held out: the dog (``group``), every dog of its breed, every photo of its source."""


def photos_folder() -> Path:
    """Where the labelled photos lie: COATCLASS_PHOTOS, or the folder beside the checkout."""
    return Path(os.environ.get("COATCLASS_PHOTOS", ROOT.parent / "shared" / "photos"))


def add_photos_argument(parser: argparse.ArgumentParser) -> None:
    """Declare ``--photos``."""
    parser.add_argument(
        "--photos",
        type=Path,
        default=photos_folder(),
        help="folder with manifest.csv (default: COATCLASS_PHOTOS, or ../shared/photos)",
    )
