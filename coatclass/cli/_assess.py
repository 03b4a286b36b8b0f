"""``coatclass assess``: one dog, from any number of photos and an answers file."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("photos", nargs="*", metavar="PHOTO", help="photos of one dog; none for answers alone")
    parser.add_argument("--answers", type=Path, metavar="FILE", help="answers to the questionnaire (JSON)")
    parser.add_argument("--breed", metavar="NAME", help="the dog's breed or cross, in your own words")
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(args: argparse.Namespace) -> int:
    """Assess the dog and print the answer."""
    from coatclass.answers import Answers, parse
    from coatclass.assessing import assess

    answers = parse(args.answers) if args.answers else Answers()
    if args.breed:
        answers = answers.model_copy(update={"breed": args.breed})
    assessment = assess(args.photos, answers)
    if args.json:
        print(assessment.model_dump_json(indent=2))
        return 0
    from rich.console import Console

    from coatclass.cli._render import print_assessment

    print_assessment(assessment, Console())
    return 0
