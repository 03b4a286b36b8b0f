"""What commands about one dog share: its photos, the answers, the breed."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coatclass.answers import Answers


def add_dog_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare photos, ``--answers`` and ``--breed``."""
    parser.add_argument("photos", nargs="*", metavar="PHOTO", help="photos of one dog; none for answers alone")
    parser.add_argument("--answers", type=Path, metavar="FILE", help="answers to the questionnaire (JSON)")
    parser.add_argument("--breed", metavar="NAME", help="the dog's breed or cross, in your own words")


def answers_of(args: argparse.Namespace) -> Answers:
    """The answers of the file, with the breed that was named beside it.

    Raises:
        AnswersError: if the file can't be used.
    """
    from coatclass.answers import Answers, parse

    answers = parse(args.answers) if args.answers else Answers()
    return answers.model_copy(update={"breed": args.breed}) if args.breed else answers
