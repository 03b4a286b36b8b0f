"""Owners at once, without a pause between clicks: how long each kind of request takes."""

from __future__ import annotations

import asyncio
import json
import time
from collections import defaultdict
from collections.abc import Iterator

import httpx

from tests.attacks.serving import LINKS, ROOT, Serving

AIMS_S = {"sheet": 5.0}  # at 20 owners, on a machine that does nothing else
OTHER_AIM_S = 2.0
LONGEST_S = 600.0  # nobody waits longer: then the server stands still, or the machine is far too busy to tell
_PATIENCE_S = 120.0  # of one request; whoever hears nothing asks again, as people do


async def _owner(web: httpx.AsyncClient, number: int, took: dict[str, list[float]]) -> None:
    """One owner's way, each request after the other; told to come back or hearing nothing, they ask again."""

    async def timed(kind: str, method: str, path: str, **options: object) -> httpx.Response:
        started = time.perf_counter()
        while (waited := time.perf_counter() - started) < LONGEST_S:
            try:
                answer = await web.request(method, path, **options)  # type: ignore[arg-type]
            except httpx.TimeoutException:
                took["asked again, having heard nothing"].append(time.perf_counter() - started - waited)
                continue
            if answer.status_code != httpx.codes.SERVICE_UNAVAILABLE:
                took[kind].append(time.perf_counter() - started)
                return answer.raise_for_status()
            await asyncio.sleep(1)
        raise TimeoutError(f"{kind} is not answered within {LONGEST_S:.0f} s")

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
    """So many owners at once; one line a kind of request, with the aim where it was missed.

    An aim missed is no fault, as the machine may have other work; an owner who gets no answer at all, or another's, is.
    """
    took: dict[str, list[float]] = defaultdict(list)

    async def all_at_once() -> None:
        # The server closes a connection that is idle for 5 s; a client that waits as long may reuse it just then.
        limits = httpx.Limits(max_connections=owners, keepalive_expiry=2.0)
        async with httpx.AsyncClient(base_url=server.url, timeout=_PATIENCE_S, limits=limits) as web:
            everybody = (_owner(web, number, took) for number in range(owners))
            for ended in await asyncio.gather(*everybody, return_exceptions=True):
                if isinstance(ended, BaseException):
                    failed.append(f"{owners} owners: FAULT: {type(ended).__name__}: {ended}")

    failed: list[str] = []
    asyncio.run(all_at_once())
    yield from failed
    for kind, seconds in sorted(took.items()):
        seconds.sort()
        p50, p95 = seconds[len(seconds) // 2], seconds[min(len(seconds) - 1, int(len(seconds) * 0.95))]
        aim = AIMS_S.get(kind, OTHER_AIM_S)
        missed = f" (aim {aim:.0f} s: missed)" if p95 > aim else ""
        yield f"{owners} owners, {kind}: {len(seconds)} times, p50 {p50:.2f} s, p95 {p95:.2f} s{missed}"
