"""``coatclass user``: who may sign in to the web app, and how to help or stop them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from getpass import getpass
from typing import TYPE_CHECKING

from coatclass.cli._records import add_database_argument
from coatclass.errors import RecordError

if TYPE_CHECKING:
    from coatclass.records import Records, User

_WHO = "command line"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, (_, summary) in _ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name != "list":
            action.add_argument("name", help="the name to sign in with")
        if name == "add":
            action.add_argument("--role", choices=("groomer", "researcher"), required=True, help="what they may do")
        if name == "sessions":
            action.add_argument("--end", action="store_true", help="sign them out everywhere")


def run(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import open_records  # says what is missing before a password is asked for

    act, _ = _ACTIONS[args.action]
    if args.action == "add":
        args.password = _ask_twice()
    with open_records(args.database) as records:
        print(act(records, args))
    return 0


def _add(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import UserRole, add_user

    user = add_user(records, args.name, args.password, UserRole(args.role))
    return f"{user.name} may sign in as {user.role}."


def _list(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import User

    users = records.find(User)
    width = max((len(user.name) for user in users), default=0)
    lines = (f"{user.name:{width}}  {user.role:10}  {'disabled' if user.disabled else 'may sign in'}" for user in users)
    return "\n".join(lines) or "Nobody may sign in. Add somebody with: coatclass user add NAME --role groomer"


def _password(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_password

    user = _known(records, args.name)
    set_password(records, user, _ask_twice(), who=_WHO)
    return f"{user.name} has a new password and is signed out everywhere."


def _disable(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_disabled

    user = set_disabled(records, _known(records, args.name), True, who=_WHO)
    return f"{user.name} may not sign in any more and is signed out everywhere. What they entered stays."


def _unlock(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_disabled

    user = set_disabled(records, _known(records, args.name), False, who=_WHO)
    return f"{user.name} may sign in again. After wrong passwords the wait is a minute at most and ends by itself."


def _sessions(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import Session, end_all_sessions

    user = _known(records, args.name)
    found = records.find(Session, user_id=user.id)
    if args.end:
        end_all_sessions(records, user, who=_WHO)
        return f"{user.name} was signed out of {len(found)} browsers."
    lines = (f"since {one.started_at:%Y-%m-%d %H:%M} UTC, until {one.expires_at:%Y-%m-%d %H:%M} UTC" for one in found)
    return "\n".join(lines) or f"{user.name} is signed in nowhere."


_ACTIONS: dict[str, tuple[Callable[[Records, argparse.Namespace], str], str]] = {
    "add": (_add, "add somebody; the password is asked twice and never shown"),
    "list": (_list, "list who may sign in"),
    "password": (_password, "give somebody a new password; ends their sessions"),
    "disable": (_disable, "shut somebody out at once; what they entered stays"),
    "unlock": (_unlock, "let somebody in again who was disabled"),
    "sessions": (_sessions, "list where somebody is signed in, or end it"),
}


def _known(records: Records, name: str) -> User:
    from coatclass.records import find_user

    user = find_user(records, name)
    if user is None:
        raise RecordError(name, "is nobody who signs in.", "See: coatclass user list", code="not_found")
    return user


def _ask_twice() -> str:
    """A password as typed, or two equal lines from a pipe."""
    ask = getpass if sys.stdin.isatty() else lambda prompt: sys.stdin.readline().rstrip("\n")
    first, second = ask("Password: "), ask("Once more: ")
    if first != second:
        raise RecordError("the password", "was typed differently the second time.", "Try again.", code="different")
    return first
