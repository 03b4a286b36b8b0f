"""``python -m training``: a thin dispatcher to the sub-commands."""

from __future__ import annotations

import argparse
import sys
from importlib import import_module

from coatclass.errors import CoatclassError

# Command: the module behind it (with ``add_arguments`` and ``run``), and its purpose.
COMMANDS = {
    "image": ("image", "train the image model from the photos and release it"),
    "shards": ("image.shards", "write photos by the million into tar files, and train on those"),
    "ensemble": ("ensemble", "fit and calibrate the ensemble on released evidence"),
    "not-dogs": ("evaluation.not_dogs", "tell who passes for a dog, and what another limit would do"),
    "evaluate": ("evaluation.release", "measure the released model on the test split"),
    "benchmark": ("benchmark", "measure speed and memory, as ratios of one run"),
    "scale": ("scale", "measure what many photos and many rows cost, here and on Ray"),
    "trials": ("experiments.trials", "measure again what was tried with frozen features and left out"),
    "soups": ("experiments.soups", "average the weights of several trainings, and read photos in several views"),
    "second-look": ("experiments.second_look", "tell what a second look only where the first leaves doubt would cost"),
    "ablations": ("experiments.ablation_intervals", "tell how far two variants of the image model differ"),
    "photos": ("dataset.photos", "fetch the photos that the labels name"),
    "blind-sheet": ("blind_sheet", "prepare a sheet for a groomer who labels photos unseen, and read it back"),
    "votes": ("evaluation.votes", "measure the release against all annotators and beside a further one"),
    "labels": ("dataset.documents", "write the labels, their documents and the metadata of the data set"),
    "crosses": ("crosses", "measure what ancestors add to a photo, on the photographed crosses"),
    "breeds": ("breeds", "compare the breed table with published tables"),
}


def main(argv: list[str] | None = None) -> int:
    """Hand the arguments to a sub-command; return its exit code (2 for bad usage, as argparse has it)."""
    arguments = sys.argv[1:] if argv is None else argv
    parser = argparse.ArgumentParser(prog="python -m training", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    chosen = next((word for word in arguments if not word.startswith("-")), None)
    for name, (place, purpose) in COMMANDS.items():
        command = commands.add_parser(name, help=purpose, description=purpose.capitalize() + ".")
        if name == chosen:  # only the sub-command that runs is imported: torch is slow to load
            module = import_module(f"training.{place}")
            module.add_arguments(command)
            command.set_defaults(run=module.run)
    options = parser.parse_args(arguments)
    try:
        return int(options.run(options))
    except CoatclassError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
