"""``coatclass assess``: one dog, from any number of photos and an answers file."""

from __future__ import annotations

import argparse
import shlex
import sys

from coatclass.cli.dog_arguments import add_dog_arguments, answers_of, presented, terminal, visits_of
from coatclass.plain_text import shown_path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    say = terminal(parser.get_default("language"))
    parser.add_argument("--full", action="store_true", help=say("option.full"))
    parser.add_argument("--json", action="store_true", help=say("option.json"))


def run(args: argparse.Namespace) -> int:
    """Assess the dog and print the answer; name every refused photo; exit code 3 if nothing could be told."""
    if not (args.photos or args.answers or args.breed):
        print(f"coatclass: {terminal(args.language)('nothing_given')}", file=sys.stderr)
        return 2
    if args.photos:
        from coatclass import vision

        vision.load_ahead()
    from coatclass.assessing import assess
    from coatclass.reasons import said

    given = answers_of(args)
    visits = visits_of(args)
    assessment = assess(args.photos, given, notes=visits)
    if args.json:
        print(assessment.model_dump_json(indent=2))
    else:
        from rich.console import Console

        from coatclass.cli.rendering import print_presentation

        plan = presented(assessment, given, language=args.language, visits=visits)
        print_presentation(plan, Console(), full=args.full, rest=_how_to_see_the_rest(args))
    for photo in assessment.photos:
        if photo.status == "refused":
            why = " ".join(said(reason, args.language) for reason in photo.reasons)
            print(f"coatclass: {photo.file}: {why}", file=sys.stderr)
    return 3 if assessment.category is None else 0


def _how_to_see_the_rest(args: argparse.Namespace) -> str:
    """One line with the command that prints the whole plan."""
    given = [*args.photos]
    given += ["--answers", str(args.answers)] if args.answers else []
    given += ["--breed", args.breed] if args.breed else []
    given += ["--visits", str(args.visits)] if args.visits else []
    command = f"coatclass assess {shown_path(shlex.join(given))} --full"
    return terminal(args.language)("rest", command=command)
