"""Several processes that answer at one port: started together, replaced when one dies or hangs, stopped together.

They share the listening socket, so that whoever has time takes the next connection. All that they must agree on lies in
PostgreSQL and in the folder of the photos; each has a queue of its own, as bounded as that of a single server.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from types import FrameType
from typing import Any

from app.demo.scenario import open_demo
from app.passing import Passing
from app.settings import Settings
from coatclass.errors import InputError
from coatclass.records import open_records
from coatclass.records.database import parse_url

METERS = "PROMETHEUS_MULTIPROC_DIR"
"""The variable by which prometheus-client learns, before it is imported, where all processes count together."""
_LOADED = ["app.server", "app.groomer.page", "app.owner", "app.researcher.page", "app.sign_in", "alembic.command"]
_STARTS_WITHIN_S = 180.0  # until the first sign of life, since the program has to load
_LOOK_EVERY_S = 0.5
_TOO_SOON_S = 5.0  # a process that ended this soon after its start would only end again
_STOP_WITHIN_S = 30.0


ServeOne = Callable[[Settings, socket.socket, Callable[[], None]], None]


def serve_together(
    serve_one: ServeOne,
    settings: Settings,
    listening: socket.socket,
    workers: int,
    opened: Callable[[], None],
) -> None:
    """Serve with so many processes until told to stop (SIGINT, SIGTERM); then let them finish what they are at.

    Args:
        serve_one: what each of them does, until SIGTERM; a function that another process can import. It gives a sign
            of life every second or so by the last thing that it is given.
        opened: is called once the records are there and callers may come.

    Raises:
        InputError: ``one_process`` if the records are a SQLite file.
    """
    if settings.database_url is None or parse_url(settings.database_url).get_backend_name() != "postgresql":
        raise InputError(
            "several processes",
            "can't share a SQLite file: they would wait for each other, and each would count tries for itself.",
            "Name a PostgreSQL with --database, or leave --workers away.",
            code="one_process",
        )
    # Schema, leftovers and the demo are seen to once, before anybody else comes.
    Passing(settings.data).sweep()
    with open_records(settings.database_url, photo_folder=settings.photo_folder) as kept:
        if settings.demo:
            open_demo(kept)
    meters = tempfile.mkdtemp(prefix="coatclass-meters-")
    os.environ[METERS] = meters
    try:
        opened()
        silent_s = float(settings.limits["processes"]["silent_s"])
        _Crew(partial(_work, serve_one, replace(settings, workbench=False), listening), workers, silent_s).work()
    finally:
        del os.environ[METERS]
        shutil.rmtree(meters, ignore_errors=True)


@dataclass(frozen=True)
class _Member:
    """A process, when it was started, and when it last gave a sign of life; both by the system's monotonic clock, s."""

    process: BaseProcess
    since: float
    heard: Any

    def hangs(self, silent_s: float) -> bool:
        """Whether its event loop has not turned for so long: it answers nobody."""
        since, longest = (self.heard.value, silent_s) if self.heard.value else (self.since, _STARTS_WITHIN_S)
        return bool(time.monotonic() - since > longest)


class _Crew:
    def __init__(self, job: Callable[[Any], None], workers: int, silent_s: float) -> None:
        self._job, self._workers, self._silent_s = job, workers, silent_s
        if "forkserver" in multiprocessing.get_all_start_methods():
            # All are forked from one that has loaded the program: they start at once, and share that memory.
            self._kind: Any = multiprocessing.get_context("forkserver")
            self._kind.set_forkserver_preload(_LOADED)
        else:
            self._kind = multiprocessing.get_context("spawn")
        self._members: list[_Member] = []
        self._told_to_stop = False

    def work(self) -> None:
        for name in (signal.SIGINT, signal.SIGTERM):
            signal.signal(name, self._stop)
        try:
            self._members = [self._start() for _ in range(self._workers)]
            while not self._told_to_stop:
                wait([member.process.sentinel for member in self._members], timeout=_LOOK_EVERY_S)
                self._members = [self._kept(member) for member in self._members]
        finally:
            self._end()

    def _stop(self, number: int, frame: FrameType | None) -> None:
        self._told_to_stop = True

    def _start(self) -> _Member:
        heard = self._kind.Value("d", 0.0, lock=False)
        process = self._kind.Process(target=self._job, args=(heard,), name="coatclass-web")
        process.start()
        return _Member(process, time.monotonic(), heard)

    def _kept(self, member: _Member) -> _Member:
        """The same process, or another in its place if it has ended; one that hangs is ended."""
        process = member.process
        if self._told_to_stop:
            return member
        if process.is_alive():
            if member.hangs(self._silent_s):
                print(f"A web process hangs ({process.pid}) and is ended.", file=sys.stderr, flush=True)
                process.kill()
            return member
        if time.monotonic() - member.since < _TOO_SOON_S:
            time.sleep(_LOOK_EVERY_S)
            return member
        print(f"A web process ended ({process.exitcode}); another takes its place.", file=sys.stderr, flush=True)
        _forget_meters(process.pid)
        return self._start()

    def _end(self) -> None:
        until = time.monotonic() + _STOP_WITHIN_S
        processes = [member.process for member in self._members]
        for process in processes:
            if process.is_alive():
                process.terminate()
        for process in processes:
            process.join(max(0.0, until - time.monotonic()))
            if process.is_alive():
                process.kill()
                process.join()


def _forget_meters(pid: int | None) -> None:
    """Forget the gauges of a process that ended, but keep its counters."""
    from prometheus_client.multiprocess import mark_process_dead

    mark_process_dead(pid)  # type: ignore[no-untyped-call]


def _work(serve_one: ServeOne, settings: Settings, listening: socket.socket, heard: Any) -> None:
    """Run one worker process; it ends with the parent."""

    def alive() -> None:
        heard.value = time.monotonic()

    threading.Thread(target=_follow, name="coatclass-follow", daemon=True).start()
    serve_one(settings, listening, alive)


def _follow() -> None:
    first = multiprocessing.parent_process()
    if first is not None:
        wait([first.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)
