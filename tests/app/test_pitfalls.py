"""What mounted pages of this kind are known to get wrong, each as a test that it does not happen here."""

from __future__ import annotations

import asyncio
import struct
import zlib
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from app.researcher.mounting import OpenedLate, blocks, mount

LINKS = "/api/v1/dogs/by-link"


@pytest.fixture
def anyio_backend():
    return "asyncio"


def page_with_a_file() -> FastAPI:
    """A page mounted our way that would read any file it is given."""
    import gradio as gr

    with blocks("probe") as page:
        given, said = gr.File(), gr.Textbox()
        given.change(lambda path: Path(path).read_text(), given, said, api_name="read", queue=False)
    return mount(FastAPI(), page, "/probe")


@pytest.mark.anyio
async def test_a_mounted_page_refuses_to_read_a_file_that_was_not_uploaded(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("nobody's business")
    body = {"data": [{"path": str(secret), "meta": {"_type": "gradio.FileData"}}], "fn_index": 0}
    transport = httpx.ASGITransport(app=page_with_a_file(), raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://salon.test") as web:
        answer = await web.post("/probe/gradio_api/run/predict", json=body)
    assert answer.status_code >= 400
    assert "nobody's business" not in answer.text


@pytest.mark.anyio
async def test_what_opens_late_is_made_once_for_all_who_wait_and_again_after_a_failure():
    told = []

    @asynccontextmanager
    async def life(app):
        told.append("started")
        yield
        told.append("ended")

    def make():
        told.append("made")
        if told == ["made"]:
            raise RuntimeError("out of memory")
        late = FastAPI(lifespan=life)
        late.add_api_route("/late/where", lambda: "here")
        return late

    door, whole = OpenedLate(make, lambda request: None), FastAPI()
    whole.mount("/late", door)
    transport = httpx.ASGITransport(app=whole, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://salon.test") as web:
        assert (await web.get("/late/where")).status_code == 500
        answers = await asyncio.gather(*(web.get("/late/where") for _ in range(5)))
    assert [one.json() for one in answers] == ["here"] * 5
    assert told == ["made", "made", "started"]
    await door.close()
    assert told[-1] == "ended"
    await OpenedLate(make, lambda request: None).close()  # never opened


def test_the_link_alone_decides_what_is_shown(web, server):
    own = server.start_dog("Clover")
    assert "Clover" in web.get(f"/owner/photos?dog={own}").text
    for token in ("x" * 43, "", "../../etc/passwd", "0", own[:-1], "<script>"):
        for step in ("", "photos", "next", "result", "q/dog"):
            answer = web.get(f"/owner/{step}", params={"dog": token}, follow_redirects=True)
            assert "Clover" not in answer.text
            assert answer.status_code == (404 if token else 200)
            assert "<script>" not in answer.text.split("<body>")[1]


def test_a_picture_that_would_fill_the_memory_is_refused_by_its_header(web, server):
    """30,000 x 30,000 px in a few hundred bytes: 2.7 GB when decoded."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    bomb = (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")
    )
    before = _memory_kb(server.pid)
    [kept] = web.post(f"{LINKS}/{server.start_dog()}/photos", files=[("photos", ("big.png", bomb))]).json()
    assert kept["id"] is None
    assert kept["report"]["reasons"][0]["code"] == "too_many_pixels"
    assert _memory_kb(server.pid) - before < 200_000


def _memory_kb(pid: int) -> int:
    """Peak memory of a process so far, kB (Linux)."""
    status = Path(f"/proc/{pid}/status")
    if not status.exists():
        pytest.skip("needs /proc")
    return next(int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM"))


def test_a_page_can_not_be_put_into_another_sites_frame(web):
    headers = web.get("/owner/").headers
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert "script-src 'self';" in headers["content-security-policy"]  # no script within a page runs
    assert headers["cache-control"] == "no-store"


def test_files_of_the_program_are_kept_by_browsers_and_nothing_of_a_dog_is(web, server):
    assert web.get("/static/coatclass.css").headers["cache-control"] == "no-cache"
    assert web.get("/static/coatclass.css").headers["etag"]
    assert web.get("/static/pages.js").headers["etag"]
    for path in ("", "/assessment"):
        assert web.get(f"{LINKS}/{server.start_dog()}{path}").headers["cache-control"] == "no-store"


def test_a_browser_that_asks_for_a_mark_of_the_site_gets_ours(web):
    assert web.get("/favicon.ico", follow_redirects=True).headers["content-type"] == "image/svg+xml"


def test_no_refusal_tells_of_the_inside(web):
    for path in ("/nowhere", f"{LINKS}/x/photos/../../y", "/pictures/tools/../../x.svg", "/static/../server.py"):
        answer = web.get(path)
        assert answer.status_code == 404
        assert "Traceback" not in answer.text
        assert "site-packages" not in answer.text


def test_no_side_hides_a_template_of_another():
    """They are looked up in all folders one after the other; the first of a name would be everybody's."""
    names = [path.name for path in Path(__file__).resolve().parents[2].glob("app/*/templates/*.html")]
    assert len(names) > 30 and len(set(names)) == len(names)
