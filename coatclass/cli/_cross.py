"""``coatclass cross``: which coats the pups of two parents may grow, and which touch would tell."""

from __future__ import annotations

import argparse
from datetime import date

_GENERATIONS = ("f1", "f1b", "f1bb", "f2", "f2b", "f3")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("parents", nargs=2, metavar="PARENT", help="breed or cross of each parent")
    parser.add_argument("--generation", choices=_GENERATIONS, default="f1", help="f1: first cross; b: back to PARENT 2")
    parser.add_argument("--born", type=_day, metavar="YYYY-MM-DD", help="for dates on the puppy's way")
    parser.add_argument("--for", dest="audience", choices=["owner", "groomer"], default="groomer", help="whose words")


def run(args: argparse.Namespace) -> int:
    """Print the litter, the bench and the puppy's way."""
    from coatclass.genetics import cross, report, report_text

    found = cross(*args.parents, args.generation)
    print(report_text(report(found, born=args.born), args.audience))
    return 0


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a date such as 2026-03-01, not {text!r}") from None
