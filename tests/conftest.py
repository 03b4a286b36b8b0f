"""What every test may use: labelled photos, reference tables, a database server; and how workers share the suite."""

from __future__ import annotations

import fcntl
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import pytest

ROOT = Path(__file__).resolve().parent.parent
IN_CI = os.environ.get("CI") == "true"


def _folder_beside_the_checkout(variable: str, default: str, marker: str) -> Path:
    folder = Path(os.environ.get(variable, ROOT.parent / "shared" / default))
    if not (folder / marker).is_file():
        message = f"{variable} names no folder with {marker}: {folder}. Set {variable} to run this test."
        if IN_CI:
            pytest.fail(message)
        pytest.skip(message)
    return folder


@pytest.fixture(scope="session")
def photos() -> Path:
    """The folder of labelled photos (``manifest.csv`` inside); fails in CI, skips elsewhere when it is missing."""
    return _folder_beside_the_checkout("COATCLASS_PHOTOS", "photos", "manifest.csv")


@pytest.fixture(scope="session")
def tables() -> Path:
    """The folder of published reference tables; fails in CI, skips elsewhere when it is missing."""
    return _folder_beside_the_checkout("COATCLASS_TABLES", "tables", "published_facts.csv")


@pytest.fixture(scope="session")
def not_dogs(photos: Path) -> Path:
    """Pictures of other animals, beside the photos."""
    return photos.parent / "not_dogs"


def _server_programs() -> Path | None:
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


@pytest.fixture(scope="session")
def postgres() -> Iterator[Callable[[], str]]:
    """A function that makes a new, empty database on a real server and returns its address."""
    programs = _server_programs()
    if programs is None:
        message = "no PostgreSQL server programs (initdb, pg_ctl, postgres) found; Debian: apt install postgresql"
        if IN_CI:
            pytest.fail(message)
        pytest.skip(message)
    folder = Path(tempfile.mkdtemp(prefix="coatclass-pg-"))  # short: a socket's path has 107 characters at most
    as_whom = _unprivileged()
    if as_whom:
        os.chown(folder, as_whom["user"], as_whom["group"])

    def run(program: str, *arguments: str) -> None:
        command = [str(programs / program), "-D", str(folder / "data"), *arguments]
        subprocess.run(command, check=True, cwd=folder, stdout=subprocess.DEVNULL, env={"LC_ALL": "C"}, **as_whom)

    run("initdb", "-U", "salon", "--auth=trust", "-E", "UTF8", "--no-sync")
    options = f"-k {folder} -c listen_addresses= -c fsync=off -c max_connections=50"
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


# --- sharing the suite among workers ----------------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Among workers, files with slow tests start first, and those in which some must run alone come last."""

    def files(marker: str) -> set[Path]:
        return {item.path for item in items if item.get_closest_marker(marker)}

    if hasattr(config, "workerinput"):
        slow, alone = files("slow"), files("alone")
        items.sort(key=lambda item: (item.path in alone, item.path not in slow))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """A test that measures time waits for the tests of the other workers, and they for it."""
    if not hasattr(item.config, "workerinput"):
        return (yield)
    with _turn(item.config.cache.mkdir("turns"), alone=item.get_closest_marker("alone") is not None):
        return (yield)


@contextmanager
def _turn(folder: Path, *, alone: bool) -> Iterator[None]:
    """A share of the machine, or all of it. Whoever waits holds the door shut, so that nobody overtakes."""
    with (folder / "door").open("w") as door, (folder / "room").open("w") as room:
        fcntl.flock(door, fcntl.LOCK_EX)
        fcntl.flock(room, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        fcntl.flock(door, fcntl.LOCK_UN)
        yield
