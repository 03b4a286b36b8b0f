"""An argument parser that says its own words (usage, help, what is wrong with a call) in a language."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import date
from functools import partial
from typing import Any, NoReturn

from coatclass.words import LANGUAGES, catalogue, in_language

__all__ = ["Parser", "day", "whole_number"]


class Parser(argparse.ArgumentParser):
    """argparse's parser in a language; parsers of subcommands speak the same one.

    Error messages are translated by their English wording, as all refusals are.
    """

    def __init__(self, *args: Any, language: str = LANGUAGES[0], **kwargs: Any) -> None:
        self.say = catalogue(language, "terminal").say
        self.language = language
        how: dict[str, Any] = {
            "formatter_class": partial(_Formatter, usage_word=self.say("call.usage")),
            "add_help": False,  # argparse's own says so in English
        }
        super().__init__(*args, **{**kwargs, **how})
        self._positionals.title, self._optionals.title = self.say("call.arguments"), self.say("call.options")
        self.add_argument("-h", "--help", action="help", help=self.say("call.help"))

    def add_subparsers(self, **kwargs: Any) -> Any:
        """As argparse's; the parsers are made in the language."""
        return super().add_subparsers(**{"parser_class": partial(Parser, language=self.language), **kwargs})

    def error(self, message: str) -> NoReturn:
        """Say how the command is called and what is wrong, and leave with exit code 2."""
        self.print_usage(sys.stderr)
        self.exit(2, self.say("call.error", program=self.prog, problem=in_language(message, self.language)) + "\n")


class _Formatter(argparse.HelpFormatter):
    """Keeps the lines of what was laid out by hand, such as a list of columns."""

    def __init__(self, prog: str, *, usage_word: str) -> None:
        super().__init__(prog)
        self._usage_word = usage_word

    def add_usage(self, usage: Any, actions: Any, groups: Any, prefix: str | None = None) -> None:
        super().add_usage(usage, actions, groups, self._usage_word if prefix is None else prefix)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return text if "\n" in text else super()._fill_text(text, width, indent)


def whole_number(least: int, most: int | None = None) -> Callable[[str], int]:
    """A type of argument: a whole number within limits."""

    def read(text: str) -> int:
        if text.isdecimal() and least <= int(text) and (most is None or int(text) <= most):
            return int(text)
        limits = f"of at least {least}" if most is None else f"from {least} to {most}"
        raise argparse.ArgumentTypeError(f"must be a whole number {limits}, not {text!r}")

    return read


def day(text: str) -> date:
    """A type of argument: a date."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a date such as 2026-03-01, not {text!r}") from None
