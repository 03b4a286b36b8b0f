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

from coatclass.cli.parsing import whole_number
from coatclass.errors import RecordError, require
from coatclass.resources import released
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    from coatclass.learning import Shelf
    from coatclass.records import Archive, Records, User


def _say(language: str) -> Callable[..., str]:
    return catalogue(language, "commands").say


# --- serve ------------------------------------------------------------------------------------------------------------


_NEEDED = ("argon2", "fastapi", "gradio", "jinja2", "multipart", "prometheus_client", "pypdf", "sqlalchemy", "uvicorn")


def declare_serve(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    say = _say(parser.get_default("language"))
    parser.add_argument("--host", default="127.0.0.1", help=say("serve.host"))
    parser.add_argument("--port", type=whole_number(0, 65535), default=0, help=say("serve.port"))
    parser.add_argument("--data", type=Path, metavar="FOLDER", help=say("serve.data"))
    parser.add_argument("--database", metavar="URL", help=say("serve.database"))
    parser.add_argument("--photo-folder", type=Path, metavar="FOLDER", help=say("serve.photo_folder"))
    parser.add_argument("--allow-host", action="append", default=[], metavar="NAME", help=say("serve.allow_host"))
    parser.add_argument("--proxy", action="append", default=[], metavar="ADDRESS", help=say("serve.proxy"))
    parser.add_argument("--workers", type=whole_number(1, 64), default=1, metavar="N", help=say("serve.workers"))
    parser.add_argument("--demo", action="store_true", help=say("serve.demo"))
    parser.add_argument("--no-browser", action="store_true", help=say("serve.no_browser"))


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
        print(_say(args.language)("serve.open", address=address, records=settings.where), flush=True)
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


# --- user -------------------------------------------------------------------------------------------------------------


_WHO = "command line"
_TIME = "%Y-%m-%d %H:%M"


def declare_user(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    say = _say(parser.get_default("language"))
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name in _USER_ACTIONS:
        summary = say(f"user.action.{name}")
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name != "list":
            action.add_argument("name", help=say("user.name"))
        if name == "add":
            action.add_argument("--role", choices=("groomer", "researcher"), required=True, help=say("user.role"))
        if name == "sessions":
            action.add_argument("--end", action="store_true", help=say("user.end"))


def run_user(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import open_records  # says what is missing before a password is asked for

    if args.action == "add":
        args.password = _ask_twice(args.language)
    with open_records(args.database) as records:
        print(_USER_ACTIONS[args.action](records, args))
    return 0


def _add(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import UserRole, add_user

    user = add_user(records, args.name, args.password, UserRole(args.role))
    return _say(args.language)("user.added", name=user.name, role=user.role)


def _list(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import User

    say = _say(args.language)
    users = records.find(User)
    width = max((len(user.name) for user in users), default=0)
    state = {True: say("user.disabled"), False: say("user.enabled")}
    lines = (f"{user.name:{width}}  {user.role:10}  {state[user.disabled]}" for user in users)
    return "\n".join(lines) or say("user.nobody")


def _password(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_password

    user = _known(records, args.name)
    set_password(records, user, _ask_twice(args.language), who=_WHO)
    return _say(args.language)("user.new_password", name=user.name)


def _disable(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_disabled

    user = set_disabled(records, _known(records, args.name), True, who=_WHO)
    return _say(args.language)("user.shut_out", name=user.name)


def _unlock(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import set_disabled

    user = set_disabled(records, _known(records, args.name), False, who=_WHO)
    return _say(args.language)("user.let_in", name=user.name)


def _sessions(records: Records, args: argparse.Namespace) -> str:
    from coatclass.records import Session, end_all_sessions

    say = _say(args.language)
    user = _known(records, args.name)
    found = records.find(Session, user_id=user.id)
    if args.end:
        end_all_sessions(records, user, who=_WHO)
        return say("user.signed_out", name=user.name, count=len(found))
    lines = (say("user.session", since=f"{one.started_at:{_TIME}}", until=f"{one.expires_at:{_TIME}}") for one in found)
    return "\n".join(lines) or say("user.no_session", name=user.name)


_USER_ACTIONS: dict[str, Callable[[Records, argparse.Namespace], str]] = {
    "add": _add,
    "list": _list,
    "password": _password,
    "disable": _disable,
    "unlock": _unlock,
    "sessions": _sessions,
}


def _known(records: Records, name: str) -> User:
    from coatclass.records import find_user

    user = find_user(records, name)
    if user is None:
        raise RecordError(name, "is nobody who signs in.", "See: coatclass user list", code="not_found")
    return user


def _ask_twice(language: str) -> str:
    """A password as typed, or two equal lines from a pipe."""
    ask = getpass if sys.stdin.isatty() else lambda prompt: sys.stdin.readline().rstrip("\n")
    say = _say(language)
    first, second = ask(say("user.password")), ask(say("user.once_more"))
    if first != second:
        raise RecordError("the password", "was typed differently the second time.", "Try again.", code="different")
    return first


# --- records ----------------------------------------------------------------------------------------------------------


def add_database_argument(parser: argparse.ArgumentParser) -> None:
    """Declare ``--database``, for every command that opens the records."""
    say = _say(parser.get_default("language"))
    parser.add_argument("--database", metavar="URL", help=say("salon.database"))


def declare_records(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    say = _say(parser.get_default("language"))
    for name in ("backup", "restore", "export", "import"):
        summary = say(f"records.action.{name}")
        action = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        action.add_argument("file", type=Path, help=say("records.file"))


def run_records(args: argparse.Namespace) -> int:
    """Do it and say what was done."""
    from coatclass.records import backup, export_salon, import_salon, open_records, restore

    acts = {"backup": backup, "restore": restore, "export": export_salon, "import": import_salon}
    with open_records(args.database) as records:
        archive = acts[args.action](records, args.file)
    texts = catalogue(args.language, "commands")
    what = _counted(archive, texts) or texts.say("records.nothing")
    print(texts.say(f"records.done.{args.action}", file=args.file, what=what))
    return 0


def _counted(archive: Archive, texts: Catalogue) -> str:
    """Count what went into an archive or came out of it, by kind."""
    return ", ".join(texts.count(f"records.count.{kind}", number) for kind, number in archive.counts.items() if number)


# --- learn ------------------------------------------------------------------------------------------------------------


def declare_learn(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_database_argument(parser)
    say = _say(parser.get_default("language"))
    parser.add_argument("--yes", action="store_true", help=say("learn.yes"))
    parser.add_argument("--list", action="store_true", help=say("learn.list"))
    parser.add_argument("--use", metavar="VERSION", help=say("learn.use"))


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
            print(_say(args.language)("learn.in_use", version=args.use))
        else:
            _learn(salon, shelf, catalogue(args.language, "commands"), yes=args.yes)
    return 0


def _learn(salon: Records, shelf: Shelf, texts: Catalogue, *, yes: bool) -> None:
    from coatclass.cli.rendering import learning_told
    from coatclass.learning import examples, learn
    from coatclass.records import learning_cases
    from coatclass.vision import read_manifest

    model, report = learn(examples(learning_cases(salon), model_version=read_manifest().model_version))
    shelf.put(model, report)
    print(learning_told(report, texts))
    if not (yes or _agreed(model.version, texts)):
        print(texts.say("learn.kept", version=model.version))
        return
    shelf.use(model.version)
    print(texts.say("learn.taken", version=model.version))


def _agreed(version: str, texts: Catalogue) -> bool:
    if not sys.stdin.isatty():
        return False
    return input(texts.say("learn.ask", version=version)).strip().casefold() in texts.lines("learn.agreed")
