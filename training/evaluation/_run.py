"""The steps of an evaluation of the release, and the two files that README and model card quote."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from typing import Any

from coatclass.reports.evaluation import (
    Cases,
    Figure,
    build_report,
    look_at,
    robustness,
    subset,
    with_decisions,
    write_report,
)
from training.evaluation._cases import cases_of_split, other_animals, photos_folder
from training.evaluation._generalisation import ablations, mixed_out_of_fold, sure_and_unsure, unseen_breeds
from training.evaluation._summary import summary

__all__ = ["evaluate_release"]

# What stays in the report only: long curves and single photos.
_LEFT_OUT = ("calibration", "errors", "words")


def evaluate_release(args: argparse.Namespace) -> Iterator[str]:
    """Look at every photo of the split, write the report and the metrics; yield lines for people."""
    cases = cases_of_split(args.split)
    yield f"Reading {len(cases)} photos of {args.split} in {photos_folder().name}, and other animals ..."
    looked = with_decisions(Cases(look_at(cases).rows + look_at(other_animals()).rows))
    report = build_report(looked, f"coatclass on its {args.split} split", resamples=args.resamples)
    if args.robustness:
        yield f"Looking again at {args.robustness} photos made worse ..."
        report["robustness"] = robustness(subset(looked, args.robustness))
    report["mixed"]["train and val, out of fold"] = mixed_out_of_fold(args.models)
    out_of_fold = [part(args.models, args.resamples) for part in (unseen_breeds, sure_and_unsure)]
    report["extras"] = [*out_of_fold, *ablations(args.models)]
    reference = args.models / "reference.json"
    if reference.exists():
        known = json.loads(reference.read_text(encoding="utf-8"))
        report["reference"] = known | {"figures": _figures(known["figures"])}
        report["extras"].append(_source_table(known))
    plain = write_report(report, looked, args.out)
    yield f"The report is {args.out / 'evaluation.html'}."
    if args.split == "test":
        figures = {key: value for key, value in plain.items() if key not in _LEFT_OUT}
        if "dog" in figures:
            figures["dog"] = {key: value for key, value in figures["dog"].items() if key != "roc"}
        (args.models / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
        (args.models / "METRICS.md").write_text(summary(plain), encoding="utf-8")
        yield f"The figures are {args.models / 'metrics.json'} and {args.models / 'METRICS.md'}."


def _figures(parts: dict[str, dict[str, list[float]]]) -> dict[str, dict[str, Figure]]:
    return {part: {name: Figure(v[0], v[1], v[2], int(v[3])) for name, v in of.items()} for part, of in parts.items()}


def _source_table(reference: dict[str, Any]) -> dict[str, Any]:
    breeds = reference["breeds"]
    return {
        "id": "leave_source_out",
        "title": "Photos from another source",
        "text": "Frozen features (the reference), learned on the photos of one source and tested on the test photos of "
        f"the other. As history: the same features name {breeds['breeds']} dog breeds of the Oxford set right in "
        f"{breeds['accuracy']:.1%} of {breeds['test_photos']} test photos; Parkhi et al. 2012 reached 59 % on 37 "
        "breeds of cats and dogs.",
        "head": ["learned on", "tested on", "photos", "accuracy", "log loss"],
        "rows": [list(row.values()) for row in reference["leave_source_out"]],
    }
