"""``coatclass serve``: open the web app. It lies beside this package, or travels inside an installed copy."""

from __future__ import annotations

import argparse
import importlib
import sys
import webbrowser
from pathlib import Path
from types import ModuleType

from coatclass.errors import require
from coatclass.resources import released

_NEEDED = ("argon2", "fastapi", "gradio", "jinja2", "multipart", "prometheus_client", "pypdf", "sqlalchemy", "uvicorn")


def add_arguments(parser: argparse.ArgumentParser) -> None:
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


def run(args: argparse.Namespace) -> int:
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
