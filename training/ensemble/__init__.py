"""``python -m training ensemble``: fit, calibrate and release the ensemble from released photo evidence.

Out-of-fold photo evidence and simulated answers in; ``models/ensemble*.json``, the comparison of candidate members and
the numbers of the calibration out. scikit-learn fits, MAPIE sets the thresholds, numpy runs the result.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from pathlib import Path

__all__ = ["add_arguments", "run"]

_HERE = Path(__file__).resolve()
_CONFIG = _HERE.parent.parent / "configs" / "ensemble.toml"
_MODELS = _HERE.parent.parent.parent / "models"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--config", type=Path, default=_CONFIG, help="how to fit (TOML)")
    parser.add_argument(
        "--evidence",
        type=Path,
        default=_MODELS / "evidence.npz",
        help="out-of-fold photo evidence, with evidence_unseen_breeds.npz and manifest.json beside it",
    )
    parser.add_argument("--out", type=Path, default=_MODELS, help="folder for the released files")
    parser.add_argument("--compare", action="store_true", help="also compare candidate members (takes minutes)")


def run(args: argparse.Namespace) -> int:
    """Fit and release; print what was measured."""
    from training.ensemble.data import load
    from training.ensemble.fit import fit
    from training.ensemble.release import release

    config = tomllib.loads(args.config.read_text(encoding="utf-8"))
    data = load(args.evidence)
    image = json.loads((args.evidence.parent / "manifest.json").read_text(encoding="utf-8"))
    result = fit(data, config, float(image["limits"]["unfamiliarity"]))
    args.out.mkdir(parents=True, exist_ok=True)
    for line in release(result, data, args, image["model_version"]):
        print(line)
    if args.compare:
        from training.ensemble.compare import compare

        compare(data, config, args.out / "ensemble_comparison.csv", log=sys.stdout)
    return 0
