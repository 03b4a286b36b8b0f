"""``coatclass user``: say who may sign in to the web app."""

from __future__ import annotations

import argparse
import sys
from getpass import getpass

from coatclass.errors import MissingExtraError, RecordError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--database", metavar="URL", help="sqlite:///path or postgresql://...; the usual place if absent"
    )
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    add = actions.add_parser("add", help="add somebody; the password is asked twice and never shown")
    add.add_argument("name", help="the name to sign in with")
    add.add_argument("--role", choices=("groomer", "researcher"), required=True, help="what the person may do")


def run(args: argparse.Namespace) -> int:
    """Ask for a password twice and add the user."""
    try:
        from coatclass.records import UserRole, add_user, open_records
    except ImportError as error:
        raise MissingExtraError("The records", "records") from error
    password = _ask_twice()
    with open_records(args.database) as records:
        user = add_user(records, args.name, password, UserRole(args.role))
    print(f"{user.name} may sign in as {user.role}.")
    return 0


def _ask_twice() -> str:
    """A password as typed, or two equal lines from a pipe."""
    ask = getpass if sys.stdin.isatty() else lambda prompt: sys.stdin.readline().rstrip("\n")
    first, second = ask("Password: "), ask("Once more: ")
    if first != second:
        raise RecordError("the password", "was typed differently the second time.", "Try again.", code="different")
    return first
