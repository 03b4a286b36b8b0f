"""``python -m training image``: from the labelled photos to the released image model, in one command."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

__all__ = ["add_arguments", "run"]

_ROOT = Path(__file__).resolve().parent.parent.parent


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    parser.add_argument("--config", type=Path, required=True, help="a TOML file, such as training/configs/frozen.toml")
    parser.add_argument(
        "--photos",
        type=Path,
        default=Path(os.environ.get("COATCLASS_PHOTOS", _ROOT.parent / "shared" / "photos")),
        help="folder with manifest.csv (default: COATCLASS_PHOTOS, or ../shared/photos)",
    )
    parser.add_argument("--out", type=Path, default=_ROOT / "models", help="where released files go (default: models)")
    parser.add_argument(
        "--work", type=Path, default=_ROOT / "runs", help="where steps that can be resumed are kept (default: runs)"
    )


def run(options: argparse.Namespace) -> int:
    """Train, export and write the evidence; return the exit code."""
    from training.image._config import read_config
    from training.image._run import train

    train(read_config(options.config), options.photos, options.out, options.work)
    return 0
