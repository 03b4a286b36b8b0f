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


# Every route of the framework that no page of ours needs, the newer ones included.
CLOSED = (
    "file=/etc/passwd", "file/etc/passwd", "proxy=http://x.test", "stream/x/1/y",
    "component_server", "component_server/x", "reset", "reset/", "cancel", "process_recording", "run/predict",
    "call/show", "call/v2/show", "call/show/1", "api/predict", "run/show", "info",
    "openapi.json", "vibe-edit", "vibe-edit/", "undo-vibe-edit", "vibe-code", "vibe-starter-queries", "runs",
    "run-history/connect", "run-history/buckets", "deep_link", "app_id", "token", "user",
    "login_check", "dev/reload", "profiling/traces", "custom_component/x/client/y/z", "mcp/sse",
)  # fmt: skip


@pytest.mark.parametrize("path", CLOSED)
async def test_mounted_apps_offer_nothing_but_what_a_page_needs(path):
    async with client((guard.ClosedDoors, {})) as web:
        for page in guard.PAGES:
            assert (await web.get(f"{page}/gradio_api/{path}")).status_code == 404
            assert (await web.post(f"{page}/gradio_api/{path}")).status_code == 404


@pytest.mark.parametrize("path", ["/login", "/logout", "/monitoring", "/monitoring/x", "/manifest.json", "/robots.txt"])
async def test_no_page_has_a_sign_in_or_a_console_of_its_own(path):
    async with client((guard.ClosedDoors, {})) as web:
        assert (await web.get(f"{guard.PAGES[0]}{path}")).status_code == 404


CALL = {"data": [None, 1], "fn_index": 3, "event_data": None, "session_hash": "abc", "trigger_id": 1}


@pytest.mark.parametrize(
    "change",
    [
        {"fn_index": 100}, {"fn_index": -1}, {"fn_index": 10**30}, {"fn_index": "0"}, {"fn_index": None},
        {"fn_index": 0.5},
        {"data": [1] * 21}, {"data": None}, {"data": {}}, {"event_data": "x"}, {"event_data": [1]}, {"trigger_id": "x"},
        {"session_hash": None}, {"session_hash": ["x"]}, {"session_hash": "x" * 1000},
    ],
)  # fmt: skip
async def test_a_call_that_is_none_of_a_pages_own_goes_no_further(change):
    async with client((guard.ClosedDoors, {})) as web:
        assert (await web.post(f"{guard.PAGES[0]}/gradio_api/queue/join", json=CALL)).status_code == 200
        assert (await web.post(f"{guard.PAGES[0]}/gradio_api/queue/join", json={**CALL, **change})).status_code == 422


@pytest.mark.parametrize(
    "body", [b"", b"x", b"[]", b"null", b"[" * 50_000, b"{" * 50_000, b"\xff", b'{"data": ["' + b"x" * 70_000]
)
async def test_a_call_that_is_no_json_goes_no_further(body):
    async with client((guard.ClosedDoors, {})) as web:
        assert (await web.post(f"{guard.PAGES[0]}/gradio_api/queue/join", content=body)).status_code == 422


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("salon.test", 200), ("salon.test:8000", 200), ("localhost", 200), ("127.0.0.1:7860", 200), ("[::1]:7860", 200),
        ("SALON.example", 200), ("evil.test", 400), ("salon.test.evil.test", 400), ("", 400),
        ("salon.test@evil.test", 400),
        ("[::1", 400), ("evil.test/salon.test", 400), ("localhost/evil.test", 400), ("localhost?evil.test", 400),
        ("localhost#evil.test", 400), ("evil.test@localhost", 400), ("evil.test\\@localhost", 400),
        ("localhost:evil", 400), ("localhost,evil.test", 400),
    ],
)  # fmt: skip
async def test_a_strangers_name_is_not_repeated(host, status):
    async with client((guard.KnownHost, {"names": ["salon.example"]})) as web:
        assert (await web.get("/x", headers={"host": host})).status_code == status


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b'{"name": "Bramble"}', 200), (b"", 200), (b'{"name": "Z\xc3\xb6e \\ud83d\\ude00"}', 200),
        (b'{"name": "\\ud800"}', 422), (b'{"\\udfff": 1}', 422), (b'{"a": 1e999}', 422), (b'{"a": NaN}', 422),
        (b'{"a": -Infinity}', 422), (b"\xff\xfe{\x00}\x00", 422), (b"[" * 100_000, 422),
        (b'{"a": ' + b"9" * 5000 + b"}", 422),
        (b"{", 422), (b'{"a": "' + b"x" * 200_000 + b'"}', 413),
    ],
)  # fmt: skip
async def test_entries_that_can_not_be_kept_are_refused_before_anything_reads_them(body, status):
    async with client((guard.PlainBody, {"max_bytes": 200_000})) as web:
        answer = await web.post("/x", content=body, headers={"content-type": "application/json"})
        assert answer.status_code == status, body[:40]
        assert status != 200 or answer.text == str(len(body))


