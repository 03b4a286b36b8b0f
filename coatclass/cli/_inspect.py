"""What an installation holds and expects: ``coatclass rules``, ``coatclass schema`` and ``coatclass check``."""

from __future__ import annotations

import argparse
import json
import platform
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from coatclass import __version__
from coatclass.errors import CoatclassError, InputError, ModelFilesError
from coatclass.words import LANGUAGES, Catalogue, all_in_language, catalogue, in_language, source_in_language

if TYPE_CHECKING:
    from rich.table import Table

# --- rules ------------------------------------------------------------------------------------------------------------


_SECTIONS = ("tools", "harm", "care")


def declare_rules(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    texts = _texts(parser.get_default("language"))
    said = "; ".join(_part(name, texts) for name in _SECTIONS)
    parser.add_argument("--of", choices=_SECTIONS, help=texts.say("rules.of", parts=said))
    parser.add_argument("--tool", metavar="NAME", help=texts.say("rules.tool"))
    parser.add_argument("--json", action="store_true", help=texts.say("rules.json"))


def run_rules(args: argparse.Namespace) -> int:
    """Print the rules, one table per part."""
    tool = args.tool and _id_of(args.tool)
    language = LANGUAGES[0] if args.json else args.language  # what programs read is the same in every language
    listed = {name: _of_tool(_listing(name, language), tool) for name in _SECTIONS if args.of in (None, name)}
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
        console.print(_rule_table(name, records, _texts(language)))
    return 0


def _id_of(said: str) -> str:
    """The id of a tool that is called by its id or, in any language, by its name."""
    from coatclass import toolkit

    def plain(name: str) -> str:
        return name.casefold().replace("_", " ").replace("-", " ").strip()

    for tool in toolkit.catalogue():
        if plain(said) in {plain(tool), *(plain(toolkit.tool_name(tool, language=one)) for one in LANGUAGES)}:
            return tool
    return said


def _texts(language: str) -> Catalogue:
    return catalogue(language, "commands")


def _part(section: str, texts: Catalogue) -> str:
    return texts.say("rules.part", name=section, what=texts.say(f"rules.parts.{section}"))


def _listing(section: str, language: str) -> Sequence[Any]:
    from coatclass import care, toolkit

    if section == "tools":
        return toolkit.rules(language=language)
    return care.rules(language) if section == "care" else toolkit.harm_records()


def _of_tool(records: Sequence[Any], tool: str | None) -> Sequence[Any]:
    if tool is None:
        return records
    return [record for record in records if tool in getattr(record, "tool", "").split(", ")]


def _rule_table(section: str, records: Sequence[Any], texts: Catalogue) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=_part(section, texts), title_justify="left")
    for field in fields(records[0]):
        table.add_column(texts.say(f"rules.head.{field.name}"), overflow="fold")
    for record in records:
        table.add_row(*(Text(_cell(name, str(cell), texts)) for name, cell in asdict(record).items()))
    return table


def _cell(field: str, written: str, texts: Catalogue) -> str:
    """What a record holds, in the language; identifiers as they are, so that they can be looked for."""
    if field == "source":
        return source_in_language(written, texts.language)
    role = f"rules.roles.{written}"
    return texts.say(role) if field == "role" and texts.has(role) else written


# --- schema -----------------------------------------------------------------------------------------------------------


def declare_schema(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    say = _texts(parser.get_default("language")).say
    parser.add_argument(
        "of", nargs="?", choices=["assessment", "answers", "visits"], default="assessment", help=say("schema.of")
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


_OPTIONAL = ("scikit-learn", "sqlalchemy", "gradio", "pyarrow", "torch")


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

    texts = _texts(args.language)
    findings = list(_checked(texts))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("", texts.say("check.what"), texts.say("check.found")):
        table.add_column(heading, overflow="fold")
    for finding in findings:
        found = finding.found if finding.error is None else _fault(finding.error, texts.language)
        state = texts.say("check.fault" if finding.error else "check.ok")
        table.add_row(state, finding.what, Text(found))  # printed as it is: brackets are not markup here
    Console().print(table)
    faults = [finding.error for finding in findings if finding.error]
    return faults[0].exit_code if faults else 0


def _fault(error: CoatclassError, language: str) -> str:
    said = all_in_language((error.problem, error.next_step), language)
    return f"{in_language(error.source, language)}: {' '.join(said)}"


def _image_model(texts: Catalogue) -> str:
    from coatclass.vision import load_model

    return texts.say("check.model", version=load_model().manifest.model_version)


def _ensemble(texts: Catalogue) -> str:
    from coatclass import decision, ensemble

    ensemble.load()
    decision.load()
    return texts.say("check.released")


def _questionnaire(texts: Catalogue) -> str:
    from coatclass.answers import questionnaire_version, questions

    return texts.say("check.questions", version=questionnaire_version(), count=len(questions()))


def _breeds(texts: Catalogue) -> str:
    from coatclass.breeds import aliases, check_table, table

    problems = check_table()
    if problems:
        raise ModelFilesError("datasets/breeds.csv", problems[0] + ".", "Install coatclass again.", code="damaged")
    return texts.say("check.breeds", count=len(table()), names=len(list(aliases())))


def _tools(texts: Catalogue) -> str:
    from coatclass import toolkit

    return texts.say("check.rules", version=toolkit.rules_version(), count=len(toolkit.rules()))


_EXAMINATIONS = {
    "image_model": _image_model,
    "ensemble": _ensemble,
    "questionnaire": _questionnaire,
    "breed_table": _breeds,
    "tool_rules": _tools,
}


def _checked(texts: Catalogue) -> Iterator[Checked]:
    system = {"python": platform.python_version(), "machine": platform.machine()}
    yield Checked("coatclass", texts.say("check.python", version=__version__, **system))
    for what, examine in _EXAMINATIONS.items():
        yield _examined(texts.say(f"check.{what}"), examine, texts)
    for package in _OPTIONAL:
        version = _installed(package) or texts.say("check.not_installed")
        purpose = texts.say(f"check.libraries.{package}")
        yield Checked(package, texts.say("check.library", version=version, purpose=purpose))


def _examined(what: str, examine: Callable[[Catalogue], str], texts: Catalogue) -> Checked:
    try:
        return Checked(what, examine(texts))
    except CoatclassError as error:
        return Checked(what, "", error)


def _installed(package: str) -> str | None:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(package)
    except PackageNotFoundError:
        return None
