"""``coatclass records``: back up, restore, export and import a salon's records."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coatclass.records import Records


def add_database_argument(parser: argparse.ArgumentParser) -> None:
    """Declare ``--database``, for every command that opens the records."""
    parser.add_argument(
        "--database", metavar="URL", help="sqlite:///path or postgresql://...; the usual place if absent"
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, (_, summary) in _ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        action.add_argument("file", type=Path, help="a .zip file")


def run(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import open_records

    act, _ = _ACTIONS[args.action]
    with open_records(args.database) as records:
        print(act(records, args.file))
    return 0


def _backup(records: Records, file: Path) -> str:
    from coatclass.records import backup

    return f"Backed up to {file}: {_said(backup(records, file))}. Keep it as safe as the records."


def _restore(records: Records, file: Path) -> str:
    from coatclass.records import restore

    return f"Restored from {file}: {_said(restore(records, file))}."


def _export(records: Records, file: Path) -> str:
    from coatclass.records import export_salon

    return f"Exported to {file}: {_said(export_salon(records, file))}."


def _import(records: Records, file: Path) -> str:
    from coatclass.records import import_salon

    return f"Imported from {file}: {_said(import_salon(records, file))}."


def _said(archive: object) -> str:
    counts = getattr(archive, "counts", {})
    return ", ".join(f"{number} {kind}" for kind, number in counts.items() if number) or "nothing"


_ACTIONS: dict[str, tuple[Callable[[Records, Path], str], str]] = {
    "backup": (_backup, "write everything, sign-ins included, into one file"),
    "restore": (_restore, "read a backup into records that hold nothing yet"),
    "export": (_export, "write clients, dogs, findings and photos for other programs"),
    "import": (_import, "read an export back in, all of it or nothing"),
}
