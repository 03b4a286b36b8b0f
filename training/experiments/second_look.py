"""``python -m training second-look``: what a second look would cost only where the first leaves doubt, out of fold.

The released evidence holds both looks together. For the first look alone stands the evidence of the release before,
whose network looked once: three trainings instead of one change nothing that these photos can show (``soups.csv``). So
the figures tell what the rule does, not to the last digit what it would do to this network. Writes
``models/second_look.csv``; photos of the test split are left out.
"""

from __future__ import annotations

import argparse
import csv
import json
import subprocess
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.ensemble.fusion import log_softmax
from training.ensemble.data import Dataset, load, unseen_file
from training.experiments.soups import compared, probabilities
from training.places import ROOT

__all__ = ["add_arguments", "doubtless", "looked", "run"]

_TWICE = ROOT / "models" / "evidence.npz"
_ONE_LOOK = "a3fb3a6"
_LIMITS = (0.9, 0.98, 0.995)
_FIELDS = ("texture", "kinship", "band_evidence", "outline", "unfamiliarity")
Array = NDArray[Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    parser.add_argument("--revision", default=_ONE_LOOK, help=f"whose network looked once (default {_ONE_LOOK})")
    parser.add_argument("--limits", type=float, nargs="+", default=_LIMITS, help="how sure the first look must be")
    parser.add_argument("--out", type=Path, default=ROOT / "models" / "second_look.csv", help="where the table goes")


def run(options: argparse.Namespace) -> int:
    """Measure and write the table; return the exit code."""
    rows = list(_measured(options.revision, options.limits))
    with options.out.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return 0


def doubtless(texture: Array, kinship: Array, limit: float) -> Array:
    """Where the mean of both routes gives one coat at least so much probability, (N,); logs (N, 7) each."""
    both: Array = np.exp(log_softmax((texture + kinship) / 2)).max(axis=1) >= limit
    return both


def looked(once: Dataset, twice: Dataset, limit: float) -> tuple[Dataset, dict[str, float]]:
    """The photos by the rule, and the share that is looked at once: of known breeds, and of breeds never seen."""
    evidence: dict[str, Array] = {}
    shares = {}
    for by, prefix in (("dog", ""), ("breed", "unseen_")):
        skip = doubtless(getattr(once, f"{prefix}texture"), getattr(once, f"{prefix}kinship"), limit)
        shares[by] = float(skip.mean())
        for field in _FIELDS:
            name = prefix + (field.removesuffix("_evidence") if prefix else field)
            one, two = getattr(once, name), getattr(twice, name)
            evidence[name] = np.where(skip.reshape(-1, *[1] * (one.ndim - 1)), one, two)
    return replace(twice, **evidence), shares


def _measured(revision: str, limits: Any) -> Iterator[dict[str, Any]]:
    """Both looks at every photo, the first look alone, then the rule at each limit."""
    from training.ensemble.fit import fit

    config = tomllib.loads((ROOT / "training" / "configs" / "ensemble.toml").read_text(encoding="utf-8"))
    unfamiliar = json.loads((_TWICE.parent / "manifest.json").read_text(encoding="utf-8"))["limits"]["unfamiliarity"]
    twice, once = (data.take(data.split != "test") for data in (load(_TWICE), _before(revision)))
    if not np.array_equal(once.photo_id, twice.photo_id) or not np.array_equal(once.fold, twice.fold):
        raise ValueError(f"{revision} held out other photos together")
    nobody, all_ = {"dog": 0.0, "breed": 0.0}, {"dog": 1.0, "breed": 1.0}
    rules = [("two looks", twice, nobody), ("one look", once, all_)]
    rules += [(f"one look where P >= {limit:g}", *looked(once, twice, limit)) for limit in limits]
    before = probabilities(twice, config)
    for rule, data, shares in rules:
        row: dict[str, Any] = {"rule": rule}
        row |= {f"one_look_{by}_never_seen": round(share, 3) for by, share in shares.items()}
        settled = fit(data, config, float(unfamiliar)).notes["settled"]["photo"]
        for kind in ("known_breeds", "unseen_breeds"):
            row |= {f"{kind}_{count}": settled[kind]["on_other_dogs"][count] for count in ("dogs", "settled", "wrong")}
        print(row, flush=True)
        yield row | compared(data, probabilities(data, config), before)


def _before(revision: str) -> Dataset:
    """The photos with the evidence of an earlier revision."""
    with TemporaryDirectory() as folder:
        for path in (_TWICE, unseen_file(_TWICE)):
            shown = ["git", "show", f"{revision}:models/{path.name}"]
            content = subprocess.run(shown, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout
            (Path(folder) / path.name).write_bytes(content)
        return load(Path(folder) / _TWICE.name)
