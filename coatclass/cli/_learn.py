"""``coatclass learn``: learn from the groomer's findings, compare on dogs held out, and switch only when told to."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from coatclass.cli._records import add_database_argument

if TYPE_CHECKING:
    from coatclass.learning import LearningReport, Shelf
    from coatclass.records import Records


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    parser.add_argument("--yes", action="store_true", help="take the learned version into use without asking")
    parser.add_argument("--list", action="store_true", help="only list the versions; * marks the one in use")
    parser.add_argument("--use", metavar="VERSION", help="only return to this version, such as: released")


def run(args: argparse.Namespace) -> int:
    """Learn, report, ask, switch; or list or restore versions."""
    from coatclass.learning import shelf_of
    from coatclass.records import open_records

    with open_records(args.database) as salon:
        shelf = shelf_of(salon)
        if args.list:
            used = shelf.current().version
            print("\n".join(f"{'*' if version == used else ' '} {version}" for version in shelf.versions()))
        elif args.use:
            shelf.use(args.use)
            print(f"In use: {args.use}.")
        else:
            return _learn(salon, shelf, yes=args.yes)
    return 0


def _learn(salon: Records, shelf: Shelf, *, yes: bool) -> int:
    from coatclass.learning import examples, learn
    from coatclass.records import learning_cases
    from coatclass.vision import read_manifest

    model, report = learn(examples(learning_cases(salon), model_version=read_manifest().model_version))
    shelf.put(model, report)
    print(_said(report))
    if not (yes or _agreed(model.version)):
        print(f"Nothing was switched. {model.version} is kept; take it into use with: coatclass learn --use VERSION")
        return 0
    shelf.use(model.version)
    print(f"In use: {model.version}. Return with: coatclass learn --use released")
    return 0


def _said(report: LearningReport) -> str:
    low, high = report.gain_interval
    helps = "more than chance explains" if report.worth_switching else "not more than chance explains"
    return (
        f"{report.findings} findings of {report.dogs} dogs. On dogs that were not learned from:\n"
        f"  log loss {report.before.log_loss:.3f} -> {report.after.log_loss:.3f} "
        f"(fall {low:+.3f} to {high:+.3f}, 95 % interval: {helps})\n"
        f"  right    {report.before.accuracy:.1%} -> {report.after.accuracy:.1%}"
    )


def _agreed(version: str) -> bool:
    if not sys.stdin.isatty():
        return False
    return input(f"Take {version} into use? [y/N] ").strip().lower() in ("y", "yes")
