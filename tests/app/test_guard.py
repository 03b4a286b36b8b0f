"""Nothing passes the guard that is too large, too frequent, asked for by another site, or aimed at a closed door."""

from __future__ import annotations

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from app import guard


def client(*middlewares) -> httpx.AsyncClient:
    async def echo(request: Request) -> PlainTextResponse:
        return PlainTextResponse(str(len(await request.body())))

    app = Starlette(routes=[Route("/{path:path}", echo, methods=["GET", "POST"])])
    for middleware, options in middlewares:
        app.add_middleware(middleware, **options)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://salon.test")


@pytest.fixture
def anyio_backend():
    return "asyncio"


pytestmark = pytest.mark.anyio


async def test_a_body_over_the_ceiling_is_refused_by_its_declared_length():
    async with client((guard.BodyLimit, {"max_bytes": 100})) as web:
        answer = await web.post("/x", content=b"a" * 101)
    assert answer.status_code == 413
    assert answer.json()["next_step"]


async def test_a_body_over_the_ceiling_is_refused_while_it_arrives_without_a_declared_length():
    async def drip():
        for _ in range(20):
            yield b"a" * 10

    async with client((guard.BodyLimit, {"max_bytes": 100})) as web:
        answer = await web.post("/x", content=drip())
    assert answer.status_code == 413


async def test_a_body_at_the_ceiling_passes():
    async with client((guard.BodyLimit, {"max_bytes": 100})) as web:
        assert (await web.post("/x", content=b"a" * 100)).text == "100"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": "same-origin"}, 200),
        ({"origin": "http://elsewhere.test"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://salon.test"}, 200),
        ({}, 200),  # a program without cookies
    ],
)
async def test_changes_asked_for_by_another_site_are_refused(headers, status):
    async with client((guard.SameOrigin, {})) as web:
        assert (await web.post("/x", headers=headers)).status_code == status


async def test_reading_is_not_a_change():
    async with client((guard.SameOrigin, {})) as web:
        assert (await web.get("/x", headers={"sec-fetch-site": "cross-site"})).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/owner/gradio_api/upload",
        "/owner/gradio_api/file=/etc/passwd",
        "/owner/gradio_api/file/etc/passwd",
        "/groomer/gradio_api/proxy=http://x.test",
    ],
)
async def test_mounted_apps_take_no_uploads_and_serve_no_files(path):
    async with client((guard.ClosedDoors, {})) as web:
        assert (await web.get(path)).status_code == 404
        assert (await web.post(path)).status_code == 404


async def test_a_visitor_who_asks_too_often_is_told_how_long_to_wait():
    rates = {kind: {"per_minute": 60, "burst": 2} for kind in ("assess", "sign_in", "other")}
    async with client((guard.RateLimit, {"rates": rates})) as web:
        answers = [await web.post("/api/v1/sign-in") for _ in range(3)]
        other = await web.get("/x")
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert other.status_code == 200  # another kind of request has its own bucket


async def test_every_answer_carries_the_security_headers():
    async with client((guard.SecurityHeaders, {})) as web:
        headers = (await web.get("/x")).headers
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
