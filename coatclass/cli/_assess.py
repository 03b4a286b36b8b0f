"""``coatclass assess``: one dog, from any number of photos and an answers file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coatclass.contract import Assessment


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("photos", nargs="*", metavar="PHOTO", help="photos of one dog; none for answers alone")
    parser.add_argument("--answers", type=Path, metavar="FILE", help="answers to the questionnaire (JSON)")
    parser.add_argument("--breed", metavar="NAME", help="the dog's breed or cross, in your own words")
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(args: argparse.Namespace) -> int:
    """Assess the dog and print the answer; exit code 3 if every photo was refused and there are no answers."""
    if not (args.photos or args.answers or args.breed):
        print("coatclass: give at least one photo, --answers FILE or --breed NAME.", file=sys.stderr)
        return 2
    from coatclass.answers import Answers, parse
    from coatclass.assessing import assess

    answers = parse(args.answers) if args.answers else Answers()
    if args.breed:
        answers = answers.model_copy(update={"breed": args.breed})
    assessment = assess(args.photos, answers)
    _print(assessment, as_json=args.json)
    if assessment.verdict != "unusable_photo":
        return 0
    for photo in assessment.photos:
        print(f"coatclass: {photo.file}: {' '.join(reason.text for reason in photo.reasons)}", file=sys.stderr)
    return 3


def _print(assessment: Assessment, *, as_json: bool) -> None:
    if as_json:
        print(assessment.model_dump_json(indent=2))
        return
    from rich.console import Console

    from coatclass.cli._render import print_assessment

    print_assessment(assessment, Console())
