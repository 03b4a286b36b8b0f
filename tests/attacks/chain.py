"""Several processes at one port on one PostgreSQL: owners at once, some with two devices at one dog, each request on a
connection of its own, a process killed; what was confirmed is there, and nobody is shown another's dog."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from tests.attacks.serving import LINKS, Serving, cpu_s_of

# Both answer at once for one dog, each of other things.
_BY_TELEPHONE = {"baths_per_month": 1.0, "minutes_per_week": 30.0, "swims": True}
_EVERY = 3  # of so many owners one has two devices
_NOT_YET = (httpx.codes.SERVICE_UNAVAILABLE, httpx.codes.TOO_MANY_REQUESTS)


class _Owner:
    """One owner's way through the pages; told to come back, or cut off, they do the same again."""

    def __init__(self, web: httpx.AsyncClient, number: int, outcomes: Counter[str]) -> None:
        self.web, self.number, self.outcomes = web, number, outcomes
        self.name, self.token = f"Dog number {number}", ""
        self.told: dict[str, Any] = {}

    async def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        for _ in range(1500):
            try:
                answer = await self.web.request(method, path, **options)
            except httpx.TransportError:
                self.outcomes["cut off, and asked again"] += 1
            else:
                if answer.status_code not in _NOT_YET:
                    return answer.raise_for_status()
                self.outcomes["told to come back"] += 1
            await asyncio.sleep(0.2)
        raise RuntimeError(f"{method} {path} is never answered")

    async def go(self) -> None:
        self.token = (await self.ask("POST", LINKS, json={"name": self.name})).json()["token"]
        self.outcomes["confirmed writes"] += 1
        entries = {"age_months": 3.0 + self.number, "weight_kg": 1.0 + self.number, "feel": "silky", "curl": "straight"}
        devices = [entries, _BY_TELEPHONE] if self.number % _EVERY == 0 else [entries]
        await asyncio.gather(*map(self.answer, devices))
        await self.check()

    async def answer(self, entries: dict[str, Any]) -> None:
        """Answer one thing after the other, with a look at the next question between."""
        for step, (name, value) in enumerate(entries.items()):
            await self.ask("PATCH", f"{LINKS}/{self.token}/answers", json={name: value})
            self.told[name] = value
            self.outcomes["confirmed writes"] += 1
            if step % 2:
                page = await self.ask("GET", f"/owner/next?dog={self.token}", follow_redirects=True)
                self.see(re.findall(r"Dog number \d+", page.text))

    async def check(self) -> None:
        """All that was confirmed is there, and it is this owner's."""
        state = (await self.ask("GET", f"{LINKS}/{self.token}")).json()
        self.see([state["name"]])
        if any(state["answers"].get(name) != value for name, value in self.told.items()):
            self.outcomes["FAULT: lost"] += 1

    def see(self, names: list[str]) -> None:
        for name in names:
            self.outcomes["own dog shown" if name == self.name else "FAULT: another's dog"] += 1


def attack(server: Serving, owners: int, kills: int) -> Counter[str]:
    """So many owners at once; meanwhile one process after the other is killed."""
    outcomes: Counter[str] = Counter()

    async def all_at_once() -> None:
        no_connection_twice = httpx.Limits(max_connections=owners, max_keepalive_connections=0)
        async with httpx.AsyncClient(base_url=server.url, timeout=60, limits=no_connection_twice) as web:
            everybody = [_Owner(web, number, outcomes) for number in range(owners)]
            killing = asyncio.create_task(_kill(server, kills, outcomes))
            await asyncio.gather(*(owner.go() for owner in everybody))
            await killing
            await asyncio.gather(*(owner.check() for owner in everybody))

    asyncio.run(all_at_once())
    return outcomes


async def _kill(server: Serving, kills: int, outcomes: Counter[str]) -> None:
    while len(server.web_processes) < server.workers:
        await asyncio.sleep(0.1)
    for number in range(kills):
        await asyncio.sleep(1.5)
        before = server.web_processes
        os.kill(victim := before[number % len(before)], signal.SIGKILL)
        outcomes["killed"] += 1
        outcomes[await asyncio.to_thread(_replaced, server, victim, "killed")] += 1


def hang(server: Serving) -> Counter[str]:
    """One process stands still without ending (SIGSTOP)."""
    os.kill(victim := server.web_processes[0], signal.SIGSTOP)
    return Counter([_replaced(server, victim, "hung")])


def _replaced(server: Serving, victim: int, how: str) -> str:
    until = time.monotonic() + 300
    while time.monotonic() < until:
        with suppress(httpx.TransportError):  # the one that was asked is the one that ends
            now = server.web_processes
            if victim not in now and len(now) == server.workers:
                return f"{how}, and another in its place"
        time.sleep(0.1)
    return "FAULT: no other in its place"


