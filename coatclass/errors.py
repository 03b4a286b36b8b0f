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

__all__ = [
    "AnswersError",
    "CoatclassError",
    "GenotypeError",
    "InputError",
    "MissingExtraError",
    "ModelFilesError",
    "PhotoError",
    "RecordError",
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


class MissingExtraError(CoatclassError):
    """An optional part of coatclass is not installed."""

    exit_code = 2

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(
            what,
            f"needs the optional part '{extra}', which is not installed.",
            f"Install it with: pip install 'coatclass[{extra}]'",
            code="missing_extra",
        )
