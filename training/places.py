"""Where the commands find photos, released files and the aims; and what released files were made from."""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
EVIDENCE = {
    "group": "evidence.npz",
    "breed": "evidence_unseen_breeds.npz",
    "source": "evidence_unseen_sources.npz",
}
"""Released evidence by what was held out: the dog (``group``), every dog of its breed, every photo of its source."""


@cache
def aims() -> dict[str, Any]:
    """What was hoped for, by part of the report: ``configs/aims.toml``."""
    return tomllib.loads((ROOT / "training" / "configs" / "aims.toml").read_text(encoding="utf-8"))


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


def sha256(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def commit() -> str:
    """The commit that is checked out; ``unknown`` outside a checkout."""
    command = ["git", "rev-parse", "HEAD"]
    found = subprocess.run(command, cwd=Path(__file__).parent, capture_output=True, text=True, check=False)
    return found.stdout.strip() or "unknown"
