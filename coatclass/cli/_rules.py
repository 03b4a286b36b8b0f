"""``coatclass rules``: every rule that shapes a kit, with where it comes from."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, astuple, fields

from coatclass.errors import InputError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--tool", help="only the rules of this tool")
    parser.add_argument(
        "--harm", action="store_true", help="the harm table instead: tool, coat, length, what goes wrong"
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")


def run(args: argparse.Namespace) -> int:
    """Print the rules."""
    from coatclass import toolkit

    listed = toolkit.harm_records() if args.harm else toolkit.rules()
    records = [record for record in listed if args.tool is None or args.tool in record.tool.split(", ")]
    if not records:
        tools = ", ".join(toolkit.catalogue())
        raise InputError(args.tool, "is no tool of the catalogue.", f"Choose one of: {tools}.")
    if args.json:
        print(json.dumps([asdict(record) for record in records], indent=1, ensure_ascii=False, default=str))
        return 0
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=f"rules {toolkit.rules_version()}", title_justify="left")
    for name in (field.name for field in fields(records[0])):
        table.add_column(name.replace("_", " "), overflow="fold")
    for record in records:
        table.add_row(*(Text(str(cell)) for cell in astuple(record)))
    Console().print(table)
    return 0
