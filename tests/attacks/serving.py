"""The real server in a process of its own, on loopback, to be attacked, killed and started again."""

from __future__ import annotations

import multiprocessing
import os
import re
import socket
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
LINKS = "/api/v1/dogs/by-link"
PASSWORD = "four wet terriers"
# A server of its own is forked for each test from a process that has imported the web app once, with what it imports
# when it starts.
_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["app.server", "app.groomer.page", "app.researcher.page", "gradio", "alembic.command"])

_PROCESS = re.compile(r'^coatclass_queue_inside\{pid="(\d+)"\}', re.MULTILINE)


def _serve(
    *, log: Path, home: Path, port: int, data: Path, database: str, relaxed: bool, workers: int, demo: bool
) -> None:
    """A server in a process of its own, whose words go into ``log``.

    Visitors of a test all come from one address; what slows one address down is tested with the limits as they are.
    """
    with log.open("ab") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    os.chdir(ROOT)
    os.environ.pop("GRADIO_TEMP_DIR", None)
    os.environ["XDG_DATA_HOME"] = str(home)
    from app.server import serve
    from app.settings import Settings, limits

    values = limits()
    if relaxed:
        often = {"per_minute": 1_000_000, "burst": 1_000_000, "at_a_time": values["rate"]["other"]["at_a_time"]}
        values = {
            **values,
            "rate": dict.fromkeys(values["rate"], often),
            "connections": {**values["connections"], "per_address": 1000},
            "sign_in": {**values["sign_in"], "free_by_name": 1e9, "free_by_address": 1e9},
            "processes": {"silent_s": 10},
        }
    serve(
        port=port,
        workers=workers,
        settings=Settings(data=data, database_url=database or None, demo=demo, limits=values),
    )


def cpu_s_of(pid: int) -> float:
    """Processor time of a process and all below it, those included that have ended and were waited for, s."""
    below, ticks = [str(pid)], 0
    for one in below:  # it grows meanwhile
        try:
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
            for task in Path(f"/proc/{one}/task").glob("*/children"):
                below += task.read_text().split()
        except (FileNotFoundError, ProcessLookupError):  # it has ended just now
            continue
        ticks += sum(int(field) for field in fields[11:15])
    return ticks / os.sysconf("SC_CLK_TCK")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Serving:
    """One server; use it as a context.

    Args:
        data: folder of its database and photos.
        database: another database than the SQLite file in ``data``.
        relaxed: without the limits on how often one address may ask.
        workers: processes that answer at its port.
        demo: its empty database is filled with the demo scenario.
    """

    def __init__(
        self,
        data: Path,
        *,
        database: str = "",
        relaxed: bool = True,
        port: int | None = None,
        log: Path | None = None,
        workers: int = 1,
        demo: bool = False,
    ) -> None:
        self.data, self.database, self.relaxed, self.workers, self.demo = data, database, relaxed, workers, demo
        self.port = port or free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = log or data.parent / f"server-{self.port}.log"
        self.process: BaseProcess | None = None

    @property
    def _home(self) -> Path:
        """Where photos lie that belong to a database without a folder of its own."""
        return self.data.parent / "home"

    def start(self) -> None:
        """Start it and wait until it answers."""
        own = {name: getattr(self, name) for name in ("data", "database", "relaxed", "workers", "demo")}
        where = {"log": self.log, "home": self._home, "port": self.port}
        # Several processes count into one folder, whose name a library must know before it is first imported.
        kind = _FORKS if self.workers == 1 else multiprocessing.get_context("spawn")
        self.process = kind.Process(target=_serve, kwargs=own | where, daemon=self.workers == 1)
        self.process.start()
        for _ in range(1200):
            if not self.process.is_alive():
                raise RuntimeError(f"the server stopped:\n{self.log.read_text()[-3000:]}")
            try:
                if httpx.get(f"{self.url}/health", timeout=30).status_code == httpx.codes.OK:
                    return
            except httpx.TransportError:
                pass
            time.sleep(0.1)
        raise RuntimeError("the server does not answer")

    def kill(self) -> None:
        """As a power cut would: without a word."""
        assert self.process is not None
        self.process.kill()
        self.process.join()

    def stop(self) -> None:
        """As somebody who runs it would."""
        if self.process is not None and self.process.is_alive():
            self.process.terminate()
            self.process.join(timeout=20 if self.workers == 1 else 40)
            if self.process.is_alive():
                self.kill()

    def __enter__(self) -> Serving:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def client(self, **options: object) -> httpx.Client:
        """A program that talks to it."""
        return httpx.Client(base_url=self.url, timeout=120, **options)  # type: ignore[arg-type]

    def open_records(self):  # type: ignore[no-untyped-def]
        """Its records, opened beside it as the command line does."""
        from coatclass.records import open_records

        folder = None if not self.database else self._home / "coatclass" / "postgres-photos"
        return open_records(self.database or f"sqlite:///{self.data / 'records.sqlite'}", photo_folder=folder)

    def make_known(self) -> None:
        """Two groomers and a researcher."""
        from coatclass.records import UserRole, add_user, find_user

        people = {"Ada": UserRole.GROOMER, "Grace": UserRole.GROOMER, "Rosalind": UserRole.RESEARCHER}
        with self.open_records() as salon:
            for name, role in people.items():
                if find_user(salon, name) is None:
                    add_user(salon, name, PASSWORD, role)

    def signed_in(self, name: str) -> httpx.Client:
        """A program that has signed in."""
        web = self.client()
        web.post("/api/v1/sign-in", data={"name": name, "password": PASSWORD}).raise_for_status()
        return web

    def start_dog(self, web: httpx.Client, name: str = "Bramble") -> str:
        """A new dog; the token of its link."""
        return str(web.post(LINKS, json={"name": name}).raise_for_status().json()["token"])

    @property
    def web_processes(self) -> list[int]:
        """The processes that answer at its port, as its meters tell them."""
        return [int(pid) for pid in _PROCESS.findall(httpx.get(f"{self.url}/metrics", timeout=60).text)]

    @property
    def cpu_s(self) -> float:
        """Processor time of its process and all below it, s."""
        assert self.process is not None
        return cpu_s_of(int(self.process.pid or 0))

    @property
    def memory_mb(self) -> float:
        """Most memory it has used so far, MB."""
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1000