@dataclass(frozen=True)
class Done:
    """What was done, and what each request took, in ms.

    Attributes:
        per_second: requests answered.
        web_ms, database_ms, asking_ms: processor time of the web processes, of the database, and of whoever asks.
        statements_ms, lock_ms: time between asking the database and its answer, without and for the writers' lock.
        connects: new connections to the database.
    """

    per_second: float
    web_ms: float
    database_ms: float
    asking_ms: float
    statements_ms: float
    lock_ms: float
    connects: float

    def at_most(self, processes: int, cores: float) -> float:
        """Requests a second by processor time alone, which other work on the machine does not change.

        One process of Python runs on one core at a time; whoever asks and the database need the same cores.
        """
        return 1000 * min(processes / self.web_ms, cores / (self.web_ms + self.database_ms + self.asking_ms))


def requests_per_second(server: Serving, seconds: float, *, at_once: int = 12) -> Done:
    """How many requests are answered when so many owners read and write their dog without a pause.

    Whoever asks shares the machine with the server and its database.
    """
    answered = 0

    async def owner(web: httpx.AsyncClient, number: int, until: float) -> None:
        nonlocal answered
        token = (await web.post(LINKS, json={"name": f"Dog number {number}"})).json()["token"]
        while time.monotonic() < until:
            told = {"age_months": 3.0 + answered % 100}
            (await web.patch(f"{LINKS}/{token}/answers", json=told)).raise_for_status()
            for path in (f"{LINKS}/{token}", f"/owner/next?dog={token}"):
                (await web.get(path, follow_redirects=True)).raise_for_status()
            answered += 3

    async def all_at_once(lasting: float) -> None:
        # The server closes a connection that is idle for 5 s; a client that waits as long may reuse it just then.
        kept = httpx.Limits(keepalive_expiry=2.0)
        async with httpx.AsyncClient(base_url=server.url, timeout=60, limits=kept) as web:
            until = time.monotonic() + lasting
            await asyncio.gather(*(owner(web, number, until) for number in range(at_once)))

    asyncio.run(all_at_once(seconds))  # every process has loaded what it needs, however many there are
    answered, started, before = 0, time.monotonic(), _used(server)
    asyncio.run(all_at_once(seconds))
    took, after = time.monotonic() - started, _used(server)
    each = [1000 * (late - early) / answered for late, early in zip(after, before, strict=True)]
    return Done(answered / took, *each[:-1], each[-1] / 1000)


def writers_at_once(url: str, folder: Path, *, writers: int = 6, writes: int = 20, rounds: int = 4) -> str:
    """How much sooner so many writers of as many dogs are done who go on beside each other than one after the other."""
    from coatclass.records import AnswerSheet, Dog, open_records

    with open_records(url, photo_folder=folder / "photos") as salon, ThreadPoolExecutor(writers) as threads:
        dogs = [salon.add(Dog(name=f"dog {number}"), who="attack").id for number in range(writers)]

        def write(dog: str, only: str | None) -> None:
            for number in range(writes):
                with salon.write("attack", only=only) as writer:
                    writer.add(AnswerSheet(dog_id=dog, content={"number": number}))

        def all_at_once(alone: bool) -> float:
            started = time.perf_counter()
            list(threads.map(write, dogs, [None if alone else dog for dog in dogs]))
            return time.perf_counter() - started

        took = [
            (all_at_once(True), all_at_once(False)) for _ in range(rounds)
        ]  # by turns, on a machine that others use
        if len(salon.find(AnswerSheet)) != 2 * rounds * writers * writes:
            return "FAULT: writes lost"
    alone, beside = (min(column) for column in zip(*took, strict=True))
    return f"{writers} writers of as many dogs: {alone / beside:.1f} times as fast beside each other as one by one"


def _used(server: Serving) -> tuple[float, float, float, float, float, float]:
    """So far: processor time of web, database and whoever asks; waits for statements and the lock, s; connections."""
    import psycopg

    with psycopg.connect(server.database) as connection:
        backend = connection.info.backend_pid
        told = connection.execute("SELECT sessions FROM pg_stat_database WHERE datname = current_database()").fetchone()
        database_s = cpu_s_of(int(Path(f"/proc/{backend}/stat").read_text().rpartition(")")[2].split()[1]))
    with server.client() as web:
        waits = {row["what"]: row["total_s"] for row in web.get("/health/slow").raise_for_status().json()["database"]}
    own_s = time.process_time()
    return server.cpu_s, database_s, own_s, waits.get("statement", 0.0), waits.get("lock", 0.0), float(told[0])
