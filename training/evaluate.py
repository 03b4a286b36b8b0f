"""``python -m training evaluate``: the released program on the test split, beside the reference, in one report.

Writes the full report (JSON and a page with small pictures) to ``--out``, and the figures without pictures to
``models/metrics.json`` and ``models/METRICS.md``. The test split is read here and, for its few crosses, by ``crosses``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

__all__ = ["add_arguments", "run"]

_MODELS = Path(__file__).resolve().parent.parent / "models"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--out", type=Path, required=True, help="folder for the report; it holds small photos")
    parser.add_argument("--models", type=Path, default=_MODELS, help="folder for metrics.json and METRICS.md")
    parser.add_argument("--split", choices=("test", "val"), default="test", help="val only to try the report out")
    parser.add_argument("--robustness", type=int, default=150, metavar="N", help="photos to repeat with worse pictures")
    parser.add_argument("--resamples", type=int, default=1000, help="bootstrap resamples behind each interval")
    parser.add_argument(
        "--reference", action="store_true", help="also measure the reference anew: frozen features (minutes)"
    )


def run(args: argparse.Namespace) -> int:
    """Evaluate and write."""
    from training.evaluation import evaluate_release, measure_reference

    if args.reference:
        measure_reference(args.models / "reference.json", args.out)
    for line in evaluate_release(args):
        print(line)
    return 0
