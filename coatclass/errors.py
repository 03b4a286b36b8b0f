"""Everything that coatclass raises on purpose.

    CoatclassError
    ├── InputError            exit code 3: something that a person gave
    │   ├── PhotoError            a picture
    │   ├── AnswersError          the questionnaire
    │   ├── GenotypeError         a DNA result
    │   └── RecordError           something asked of the records
    ├── ModelFilesError       exit code 4: released files missing or damaged
    └── MissingExtraError     exit code 2: an optional part is not installed

Each message names the input, the problem and the next step, so that whoever reads it can act.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

__all__ = [
    "AnswersError",
    "CoatclassError",
    "GenotypeError",
    "InputError",
    "MissingExtraError",
    "ModelFilesError",
    "PhotoError",
    "RecordError",
    "install_command",
    "require",
]


class CoatclassError(Exception):
    """Base of all deliberate errors.

    Args:
        source: which input (a file name, a question, a file of the release).
        problem: what is wrong with it, in plain words.
        next_step: what the reader can do about it.
        code: a short stable name of the reason, for programs.
    """

    exit_code = 3

    def __init__(self, source: str, problem: str, next_step: str, *, code: str = "invalid") -> None:
        super().__init__(f"{source}: {problem} {next_step}")
        self.source = source
        self.problem = problem
        self.next_step = next_step
        self.code = code

    def __reduce__(self) -> tuple[Callable[..., CoatclassError], tuple[Any, ...]]:
        """Errors travel between processes, whatever arguments their own kind takes."""
        return _rebuilt, (type(self), self.source, self.problem, self.next_step, self.code)


def _rebuilt(kind: type[CoatclassError], source: str, problem: str, next_step: str, code: str) -> CoatclassError:
    error = kind.__new__(kind)
    CoatclassError.__init__(error, source, problem, next_step, code=code)
    return error


class InputError(CoatclassError):
    """Something that a person gave can't be used."""


class PhotoError(InputError):
    """A picture can't be used."""


class AnswersError(InputError):
    """An answers file or a single answer can't be used."""


class GenotypeError(InputError):
    """A DNA result can't be read."""


class RecordError(InputError):
    """A record can't be found, written or imported."""


class ModelFilesError(CoatclassError):
    """A released model file is missing or is not the one that was released."""

    exit_code = 4


def install_command(extra: str) -> str:
    """The command that installs an optional part: from the checkout if that is what runs, else the package."""
    checkout = Path(__file__).resolve().parent.parent
    what = f"{checkout}[{extra}]" if (checkout / "pyproject.toml").exists() else f"coatclass[{extra}]"
    return f"{shlex.quote(sys.executable)} -m pip install {'--editable ' if what[0] != 'c' else ''}{shlex.quote(what)}"


def require(what: str, extra: str, *modules: str) -> None:
    """Make sure that the modules of an optional part are there, before anything long begins.

    Raises:
        MissingExtraError: otherwise.
    """
    if any(find_spec(module) is None for module in modules):
        raise MissingExtraError(what, extra)


class MissingExtraError(CoatclassError):
    """An optional part of coatclass is not installed."""

    exit_code = 2

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(
            what,
            f"needs the optional part '{extra}', which is not installed.",
            f"Install it with: {install_command(extra)}",
            code="missing_extra",
        )
