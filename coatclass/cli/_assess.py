"""``coatclass assess``: one dog, from any number of photos and an answers file."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from coatclass.cli._dog import add_dog_arguments, answers_of

if TYPE_CHECKING:
    from coatclass.contract import Assessment


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(args: argparse.Namespace) -> int:
    """Assess the dog and print the answer; name every refused photo; exit code 3 if nothing could be told."""
    if not (args.photos or args.answers or args.breed):
        print("coatclass: give at least one photo, --answers FILE or --breed NAME.", file=sys.stderr)
        return 2
    from coatclass.assessing import assess

    assessment = assess(args.photos, answers_of(args))
    _print(assessment, as_json=args.json)
    for photo in assessment.photos:
        if photo.status == "refused":
            print(f"coatclass: {photo.file}: {' '.join(reason.text for reason in photo.reasons)}", file=sys.stderr)
    return 3 if assessment.category is None else 0


def _print(assessment: Assessment, *, as_json: bool) -> None:
    if as_json:
        print(assessment.model_dump_json(indent=2))
        return
    from rich.console import Console

    from coatclass.cli._render import print_assessment

    print_assessment(assessment, Console())
