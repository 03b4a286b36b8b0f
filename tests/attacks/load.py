"""Owners at once, without a pause between clicks: how long each kind of request takes."""

from __future__ import annotations

import asyncio
import json
import time
from collections import defaultdict
from collections.abc import Iterator

import httpx

from tests.attacks.serving import LINKS, ROOT, Serving

AIMS_S = {"sheet": 5.0}
OTHER_AIM_S = 2.0


async def _owner(web: httpx.AsyncClient, number: int, took: dict[str, list[float]]) -> None:
    """One owner's way, each request after the other; told to come back, they do."""

    async def timed(kind: str, method: str, path: str, **options: object) -> httpx.Response:
        started = time.perf_counter()
        while True:
            answer = await web.request(method, path, **options)  # type: ignore[arg-type]
            if answer.status_code != 503:
                break
            await asyncio.sleep(1)
        took[kind].append(time.perf_counter() - started)
        return answer.raise_for_status()

    answers = json.loads((ROOT / "app" / "demo" / "nimbus.json").read_text("utf-8"))
    answers["age_months"] = 10.0 + number
    token = (await timed("start", "POST", LINKS, json={"name": f"Dog {number}"})).json()["token"]
    names = list(answers)
    for start in range(0, len(names), 5):
        await timed(
            "answer",
            "PATCH",
            f"{LINKS}/{token}/answers",
            json={name: answers[name] for name in names[start : start + 5]},
        )
        await timed("view", "GET", f"/owner/next?dog={token}", follow_redirects=True)
    await timed("state", "GET", f"{LINKS}/{token}")
    await timed("calendar", "GET", f"{LINKS}/{token}/calendar.ics")
    await timed("sheet", "GET", f"{LINKS}/{token}/sheet.pdf")
    await timed("sheet again", "GET", f"{LINKS}/{token}/sheet.pdf")
    assert (await timed("state", "GET", f"{LINKS}/{token}")).json()["answers"] == answers


def attack(server: Serving, owners: int) -> Iterator[str]:
    """So many owners at once; one line a kind of request."""
    took: dict[str, list[float]] = defaultdict(list)

    async def all_at_once() -> None:
        # The server closes a connection that is idle for 5 s; a client that waits as long may reuse it just then.
        limits = httpx.Limits(max_connections=owners, keepalive_expiry=2.0)
        async with httpx.AsyncClient(base_url=server.url, timeout=300, limits=limits) as web:
            await asyncio.gather(*(_owner(web, number, took) for number in range(owners)))

    asyncio.run(all_at_once())
    for kind, seconds in sorted(took.items()):
        seconds.sort()
        p50, p95 = seconds[len(seconds) // 2], seconds[min(len(seconds) - 1, int(len(seconds) * 0.95))]
        yield f"{owners} owners, {kind}: p50 {p50:.2f} s, p95 {p95:.2f} s"
