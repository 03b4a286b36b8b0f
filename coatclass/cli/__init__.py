"""The command line: parse, call, print."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from io import TextIOWrapper
from typing import Any, Literal

from coatclass import __version__
from coatclass.cli.parsing import Parser
from coatclass.errors import CoatclassError
from coatclass.words import LANGUAGES, all_in_language, catalogue, in_language

__all__ = ["main"]

# Where each command lives: a module that is imported only once the command is called. It declares the arguments of
# COMMAND in ``declare_COMMAND(parser)`` and does the work in ``run_COMMAND(args)``, which returns the exit code.
_COMMANDS = {
    "assess": "dog",
    "sheet": "dog",
    "score": "_research",
    "cross": "_cross",
    "rules": "_inspect",
    "serve": "_salon",
    "records": "_salon",
    "user": "_salon",
    "learn": "_salon",
    "evaluate": "_research",
    "schema": "_inspect",
    "check": "_inspect",
}
_BRIEF = ("dog", "_cross", "_inspect")
_COLLECT_AFTER = 1_000_000  # objects; a whole `assess` makes some hundred thousand


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for some in every package takes 30 ms
    language = language_of(arguments)
    parsed = _parser(arguments, language).parse_args(arguments)
    if isinstance(sys.stdout, TextIOWrapper):  # a character that the terminal can't show must not end the run
        sys.stdout.reconfigure(errors="backslashreplace")
    if _COMMANDS[parsed.command] in _BRIEF:
        # Its matrices are small: starting a thread a core for them takes longer than all that is reckoned with them.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        # Hardly anything becomes garbage: looking for some takes a tenth of a run.
        gc.set_threshold(_COLLECT_AFTER)
        atexit.register(gc.freeze)
    try:
        return int(_of(parsed.command, "run")(parsed))
    except CoatclassError as error:
        problem, next_step = all_in_language((error.problem, error.next_step), language)
        print(f"coatclass: {in_language(error.source, language)}: {problem} {next_step}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print(f"coatclass: {catalogue(language, 'terminal').say('stopped')}", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone (as with `| head`): exit quietly, with nothing left to flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _of(command: str, part: Literal["declare", "run"]) -> Callable[[Any], Any]:
    module = importlib.import_module(f"coatclass.cli.{_COMMANDS[command]}")
    function: Callable[[Any], Any] = getattr(module, f"{part}_{command}")
    return function


def language_of(arguments: Sequence[str]) -> str:
    """The language asked for with ``--language``, else the terminal's by its locale (POSIX, 8.2), else English."""
    for place, argument in enumerate(arguments):
        name, _, value = argument.partition("=")
        if name == "--language":
            asked = value or "".join(arguments[place + 1 : place + 2])
            if asked in LANGUAGES:
                return asked
    locale = next(filter(None, map(os.environ.get, ("LC_ALL", "LC_MESSAGES", "LANG"))), "")
    language = locale.replace(".", "_").split("_")[0].casefold()
    return language if language in LANGUAGES else LANGUAGES[0]


def _parser(arguments: Sequence[str], language: str) -> Parser:
    say = catalogue(language, "terminal").say
    parser = Parser(prog="coatclass", description=say("purpose"), epilog=say("exit_codes"), language=language)
    parser.add_argument("--version", action="version", version=f"coatclass {__version__}", help=say("call.version"))
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((argument for argument in arguments if argument in _COMMANDS), None)
    for name in [chosen] if chosen and arguments[0] == chosen else _COMMANDS:  # the others are seen in no text then
        summary = say(f"command.{name}")
        command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        command.add_argument("--language", choices=LANGUAGES, default=language, help=say("option.language"))
        if name == chosen:
            _of(name, "declare")(command)
    return parser
