"""``coatclass rules``: every rule that shapes a kit or a care plan, with where it comes from."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, astuple, fields
from typing import TYPE_CHECKING, Any

from coatclass.errors import InputError

if TYPE_CHECKING:
    from rich.table import Table

_SECTIONS = {"tools": "what goes into a kit", "harm": "which tool harms which coat", "care": "routine, load, dates"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    said = "; ".join(f"{name}: {what}" for name, what in _SECTIONS.items())
    parser.add_argument("--of", choices=list(_SECTIONS), help=f"only one part ({said})")
    parser.add_argument("--tool", metavar="NAME", help="only the rules of this tool, by its name in kits or its id")
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(args: argparse.Namespace) -> int:
    """Print the rules, one table per part."""
    tool = args.tool and _id_of(args.tool)
    listed = {name: _of_tool(_listing(name)(), tool) for name in _SECTIONS if args.of in (None, name)}
    listed = {name: records for name, records in listed.items() if records}
    if not listed:
        from coatclass import toolkit

        tools = ", ".join(toolkit.tool_name(tool) for tool in toolkit.catalogue())
        raise InputError(str(args.tool), "has no rules here.", f"The tools are: {tools}.")
    if args.json:
        plain = {name: [asdict(record) for record in records] for name, records in listed.items()}
        print(json.dumps(plain, indent=1, ensure_ascii=False, default=str))
        return 0
    from rich.console import Console

    console = Console()
    for name, records in listed.items():
        console.print(_table(f"{name}: {_SECTIONS[name]}", records))
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


def _table(title: str, records: Sequence[Any]) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=title, title_justify="left")
    for field in fields(records[0]):
        table.add_column(field.name.replace("_", " "), overflow="fold")
    for record in records:
        table.add_row(*(Text(str(cell)) for cell in astuple(record)))
    return table
