"""``python -m training crosses``: photo alone, ancestors alone and both, on the few photographed crosses.

Reads every photo whose recorded breed is a cross; train and val with out-of-fold evidence, test with the released
network's. There are about two dozen, so the intervals (bootstrap over dogs) are wide and say so.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from coatclass import ancestry
from coatclass.answers import Answers
from coatclass.contract import CoatEstimate, Decision, PhotoEvidence, Verdict
from coatclass.estimating import decide, estimate
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = ["add_arguments", "measure", "run"]

_MODELS = Path(__file__).resolve().parent.parent / "models"
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_WAYS = {"photo alone": (True, False), "ancestors alone": (False, True), "photo and ancestors": (True, True)}
_RESAMPLES, _SEED = 2000, 6


@dataclass(frozen=True)
class LookVerdicts:
    """What one way of looking said of one dog."""

    group: str
    truth: int
    estimate: CoatEstimate
    decision: Decision


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--models", type=Path, default=_MODELS, help="folder of the evidence; CROSSES.md goes there")


def run(args: argparse.Namespace) -> int:
    """Measure and write ``crosses.json`` and ``CROSSES.md``."""
    from training.ensemble.data import load

    data = load(args.models / "evidence.npz")
    rows = [row for row in range(len(data)) if _named(str(data.breed[row])) is not None]
    found = {way: [_said(data, row, *sources) for row in rows] for way, sources in _WAYS.items()}
    figures = {way: measure(said) for way, said in found.items()}
    report = {"photos": len(rows), "dogs": len({str(data.group[row]) for row in rows}), "ways": figures}
    (args.models / "crosses.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    text = _text(report)
    (args.models / "CROSSES.md").write_text(text, encoding="utf-8")
    print(text)
    return 0


def _named(breed: str) -> Answers | None:
    """The recorded breed as an answer, with or without the word *cross* behind it; None unless it is a cross."""
    words = breed.replace("_", " ")
    for name in (words, words.removesuffix(" cross")):
        answers = Answers(breed=name, breed_known_by="papers")
        found = ancestry.of(answers)
        if found is not None and found.prior is not None:
            return answers
    return None


def _said(data: Any, row: int, with_photo: bool, with_ancestors: bool) -> LookVerdicts:
    photo = PhotoEvidence(
        str(data.photo_id[row]),
        tuple(data.texture[row]),
        tuple(data.kinship[row]),
        tuple(data.band_evidence[row]),
        float(data.dog_probability[row]),
        float(data.dog_share[row]),
        float(data.unfamiliarity[row]),
        "",
        outline=tuple(data.outline[row]),
    )
    known = estimate([photo] if with_photo else [], _named(str(data.breed[row])) if with_ancestors else None)
    return LookVerdicts(str(data.group[row]), int(data.category[row]), known.coat, decide(known))


def measure(said: list[LookVerdicts]) -> dict[str, Any]:
    """Figures with 95 % intervals by bootstrap over dogs.

    ``mixed_missed_with_confidence``: share of mixed coats that were settled as something else, or narrowed to a set
    without *mixed*; the dangerous error.
    """
    each = {
        "accuracy": [float(_best(one) == one.truth) for one in said],
        "log_loss": [-math.log(max(one.estimate.category[one.truth], 1e-9)) for one in said],
        "truth_in_set": [float(CATEGORIES[one.truth] in one.decision.categories) for one in said],
        "set_size": [float(len(one.decision.categories)) for one in said],
        "sent_to_hands": [float(one.decision.verdict is Verdict.HANDS_ON) for one in said],
    }
    figures: dict[str, Any] = {name: _interval(np.array(values), said) for name, values in each.items()}
    mixed = [one for one in said if one.truth == _MIXED]
    missed = [one for one in mixed if CoatCategory.MIXED not in one.decision.categories]
    confident = [one for one in missed if one.decision.verdict is not Verdict.HANDS_ON]
    figures["mixed_photos"] = len(mixed)
    figures["mixed_missed_with_confidence"] = len(confident)
    return figures


def _best(one: LookVerdicts) -> int:
    return max(range(len(CATEGORIES)), key=one.estimate.category.__getitem__)


def _interval(values: Any, said: list[LookVerdicts]) -> list[float]:
    """Mean, and its 2.5 % and 97.5 % bootstrap quantiles over groups."""
    rng = np.random.default_rng(_SEED)
    groups = sorted({one.group for one in said})
    members = [np.array([place for place, one in enumerate(said) if one.group == group]) for group in groups]
    means = []
    for _ in range(_RESAMPLES):
        drawn = np.concatenate([members[place] for place in rng.integers(len(groups), size=len(groups))])
        means.append(values[drawn].mean())
    low, high = np.quantile(means, [0.025, 0.975])
    return [round(float(value), 3) for value in (values.mean(), low, high)]


def _text(report: dict[str, Any]) -> str:
    lines = [
        "# Crosses: what ancestors add to a photo",
        "",
        f"{report['photos']} photos of {report['dogs']} dogs whose recorded breed is a cross; all splits, the evidence",
        "of train and val out of fold. Mean and 95 % interval (bootstrap over dogs).",
        "Written by `python -m training crosses`.",
        "The annotators saw the recorded breed, so the ancestors' share is flattered; and these are few dogs.",
        "",
        "| | accuracy | log loss | truth in set | set size | sent to hands | mixed missed with confidence |",
        "|---|---|---|---|---|---|---|",
    ]
    for way, f in report["ways"].items():
        cells = [_cell(f[name]) for name in ("accuracy", "log_loss", "truth_in_set", "set_size", "sent_to_hands")]
        lines.append(f"| {way} | {' | '.join(cells)} | {f['mixed_missed_with_confidence']} of {f['mixed_photos']} |")
    return "\n".join(lines) + "\n"


def _cell(figure: list[float]) -> str:
    mean, low, high = figure
    return f"{mean:.2f} ({low:.2f} to {high:.2f})"
