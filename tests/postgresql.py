"""A real PostgreSQL server of one's own, in a folder of its own, without a port."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

MISSING = "no PostgreSQL server programs (initdb, pg_ctl, postgres) found; Debian: apt install postgresql"


def programs() -> Path | None:
    """Folder of ``initdb`` and ``postgres``: on the path, or where Debian keeps them."""
    on_path = shutil.which("initdb")
    places = [Path(on_path).resolve().parent] if on_path else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((place for place in places if (place / "postgres").exists() and (place / "pg_ctl").exists()), None)


def _unprivileged() -> dict[str, str | int]:
    """The server refuses to run as root: then it runs as the system's user for it, or as nobody."""
    if os.geteuid() != 0:
        return {}
    names = {entry.pw_name: entry for entry in pwd.getpwall()}
    entry = names.get("postgres") or names["nobody"]
    return {"user": entry.pw_uid, "group": entry.pw_gid}


@contextmanager
def running() -> Iterator[Callable[[], str]]:
    """A function that makes a new, empty database on a real server and returns its address.

    Raises:
        LookupError: if the programs are not there.
    """
    place = programs()
    if place is None:
        raise LookupError(MISSING)
    folder = Path(tempfile.mkdtemp(prefix="coatclass-pg-"))  # short: a socket's path has 107 characters at most
    as_whom = _unprivileged()
    if as_whom:
        os.chown(folder, as_whom["user"], as_whom["group"])

    def run(program: str, *arguments: str) -> None:
        command = [str(place / program), "-D", str(folder / "data"), *arguments]
        subprocess.run(command, check=True, cwd=folder, stdout=subprocess.DEVNULL, env={"LC_ALL": "C"}, **as_whom)

    run("initdb", "-U", "salon", "--auth=trust", "-E", "UTF8", "--no-sync")
    options = f"-k {folder} -c listen_addresses= -c fsync=off -c max_connections=80"
    run("pg_ctl", "-w", "-l", str(folder / "log"), "-o", options, "start")
    try:
        yield lambda: _new_database(folder)
    finally:
        run("pg_ctl", "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


def _new_database(folder: Path) -> str:
    """A schema of its own stands for a database: made in a hundredth of the time."""
    import psycopg

    name = f"salon_{uuid4().hex[:12]}"
    with psycopg.connect(host=str(folder), user="salon", dbname="postgres", autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"postgresql://salon@/postgres?host={folder}&options=-csearch_path%3D{name}"
