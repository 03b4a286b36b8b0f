"""``python -m training image``: from the labelled photos to the released image model, in one command."""

from __future__ import annotations

import argparse
from pathlib import Path

from training.places import ROOT, add_photos_argument

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    parser.add_argument(
        "--config",
        type=Path,
        required=True,
        nargs="+",
        help="TOML files, such as training/configs/frozen.toml; the last one is released unless --compare",
    )
    parser.add_argument("--compare", action="store_true", help="only add rows to ablations.csv, release nothing")
    parser.add_argument("--weights", type=Path, help="folder of ImageNet weights, where their packages are missing")
    parser.add_argument("--workers", type=int, default=2, help="processes that load pictures (default: 2)")
    parser.add_argument(
        "--share-batches",
        action="store_true",
        help="let torchrun's processes train each network together, a part of every batch each (default: share out "
        "whole trainings)",
    )
    add_photos_argument(parser)
    parser.add_argument("--out", type=Path, default=ROOT / "models", help="where released files go (default: models)")
    parser.add_argument(
        "--work", type=Path, default=ROOT / "runs", help="where steps that can be resumed are kept (default: runs)"
    )


def run(options: argparse.Namespace) -> int:
    """Train, export and write the evidence; return the exit code."""
    from training.image.config import read_config
    from training.image.train import Places, train

    places = Places(options.photos, options.out, options.work, options.weights)
    configs = [read_config(path) for path in options.config]
    train(configs, places, release=not options.compare, workers=options.workers, share_batches=options.share_batches)
    return 0