@pytest.mark.parametrize("kind", ["application/json; x=urlencoded", "text/urlencoded", "application/json;urlencoded"])
async def test_a_name_for_another_kind_of_body_lets_nothing_pass_unread(kind):
    async with client((guard.PlainBody, {"max_bytes": 200_000})) as web:
        for body in (b'{"\\ud800": 1}', b'{"a": NaN}', b"[" * 100_000):
            assert (await web.post("/x", content=body, headers={"content-type": kind})).status_code == 422


@pytest.mark.parametrize(
    ("parameters", "status"),
    [
        ("", 200), ("; charset=utf-8", 200), ('; charset="UTF-8"', 200), ("; charset=utf8", 200),
        ("; charset=punycode", 422), ("; charset=undefined", 422), ("; charset=utf-7", 422), ("; Charset=latin-1", 422),
        ('; charset="unicode_escape"', 422), ("; charset=utf-8; charset=punycode", 422), (";charset = utf-16", 422),
    ],
)  # fmt: skip
async def test_a_form_is_in_utf_8_and_chooses_no_codec_of_its_own(parameters, status):
    async with client((guard.PlainBody, {"max_bytes": 200_000})) as web:
        kind = f"multipart/form-data; boundary=x{parameters}"
        answer = await web.post("/x", content=b"--x--", headers={"content-type": kind})
        assert answer.status_code == status, parameters


@pytest.mark.parametrize(
    ("method", "path", "kind"),
    [
        ("POST", "/owner/photos", "assess"), ("POST", "/owner/photos/", "assess"),
        ("POST", "/owner/photos/x", "assess"), ("POST", "/api/v1/assess", "assess"),
        ("POST", "/api/v1/dogs/1/intake/photos", "assess"),
        ("DELETE", "/api/v1/dogs/1/photos/2", "other"), ("GET", "/owner/photos", "other"),
        ("POST", "/api/v1/sign-in", "sign_in"), ("POST", "/first-account", "sign_in"), ("POST", "/owner", "other"),
    ],
)  # fmt: skip
async def test_no_spelling_of_an_address_escapes_the_rate_of_photos(method, path, kind):
    assert guard.kind_of(method, path) == kind


async def test_an_app_that_hides_a_body_cut_off_behind_its_own_error_still_answers_413():
    async def hides(scope, receive, send):
        try:
            while (await receive()).get("more_body"):
                pass
            status = 200
        except Exception:
            status = 400
        await send({"type": "http.response.start", "status": status, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async def drip():
        for _ in range(20):
            yield b"a" * 10

    transport = httpx.ASGITransport(app=guard.BodyLimit(hides, max_bytes=100))
    async with httpx.AsyncClient(transport=transport, base_url="http://salon.test") as web:
        answer = await web.post("/x", content=drip())
    assert (answer.status_code, answer.headers["connection"]) == (413, "close")


def test_one_visitor_holds_a_whole_network_of_the_newer_addresses():
    visitors = {guard.visitor_of({"client": (f"2001:db8::{number:x}", 1)}) for number in range(50)}
    assert visitors == {"2001:db8::/64"}
    assert guard.visitor_of({"client": ("fe80::1%eth0", 1)}) == guard.visitor_of({"client": ("fe80::2%eth1", 1)})
    assert guard.visitor_of({"client": ("::ffff:192.0.2.1", 1)}) == "192.0.2.1"
    assert guard.visitor_of({"client": ("::ffff:192.0.2.2", 1)}) != "192.0.2.1"
    assert guard.visitor_of({"client": ("192.0.2.1", 1)}) == "192.0.2.1"


async def test_a_visitor_who_asks_too_often_is_told_how_long_to_wait():
    rates = {kind: {"per_minute": 0.1, "burst": 2} for kind in ("assess", "sign_in", "other")}
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


async def test_no_address_makes_caches_keep_what_is_somebodys():
    async with client((guard.SecurityHeaders, {})) as web:
        for path in ("/owner/result/assets/x.css", "/groomer/dog/assets/", "/api/v1/assets/", "/workbenches/assets/x"):
            assert (await web.get(path)).headers["cache-control"] == "no-store", path
        assert "immutable" in (await web.get("/workbench/assets/index-1a2b.js")).headers["cache-control"]
