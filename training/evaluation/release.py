"""``python -m training evaluate``: the released program on the test split, beside the reference, in one report.

Writes the full report (JSON and a page with small pictures) to ``--out``, and the figures without pictures to
``models/metrics.json`` and ``models/METRICS.md``. The test split is read here and, for its few crosses, by ``crosses``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from coatclass.errors import ModelFilesError
from coatclass.reports.evaluation import (
    Figure,
    LabelledPhotos,
    build_report,
    drawn,
    look_at,
    opening,
    robustness,
    subset,
    to_json,
    with_decisions,
    write_report,
)
from training.evaluation.cases import cases_of_split, other_animals
from training.evaluation.generalisation import (
    ablations,
    beside_reference,
    mixed_out_of_fold,
    observed_answers,
    settled_counts,
    sure_and_unsure,
    unseen_breeds,
    unseen_sources,
)
from training.evaluation.reference import measure_reference
from training.evaluation.tables import quote, summary
from training.places import ROOT, photos_folder, sha256

__all__ = ["add_arguments", "check_release", "evaluate_release", "run"]

_REFIT = "Fit the ensemble again with: python -m training ensemble"
_DRAWS = 5  # of simulated owners
# What stays in the report only: long curves and single photos.
_LEFT_OUT = ("calibration", "errors", "words")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    work = parser.add_mutually_exclusive_group(required=True)
    work.add_argument("--out", type=Path, help="folder for the report; it holds small photos")
    work.add_argument(
        "--tables-only", action="store_true", help="only write METRICS.md, README and card again, from metrics.json"
    )
    work.add_argument(
        "--robustness-only", action="store_true", help="measure only worse pictures anew, and write the tables again"
    )
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="folder for metrics.json and METRICS.md")
    parser.add_argument("--split", choices=("test", "val"), default="test", help="val only to try the report out")
    parser.add_argument("--robustness", type=int, default=150, metavar="N", help="photos to repeat with worse pictures")
    parser.add_argument("--resamples", type=int, default=1000, help="bootstrap resamples behind each interval")
    parser.add_argument(
        "--reference", action="store_true", help="also measure the reference anew: frozen features (minutes)"
    )


def run(args: argparse.Namespace) -> int:
    """Evaluate and write."""
    if args.reference:
        measure_reference(args.models / "reference.json", args.out)
    if args.robustness_only:
        _measure_robustness(args)
    for line in _write_tables(args.models) if args.out is None else evaluate_release(args):
        print(line)
    return 0


def _measure_robustness(args: argparse.Namespace) -> None:
    """Put worse pictures of so many photos into ``metrics.json``; every other figure stays.

    Raises:
        ModelFilesError: if those figures are of another release.
    """
    check_release(args.models)
    path = args.models / "metrics.json"
    figures = _json(path)
    if figures["made_by"] != (now := opening("")["made_by"]):
        raise ModelFilesError(
            str(path), f"is of {figures['made_by']}, not of {now}.", "Evaluate the whole: --out FOLDER"
        )
    figures["robustness"] = to_json(robustness(drawn(cases_of_split(args.split), args.robustness)))
    path.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


def evaluate_release(args: argparse.Namespace) -> Iterator[str]:
    """Look at every photo of the split, write the report and the metrics; yield lines for people.

    Raises:
        ModelFilesError: if the released files do not belong together.
    """
    check_release(args.models)
    cases = cases_of_split(args.split)
    yield f"Reading {len(cases)} photos of {args.split} in {photos_folder().name}, and other animals ..."
    looked = with_decisions(LabelledPhotos(look_at(cases).rows + look_at(other_animals()).rows))
    report = build_report(looked, f"coatclass on its {args.split} split", resamples=args.resamples, draws=_DRAWS)
    if args.robustness:
        yield f"Looking again at {args.robustness} photos made worse ..."
        report["robustness"] = robustness(subset(looked, args.robustness))
    report["mixed"]["train and val, out of fold"] = mixed_out_of_fold(args.models)
    report["extras"] = [observed_answers(looked, args.resamples)]
    report["extras"] += _out_of_fold(args.models, looked if args.split == "test" else None, args.resamples)
    reference = args.models / "reference.json"
    if reference.exists():
        known = json.loads(reference.read_text(encoding="utf-8"))
        report["reference"] = known | {"figures": _figures(known["figures"])}
        report["extras"].append(_source_table(known))
    report["extras"] += ablations(args.models)
    plain = write_report(report, looked, args.out)
    yield f"The report is {args.out / 'evaluation.html'}."
    if args.split == "test":
        figures = {key: value for key, value in plain.items() if key not in _LEFT_OUT}
        if "dog" in figures:
            figures["dog"] = {key: value for key, value in figures["dog"].items() if key != "roc"}
        (args.models / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
        yield from _write_tables(args.models)


def _write_tables(models: Path) -> Iterator[str]:
    """The figures of ``metrics.json`` for people: METRICS.md, README, model card.

    Tables of what variants are worth are read anew from their files: no test photo is in them.
    """
    figures = json.loads((models / "metrics.json").read_text(encoding="utf-8"))
    variants = {table["id"]: to_json(table) for table in ablations(models)}
    figures["extras"] = [variants.get(table["id"], table) for table in figures["extras"]]
    (models / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    (models / "METRICS.md").write_text(summary(figures), encoding="utf-8")
    quote(figures, *(path for path in (models / "MODEL_CARD.md", models.parent / "README.md") if path.exists()))
    yield f"The figures are {models / 'metrics.json'} and {models / 'METRICS.md'}."


def _out_of_fold(models: Path, looked: LabelledPhotos | None, resamples: int) -> list[dict[str, Any]]:
    return [
        unseen_breeds(models, resamples),
        settled_counts(models),
        *beside_reference(looked, models, resamples),
        sure_and_unsure(models, resamples),
        *unseen_sources(models, resamples),
    ]


def check_release(models: Path) -> None:
    """Check that image model, evidence and ensemble in a folder are of one release.

    Raises:
        ModelFilesError: if the ensemble was fitted on other evidence, or for another image model.
    """
    ensemble, image = (_json(models / name) for name in ("ensemble.json", "manifest.json"))
    if ensemble["image_model"] != image["model_version"]:
        raise ModelFilesError(
            "models/ensemble.json",
            f"was fitted for {ensemble['image_model']}, but models/manifest.json is that of {image['model_version']}.",
            _REFIT,
        )
    fitted_on = ensemble["fitted_on"]
    by_ensemble = {
        "evidence.npz": fitted_on["evidence_sha256"],
        "evidence_unseen_breeds.npz": fitted_on["unseen_breeds_sha256"],
    }
    found = {file: sha256(models / file) for file in image["evidence"]}
    for of, digests in (("the image model wrote", image["evidence"]), ("the ensemble was fitted on", by_ensemble)):
        for file, known in digests.items():
            if found[file] != known:
                problem = f"has SHA-256 {found[file][:8]}..., but {of} {known[:8]}... ."
                raise ModelFilesError(f"models/{file}", problem, _REFIT)


def _json(path: Path) -> dict[str, Any]:
    if not path.exists():
        raise ModelFilesError(str(path), "does not exist.", _REFIT)
    read: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return read


def _figures(parts: dict[str, dict[str, list[float]]]) -> dict[str, dict[str, Figure]]:
    return {part: {name: Figure(v[0], v[1], v[2], int(v[3])) for name, v in of.items()} for part, of in parts.items()}


def _source_table(reference: dict[str, Any]) -> dict[str, Any]:
    breeds = reference["breeds"]
    return {
        "id": "leave_source_out",
        "title": "Photos from another source: the frozen reference on the test split",
        "text": "Frozen features (the reference, not the release), learned on the photos of one source and tested on "
        "the test photos of the other; no intervals. As history: the same features name "
        f"{breeds['breeds']} dog breeds of the Oxford set right in {breeds['accuracy']:.1%} of {breeds['test_photos']} "
        "test photos; Parkhi et al. 2012 reached 59 % on 37 breeds of cats and dogs.",
        "head": ["learned on", "tested on", "photos", "accuracy", "log loss"],
        "rows": [list(row.values()) for row in reference["leave_source_out"]],
    }
