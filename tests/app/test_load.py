"""Twenty owners at once on one machine: nobody's answers wait for others' photos and sheets, and nothing is lost."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path
from statistics import quantiles

import httpx
import pytest

ROOT = Path(__file__).resolve().parents[2]
OWNERS = 20
LINKS = "/api/v1/dogs/by-link"


def batched(answers: dict[str, object], size: int = 3) -> list[list[str]]:
    """The answers as screens ask for them: about three at a time."""
    names = list(answers)
    return [names[start : start + size] for start in range(0, len(names), size)]


async def owner(web: httpx.AsyncClient, number: int, photo: bytes, took: dict[str, list[float]]) -> None:
    """One owner's whole way, each request after the other; every answer must be there at the end."""

    async def timed(kind: str, call) -> httpx.Response:
        started = time.perf_counter()
        response = await call
        took.setdefault(kind, []).append(time.perf_counter() - started)
        response.raise_for_status()
        return response

    answers = json.loads((ROOT / "app" / "demo" / "nimbus.json").read_text("utf-8"))
    answers["age_months"] = 10.0 + number
    token = (await timed("start", web.post(LINKS, json={"name": f"Dog {number}"}))).json()["token"]
    began = time.perf_counter()
    [kept] = (await timed("photo", web.post(f"{LINKS}/{token}/photos", files=[("photos", ("d.jpg", photo))]))).json()
    assert kept["id"]
    for names in batched(answers):
        given = {name: answers[name] for name in names}
        await timed("answer", web.patch(f"{LINKS}/{token}/answers", json=given))
        await timed("view", web.get(f"/owner/next?dog={token}", follow_redirects=True))
    shown = await timed("result", web.get(f"/owner/result?dog={token}"))
    assert f"Dog {number}" in shown.text
    took.setdefault("photo to result", []).append(time.perf_counter() - began)
    await timed("sheet", web.get(f"{LINKS}/{token}/sheet.pdf"))
    state = (await web.get(f"{LINKS}/{token}")).json()
    assert state["answers"] == answers
    assert [one["id"] for one in state["photos"]] == [kept["id"]]


@pytest.mark.photos
@pytest.mark.slow
def test_twenty_owners_at_once_are_served_and_nothing_is_lost(server, photos, record_property):
    took: dict[str, list[float]] = {}

    async def all_at_once() -> None:
        photo = (photos / "oxford" / "samoyed_101.jpg").read_bytes()
        async with httpx.AsyncClient(base_url=server.url, timeout=120, limits=httpx.Limits(max_connections=40)) as web:
            await asyncio.gather(*(owner(web, number, photo, took) for number in range(OWNERS)))

    asyncio.run(all_at_once())
    for kind, seconds in took.items():
        p95 = quantiles(seconds, n=20)[-1]
        record_property(f"{kind}, p95 s", round(p95, 2))
        print(f"{kind}: {len(seconds)} requests, median {sorted(seconds)[len(seconds) // 2]:.2f} s, p95 {p95:.2f} s")
    # Of one run, so that it holds however busy the machine is: what is cheap is not behind all that is dear.
    whole_way = sorted(took["photo to result"])[OWNERS // 2]
    assert quantiles(took["view"] + took["answer"], n=20)[-1] < whole_way / 4
