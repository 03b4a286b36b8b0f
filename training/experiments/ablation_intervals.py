"""``python -m training ablations``: how far two variants of the image model differ out of fold, with intervals.

Writes ``models/ablation_intervals.csv`` from the readings that runs of ``python -m training image`` leave in their
folders (``readings_group0.npz`` and so on).
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.ensemble.fusion import log_softmax
from coatclass.errors import InputError
from coatclass.reports.evaluation import Figure, bootstrap
from training.ensemble.data import Dataset, load
from training.places import ROOT

__all__ = ["add_arguments", "difference", "out_of_fold", "run", "write_intervals"]

_MODELS = ROOT / "models"
# What was held out: column prefix, and the file that tells the fold of each photo (the same for every configuration).
_HELD_OUT = {"group": "unseen_dogs", "breed": "unseen_breeds"}
_BASE = "tuned-lite2"  # what each configuration of training/configs/ablations at 256 px changes one thing of
_FROZEN, _SHARE = 0.0, 0.5
_FIGURES = ("log_loss", "accuracy")
Floats = NDArray[np.float64]


def out_of_fold(run: Path, held_out: str, share: float, fold: NDArray[np.int64]) -> Floats:
    """Log P(category) (N, 7) by the mean of texture and kinship, each photo read by the network that never saw it.

    Args:
        run: folder with the readings of a run.
        held_out: ``group`` (the dog) or ``breed``.
        share: share of the fine-tuned weights; 0 is the frozen network.
        fold: (N,) which network never saw the photo.

    Raises:
        InputError: if a file or the share is missing.
    """
    blend = np.zeros((len(fold), 7))
    for k in sorted(set(fold.tolist())):
        path = run / f"readings_{held_out}{k}.npz"
        if not path.exists():
            raise InputError(str(path), "does not exist.", "Run python -m training image with this configuration.")
        with np.load(path, allow_pickle=False) as arrays:
            if f"{share}:texture" not in arrays:
                raise InputError(str(path), f"holds no readings at a share of {share}.", "Run the configuration again.")
            routes = [arrays[f"{share}:{route}"].astype(np.float64) for route in ("texture", "kinship")]
        if len(routes[0]) != len(fold):
            raise InputError(str(path), f"reads {len(routes[0])} photos, not {len(fold)}.", "Run it again.")
        blend[fold == k] = (np.mean(routes, axis=0))[fold == k]
    return log_softmax(blend)


def difference(
    first: Floats, second: Floats, truth: Any, units: Any, *, resamples: int = 1000, seed: int = 0
) -> dict[str, Figure]:
    """First minus second: log loss and accuracy, each with its paired 95 % interval over resampled units.

    Args:
        first, second: (N, 7) log P(category) of the same photos.
        truth: (N,) categories.
        units: (N,) what stands or falls together: the dog of each photo, or its breed where breeds were held out.
    """
    rows = np.arange(len(truth))
    loss = second[rows, truth] - first[rows, truth]
    right = (first.argmax(axis=1) == truth).astype(float) - (second.argmax(axis=1) == truth)
    figures = {"log_loss": lambda r: float(loss[r].mean()), "accuracy": lambda r: float(right[r].mean())}
    return bootstrap(figures, units, resamples=resamples, seed=seed)


def write_intervals(runs: list[Path], data: Dataset, path: Path, resamples: int = 1000) -> None:
    """A row for each run against its own frozen network, and one against ``tuned-lite2`` if that is among the runs."""
    folds = {"group": data.fold, "breed": data.unseen_fold}
    chosen = data.split != "test"
    at_hand = {run.name: run for run in runs}

    def read(run: Path, share: float) -> dict[str, Floats]:
        # Test photos were read by all networks; fold 0 stands in, and they are left out below.
        return {by: out_of_fold(run, by, share, fold.clip(0))[chosen] for by, fold in folds.items()}

    def pairs() -> Iterator[tuple[str, str, dict[str, Floats], dict[str, Floats]]]:
        base = read(at_hand[_BASE], _SHARE) if _BASE in at_hand else None
        for name, run in at_hand.items():
            tuned = read(run, _SHARE)
            yield name, "its frozen network", tuned, read(run, _FROZEN)
            if base and name != _BASE:
                yield name, _BASE, tuned, base

    truth = data.category[chosen]
    units = {"group": data.group[chosen], "breed": data.breed[chosen]}
    rows = []
    for name, other, first, second in pairs():
        row: dict[str, Any] = {"config": name, "finetuned_share": _SHARE, "compared_with": other, "photos": len(truth)}
        for by, where in _HELD_OUT.items():
            found = difference(first[by], second[by], truth, units[by], resamples=resamples)
            for figure in _FIGURES:
                value = found[figure]
                numbers = (("difference", value.value), ("low", value.low), ("high", value.high))
                row |= {f"{where}_{figure}_{what}": round(number, 4) for what, number in numbers}
        rows.append(row)
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _is_run(folder: Path) -> bool:
    return any(folder.glob("readings_group*.npz"))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--runs", type=Path, nargs="+", required=True, help="work folders, or runs in them")
    parser.add_argument("--evidence", type=Path, default=_MODELS / "evidence.npz", help="tells the folds")
    parser.add_argument("--out", type=Path, default=_MODELS / "ablation_intervals.csv")
    parser.add_argument("--resamples", type=int, default=1000)


def run(args: argparse.Namespace) -> int:
    """Compare runs: the folders named, or those inside them."""
    runs = [run for folder in args.runs for run in ([folder] if _is_run(folder) else sorted(folder.iterdir()))]
    write_intervals([run for run in runs if _is_run(run)], load(args.evidence), args.out, args.resamples)
    return 0
