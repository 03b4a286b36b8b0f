"""The command line: parse, call, print. Each command is a module of this room, imported only when it is called."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from io import TextIOWrapper

from coatclass import __version__
from coatclass.errors import CoatclassError

__all__ = ["main"]

_COMMANDS = {
    "assess": "assess one dog from photos, answers, or both",
    "sheet": "write a home-care sheet (PDF, HTML) or its dates (ICS)",
    "score": "read many photos into one table, a row a photo",
    "cross": "what the pups of two parents may wear, and which touch would tell",
    "rules": "list every rule of the tool kit with its source",
    "serve": "open the web app",
    "records": "back up, restore, export or import a salon's records",
    "user": "say who may sign in to the web app",
    "learn": "learn from the groomer's findings, and switch only when told to",
    "evaluate": "measure how well the program does on your own labelled photos",
    "schema": "print the JSON Schema of an assessment or of an answers file",
    "check": "examine this installation",
}
_EPILOG = "Exit codes: 0 done, 2 bad usage, 3 bad input, 4 missing or damaged model files."


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    parsed = _parser(arguments).parse_args(arguments)
    if isinstance(sys.stdout, TextIOWrapper):  # a character that the terminal can't show must not end the run
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        return int(_module(parsed.command).run(parsed))
    except CoatclassError as error:
        print(f"coatclass: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("coatclass: stopped.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (as with `| head`): leave quietly, with nothing more to flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _module(command: str):  # type: ignore[no-untyped-def]  # a command's module: add_arguments(parser), run(args)
    return importlib.import_module(f"coatclass.cli._{command.replace('-', '_')}")


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="coatclass",
        description="Tells which coat a dog has, how long it is, how sure that is, and which tools fit it.",
        epilog=_EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"coatclass {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((argument for argument in arguments if argument in _COMMANDS), None)
    for name, summary in _COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name == chosen:
            _module(name).add_arguments(command)
    return parser
