"""Running a salon: ``coatclass serve``, ``user``, ``records`` and ``learn``."""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Callable
from getpass import getpass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from coatclass.errors import RecordError, require
from coatclass.resources import released

if TYPE_CHECKING:
    from coatclass.learning import LearningReport, Shelf
    from coatclass.records import Records, User

# --- serve ------------------------------------------------------------------------------------------------------------


_NEEDED = ("argon2", "fastapi", "gradio", "jinja2", "multipart", "prometheus_client", "pypdf", "sqlalchemy", "uvicorn")


def declare_serve(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    parser.add_argument("--port", type=_port, default=0, help="port to listen on (default: a free one)")
    parser.add_argument("--data", type=Path, metavar="FOLDER", help="where records and photos are kept")
    parser.add_argument("--database", metavar="URL", help="another database than the SQLite file in that folder")
    parser.add_argument(
        "--photo-folder", type=Path, metavar="FOLDER", help="where photos are kept, if not beside the database"
    )
    parser.add_argument(
        "--allow-host", action="append", default=[], metavar="NAME", help="another name that this server goes by"
    )
    parser.add_argument(
        "--proxy", action="append", default=[], metavar="ADDRESS", help="a proxy to believe when it says who asks"
    )
    parser.add_argument(
        "--workers",
        type=_workers,
        default=1,
        metavar="N",
        help="processes that answer at the port; more than one need PostgreSQL (default: 1)",
    )
    parser.add_argument("--demo", action="store_true", help="open an invented salon, apart from your own records")
    parser.add_argument("--no-browser", action="store_true", help="only print the address")


def run_serve(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    server = _app("server")
    settings = _app("settings").Settings.chosen(
        data=args.data,
        database_url=args.database,
        photo_folder=args.photo_folder,
        demo=args.demo,
        hosts=args.allow_host,
        proxies=args.proxy,
    )

    def announce(address: str) -> None:
        print(f"coatclass is open at {address} (stop it with Ctrl+C). Records: {settings.where}", flush=True)
        if not args.no_browser:
            import webbrowser

            webbrowser.open(address)

    server.serve(
        host=args.host,
        port=args.port,
        settings=settings,
        workers=args.workers,
        tongue=args.language,
        announce=announce,
    )
    return 0


def _app(name: str) -> ModuleType:
    """A module of the web app, which this package must not depend on.

    Raises:
        MissingExtraError: if the web app's libraries are not installed.
    """
    require("The web app", "web", *_NEEDED)
    folder = str(released("app").parent)
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return importlib.import_module(f"app.{name}")


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise argparse.ArgumentTypeError("a port is a number from 0 to 65535")
    return port


def _workers(text: str) -> int:
    number = int(text)
    if not 1 <= number <= 64:
        raise argparse.ArgumentTypeError("a number of processes is from 1 to 64")
    return number


# --- user -------------------------------------------------------------------------------------------------------------


_WHO = "command line"


def declare_user(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, (_, summary) in _USER_ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name != "list":
            action.add_argument("name", help="the name to sign in with")
        if name == "add":
            action.add_argument("--role", choices=("groomer", "researcher"), required=True, help="what they may do")
        if name == "sessions":
            action.add_argument("--end", action="store_true", help="sign them out everywhere")


def run_user(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import open_records  # says what is missing before a password is asked for

    act, _ = _USER_ACTIONS[args.action]
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


_USER_ACTIONS: dict[str, tuple[Callable[[Records, argparse.Namespace], str], str]] = {
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


# --- records ----------------------------------------------------------------------------------------------------------


def add_database_argument(parser: argparse.ArgumentParser) -> None:
    """Declare ``--database``, for every command that opens the records."""
    parser.add_argument(
        "--database", metavar="URL", help="sqlite:///path or postgresql://...; the usual place if absent"
    )


def declare_records(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, (_, summary) in _RECORDS_ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        action.add_argument("file", type=Path, help="a .zip file")


def run_records(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import open_records

    act, _ = _RECORDS_ACTIONS[args.action]
    with open_records(args.database) as records:
        print(act(records, args.file))
    return 0


def _backup(records: Records, file: Path) -> str:
    from coatclass.records import backup

    return f"Backed up to {file}: {_counted(backup(records, file))}. Keep it as safe as the records."


def _restore(records: Records, file: Path) -> str:
    from coatclass.records import restore

    return f"Restored from {file}: {_counted(restore(records, file))}."


def _export(records: Records, file: Path) -> str:
    from coatclass.records import export_salon

    return f"Exported to {file}: {_counted(export_salon(records, file))}."


def _import(records: Records, file: Path) -> str:
    from coatclass.records import import_salon

    return f"Imported from {file}: {_counted(import_salon(records, file))}."


def _counted(archive: object) -> str:
    counts = getattr(archive, "counts", {})
    return ", ".join(f"{number} {kind}" for kind, number in counts.items() if number) or "nothing"


_RECORDS_ACTIONS: dict[str, tuple[Callable[[Records, Path], str], str]] = {
    "backup": (_backup, "write everything, sign-ins included, into one file"),
    "restore": (_restore, "read a backup into records that hold nothing yet"),
    "export": (_export, "write clients, dogs, findings and photos for other programs"),
    "import": (_import, "read an export back in, all of it or nothing"),
}


# --- learn ------------------------------------------------------------------------------------------------------------


def declare_learn(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    parser.add_argument("--yes", action="store_true", help="take the learned version into use without asking")
    parser.add_argument("--list", action="store_true", help="only list the versions; * marks the one in use")
    parser.add_argument("--use", metavar="VERSION", help="only return to this version, such as: released")


def run_learn(args: argparse.Namespace) -> int:
    """Learn, report, ask, switch; or list or restore versions."""
    from coatclass.learning import shelf_of
    from coatclass.records import open_records

    with open_records(args.database) as salon:
        shelf = shelf_of(salon)
        if args.list:
            used = shelf.current().version
            print("\n".join(f"{'*' if version == used else ' '} {version}" for version in shelf.versions()))
        elif args.use:
            shelf.use(args.use)
            print(f"In use: {args.use}.")
        else:
            return _learn(salon, shelf, yes=args.yes)
    return 0


def _learn(salon: Records, shelf: Shelf, *, yes: bool) -> int:
    from coatclass.learning import examples, learn
    from coatclass.records import learning_cases
    from coatclass.vision import read_manifest

    model, report = learn(examples(learning_cases(salon), model_version=read_manifest().model_version))
    shelf.put(model, report)
    print(_said(report))
    if not (yes or _agreed(model.version)):
        print(f"Nothing was switched. {model.version} is kept; take it into use with: coatclass learn --use VERSION")
        return 0
    shelf.use(model.version)
    print(f"In use: {model.version}. Return with: coatclass learn --use released")
    return 0


def _said(report: LearningReport) -> str:
    low, high = report.gain_interval
    helps = "more than chance explains" if report.worth_switching else "not more than chance explains"
    return (
        f"{report.findings} findings of {report.dogs} dogs. On dogs that were not learned from:\n"
        f"  log loss {report.before.log_loss:.3f} -> {report.after.log_loss:.3f} "
        f"(fall {low:+.3f} to {high:+.3f}, 95 % interval: {helps})\n"
        f"  right    {report.before.accuracy:.1%} -> {report.after.accuracy:.1%}"
    )


def _agreed(version: str) -> bool:
    if not sys.stdin.isatty():
        return False
    return input(f"Take {version} into use? [y/N] ").strip().lower() in ("y", "yes")
