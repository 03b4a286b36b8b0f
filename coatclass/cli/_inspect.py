"""What an installation holds and expects: ``coatclass rules``, ``coatclass schema`` and ``coatclass check``."""

from __future__ import annotations

import argparse
import json
import platform
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, astuple, dataclass, fields
from typing import TYPE_CHECKING, Any

from coatclass import __version__
from coatclass.errors import CoatclassError, InputError, ModelFilesError

if TYPE_CHECKING:
    from rich.table import Table

# --- rules ------------------------------------------------------------------------------------------------------------


_SECTIONS = {"tools": "what goes into a kit", "harm": "which tool harms which coat", "care": "routine, load, dates"}


def declare_rules(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    said = "; ".join(f"{name}: {what}" for name, what in _SECTIONS.items())
    parser.add_argument("--of", choices=list(_SECTIONS), help=f"only one part ({said})")
    parser.add_argument("--tool", metavar="NAME", help="only the rules of this tool, by its name in kits or its id")
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run_rules(args: argparse.Namespace) -> int:
    """Print the rules, one table per part."""
    tool = args.tool and _id_of(args.tool)
    listed = {name: _of_tool(_listing(name)(), tool) for name in _SECTIONS if args.of in (None, name)}
    listed = {name: records for name, records in listed.items() if records}
    if not listed:
        from coatclass import toolkit

        tools = ", ".join(toolkit.tool_name(tool, language=args.language) for tool in toolkit.catalogue())
        raise InputError(str(args.tool), "has no rules here.", f"The tools are: {tools}.")
    if args.json:
        plain = {name: [asdict(record) for record in records] for name, records in listed.items()}
        print(json.dumps(plain, indent=1, ensure_ascii=False, default=str))
        return 0
    from rich.console import Console

    console = Console()
    for name, records in listed.items():
        console.print(_rule_table(f"{name}: {_SECTIONS[name]}", records))
    return 0


def _id_of(said: str) -> str:
    """The id of a tool that is called by its id or, in any language, by its name."""
    from coatclass import toolkit
    from coatclass.words import LANGUAGES

    def plain(name: str) -> str:
        return name.casefold().replace("_", " ").replace("-", " ").strip()

    for tool in toolkit.catalogue():
        if plain(said) in {plain(tool), *(plain(toolkit.tool_name(tool, language=one)) for one in LANGUAGES)}:
            return tool
    return said


def _listing(section: str) -> Callable[[], Sequence[Any]]:
    from coatclass import care, toolkit

    listings: dict[str, Callable[[], Sequence[Any]]] = {
        "tools": toolkit.rules,
        "harm": toolkit.harm_records,
        "care": care.rules,
    }
    return listings[section]


def _of_tool(records: Sequence[Any], tool: str | None) -> Sequence[Any]:
    if tool is None:
        return records
    return [record for record in records if tool in getattr(record, "tool", "").split(", ")]


def _rule_table(title: str, records: Sequence[Any]) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=title, title_justify="left")
    for field in fields(records[0]):
        table.add_column(field.name.replace("_", " "), overflow="fold")
    for record in records:
        table.add_row(*(Text(str(cell)) for cell in astuple(record)))
    return table


# --- schema -----------------------------------------------------------------------------------------------------------


def declare_schema(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "of", nargs="?", choices=["assessment", "answers", "visits"], default="assessment", help="which schema"
    )


def run_schema(args: argparse.Namespace) -> int:
    """Print the schema."""
    if args.of == "answers":
        from coatclass.answers import json_schema

        schema = json_schema()
    elif args.of == "visits":
        from pydantic import TypeAdapter

        from coatclass.contract import VisitNote

        schema = TypeAdapter(tuple[VisitNote, ...]).json_schema()
    else:
        from coatclass.contract import Assessment

        schema = Assessment.model_json_schema(mode="serialization")
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return 0


# --- check ------------------------------------------------------------------------------------------------------------


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


def declare_check(parser: argparse.ArgumentParser) -> None:
    """The command takes no arguments."""


def run_check(args: argparse.Namespace) -> int:
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
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
