"""``python -m training second-look``: what a second look costs only where the first leaves doubt, out of fold.

The released evidence holds what each look says by itself. Both together, the first alone, and rules that spare the
second where the first is sure enough are put before the ensemble. Writes ``models/second_look.csv``; photos of the test
split are left out.
"""

from __future__ import annotations

import argparse
import csv
import json
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.vision import POOLED, SecondLook, both_looks, no_doubt, read_manifest
from training.ensemble.data import Dataset, load, unseen_file
from training.experiments.soups import compared, probabilities
from training.places import ROOT

__all__ = ["add_arguments", "looked", "run"]

_LIMITS = (0.9, 0.95, 0.98, 0.995)
_NEVER, _ALWAYS = 2.0, 0.01  # which probability of a coat is enough
_FIELDS = ("texture", "kinship", "band", "outline", "unfamiliarity")
Array = NDArray[Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="the release, and where the table goes")
    parser.add_argument("--limits", type=float, nargs="+", default=_LIMITS, help="how sure the first look must be")


def run(options: argparse.Namespace) -> int:
    """Measure and write the table; return the exit code."""
    rows = list(_measured(options.models, options.limits))
    with (options.models / "second_look.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return 0


def looked(evidence: Path, rule: SecondLook) -> tuple[Dataset, dict[str, float]]:
    """The photos of train and val by a rule for the second look, and the share that is looked at once.

    By what was held out: ``dog`` or ``breed``.
    """
    data = load(evidence)
    known = data.split != "test"
    said: dict[str, Array] = {}
    shares = {}
    for by, path, prefix in (("dog", evidence, ""), ("breed", unseen_file(evidence), "unseen_")):
        with np.load(path) as stored:
            first, near = ({name: stored[f"{look}_{name}"] for name in POOLED} for look in ("first", "near"))
        once = no_doubt(rule, first["texture"], first["kinship"], first["dog_margin"])
        shares[by] = float(once[known].mean())
        both = both_looks(rule, first, near)
        for name in _FIELDS:
            said[prefix + name if prefix or name != "band" else "band_evidence"] = both[name].astype(np.float64)
    return replace(data, **said).take(known), shares


def _measured(models: Path, limits: Any) -> Iterator[dict[str, Any]]:
    """Both looks at every photo, the first look alone, then the rule at each limit."""
    from training.ensemble.fit import fit

    config = tomllib.loads((ROOT / "training" / "configs" / "ensemble.toml").read_text(encoding="utf-8"))
    unfamiliar = float(json.loads((models / "manifest.json").read_text(encoding="utf-8"))["limits"]["unfamiliarity"])
    released = read_manifest(models).second_look
    if released is None:
        raise ValueError("the release looks once")
    rules = {"two looks": _NEVER, "one look": _ALWAYS} | {f"one look where P >= {limit:g}": limit for limit in limits}
    before = None
    for name, unless in rules.items():
        margin = released.margin if name != "one look" else -np.inf
        rule = released.model_copy(update={"unless": unless, "margin": margin})
        data, shares = looked(models / "evidence.npz", rule)
        said = probabilities(data, config)
        before = before or said
        row: dict[str, Any] = {"rule": name}
        row |= {f"one_look_{by}_never_seen": round(share, 3) for by, share in shares.items()}
        settled = fit(data, config, unfamiliar).notes["settled"]["photo"]
        for kind in ("known_breeds", "unseen_breeds"):
            row |= {f"{kind}_{count}": settled[kind]["on_other_dogs"][count] for count in ("dogs", "settled", "wrong")}
        print(row, flush=True)
        yield row | compared(data, said, before)
