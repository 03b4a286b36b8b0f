"""``python -m training trials``: what was tried with frozen ImageNet features and left out, measured again on a CPU.

Every row of ``models/trials.csv`` is out of fold over train and val, by dog and by breed; the test split is not opened.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from training.places import ROOT, add_photos_argument

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    add_photos_argument(parser)
    parser.add_argument("--out", type=Path, default=ROOT / "models", help="where trials.csv goes (default: models)")
    parser.add_argument(
        "--work",
        type=Path,
        default=ROOT / "runs" / "trials",
        help="where features are kept for the next run; delete it after a change of photos (default: runs/trials)",
    )


def run(options: argparse.Namespace) -> int:
    """Look at the photos, measure every trial, write the table; return the exit code."""
    from training.experiments.feature_trials import all_trials
    from training.experiments.linear_probes import COLUMNS, prepare, write
    from training.experiments.looks import extract, pool, relative_seconds
    from training.experiments.view_trials import view_trials

    labels = pool(options.photos)
    features = extract(options.photos, labels, options.work)
    setup = prepare(labels, features, relative_seconds(options.photos, labels))
    rows = [*all_trials(setup), *view_trials(setup, options.photos)]
    write(options.out / "trials.csv", COLUMNS, rows)
    return 0
