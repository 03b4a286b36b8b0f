"""``coatclass check``: is the installation complete, undamaged, and able to run on this machine?"""

from __future__ import annotations

import argparse
import platform
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

from coatclass import __version__
from coatclass.errors import CoatclassError, ModelFilesError

_OPTIONAL = {
    "scikit-learn": "refitting and evaluation [fit]",
    "sqlalchemy": "records [records]",
    "gradio": "the web app [web]",
    "pyarrow": "Parquet tables [parquet]",
    "torch": "training [train]",
}


@dataclass(frozen=True)
class Checked:
    """One line of the report. ``error`` is None where all is well."""

    what: str
    found: str
    error: CoatclassError | None = None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command takes no arguments."""


def run(args: argparse.Namespace) -> int:
    """Print what was found; the exit code is that of the first fault."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    findings = list(_checked())
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("", "What", "Found"):
        table.add_column(heading, overflow="fold")
    for finding in findings:
        said = Text(str(finding.error or finding.found))  # printed as it is: brackets are not markup here
        table.add_row("fault" if finding.error else "ok", finding.what, said)
    Console().print(table)
    faults = [finding.error for finding in findings if finding.error]
    return faults[0].exit_code if faults else 0


def _image_model() -> str:
    from coatclass.vision import load_model

    return f"version {load_model().manifest.model_version}, files as released"


def _ensemble() -> str:
    from coatclass import decision, ensemble

    ensemble.load()
    decision.load()
    return "files as released"


def _questionnaire() -> str:
    from coatclass.answers import questionnaire_version, questions

    return f"version {questionnaire_version()}, {len(questions())} questions"


def _breeds() -> str:
    from coatclass.breeds import aliases, check_table, table

    problems = check_table()
    if problems:
        raise ModelFilesError("datasets/breeds.csv", problems[0] + ".", "Install coatclass again.", code="damaged")
    return f"{len(table())} breeds and crosses, {len(list(aliases()))} further names"


def _tools() -> str:
    from coatclass import toolkit

    return f"rules version {toolkit.rules_version()}, {len(toolkit.rules())} rules"


_EXAMINATIONS = {
    "image model": _image_model,
    "ensemble": _ensemble,
    "questionnaire": _questionnaire,
    "breed table": _breeds,
    "tool rules": _tools,
}


def _checked() -> Iterator[Checked]:
    yield Checked("coatclass", f"{__version__}, Python {platform.python_version()}, {platform.machine()}")
    for what, examine in _EXAMINATIONS.items():
        yield _examined(what, examine)
    for package, purpose in _OPTIONAL.items():
        yield Checked(package, f"{_installed(package)}: {purpose}")


def _examined(what: str, examine: Callable[[], str]) -> Checked:
    try:
        return Checked(what, examine())
    except CoatclassError as error:
        return Checked(what, "", error)


def _installed(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
