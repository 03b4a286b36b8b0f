"""The server killed again and again while owners and groomers write: what was confirmed is there, nothing is half."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter

import httpx

from tests.attacks.serving import LINKS, Serving


class _Writer(threading.Thread):
    """Starts dogs and answers for them without a pause; remembers what was confirmed."""

    def __init__(self, urls: list[str], number: int) -> None:
        super().__init__(daemon=True)
        self.urls, self.number = urls, number
        self.confirmed: dict[str, dict[str, float]] = {}
        self.refused: Counter[int] = Counter()
        self.ended = threading.Event()

    @property
    def writes(self) -> int:
        """So many were confirmed up to now."""
        return len(self.confirmed)

    def run(self) -> None:
        count = 0
        with httpx.Client(timeout=60) as web:
            while not self.ended.is_set():
                url = self.urls[count % len(self.urls)]
                count += 1
                try:
                    answer = web.post(f"{url}{LINKS}", json={"name": f"dog {self.number}-{count}"})
                    if answer.status_code != httpx.codes.CREATED:
                        self.refused[answer.status_code] += 1
                        continue
                    token, told = answer.json()["token"], {}
                    self.confirmed[token] = told
                    for name, value in (("age_months", float(count % 200 + 1)), ("weight_kg", float(count % 50 + 1))):
                        if web.patch(f"{url}{LINKS}/{token}/answers", json={name: value}).status_code == httpx.codes.OK:
                            told[name] = value
                except httpx.HTTPError:
                    time.sleep(0.05)


def _some_more(threads: list[_Writer], dogs: int = 2, within_s: float = 300) -> None:
    """Wait until each writer has begun some more dogs, however slow the machine is."""
    wanted, until = [thread.writes + dogs for thread in threads], time.monotonic() + within_s
    while any(thread.writes < most for thread, most in zip(threads, wanted, strict=True)):
        if time.monotonic() > until:
            raise RuntimeError("nobody's writes are confirmed")
        time.sleep(0.05)


def attack(servers: list[Serving], kills: int, *, writers: int = 2, seed: int = 1) -> Counter[str]:
    """Kill the servers, which share one store, in turn; then look for everything that was confirmed."""
    chance = random.Random(seed)
    for server in servers:
        server.start()
    threads = [_Writer([server.url for server in servers], number) for number in range(writers)]
    for thread in threads:
        thread.start()
    for number in range(kills):
        _some_more(threads)
        time.sleep(chance.uniform(0.1, 1.0))
        victim = servers[number % len(servers)]
        victim.kill()
        victim.start()
    _some_more(threads)
    for thread in threads:
        thread.ended.set()
    for thread in threads:
        thread.join()
    outcomes: Counter[str] = Counter({"kills": kills})
    with servers[0].client() as web:
        for thread in threads:
            for status, count in thread.refused.items():
                outcomes["told to come back" if status == 503 else f"FAULT: answered {status}"] += count
            for token, told in thread.confirmed.items():
                found = web.get(f"{LINKS}/{token}")
                there = found.json()["answers"] if found.status_code == httpx.codes.OK else None
                outcomes["confirmed writes"] += 1 + len(told)
                if there is None or any(there.get(name) != value for name, value in told.items()):
                    outcomes["FAULT: lost"] += 1
    for server in servers:
        server.stop()
    with servers[0].open_records() as salon, salon.engine.connect() as connection:
        if salon.engine.dialect.name == "sqlite":
            sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            sound = sound and not connection.exec_driver_sql("PRAGMA foreign_key_check").all()
            outcomes["database sound" if sound else "FAULT: database damaged"] += 1
        if list(salon.store.folder.rglob("*.part")):
            outcomes["FAULT: half a file"] += 1
    return outcomes
