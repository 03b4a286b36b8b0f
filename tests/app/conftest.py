"""A running server on a folder of its own, a real browser, and an accessibility check, for all tests of the app."""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, event

sys.path.insert(0, str(Path(__file__).parent))

from owner_walk import PHONE
from salon_walk import make_known, sign_in

from app import cases

ROOT = Path(__file__).resolve().parents[2]
IN_CI = os.environ.get("CI") == "true"
# The shell is the same engine without a window's own pages: a visitor costs a third of the time.
CHROMIUM = next(filter(None, map(shutil.which, ("chromium-headless-shell", "chromium", "chromium-browser"))), None)
# A browser of its own makes calls home; none may be mistaken for one of ours.
_SILENT = ("background-networking", "component-update", "sync", "default-apps", "gpu", "quic")
QUIET = ["--headless", "--no-sandbox", "--no-first-run", *(f"--disable-{what}" for what in _SILENT)]
QUIET.append(
    "--renderer-process-limit=1"
)  # no process is held ready that nobody needs; each visitor still has their own
# All visitors of the tests come from one address; how the limits work is tested in test_guard.py.
_START = """
import sys
from pathlib import Path
from app.server import serve
from app.settings import Settings, limits
often = {"per_minute": 100_000, "burst": 100_000}
relaxed = {**limits(), "rate": {kind: often for kind in limits()["rate"]}}
settings = Settings(data=Path(sys.argv[1]), limits=relaxed, workbench=sys.argv[2] == "whole")
serve(port=0, settings=settings, announce=lambda address: print(address, flush=True))
"""


@dataclass(frozen=True)
class Server:
    """A server in a process of its own.

    Attributes:
        url: its address, without a slash at the end.
        data: folder of its database and photos.
        scratch: the folder that gradio would keep files in.
        pid: its process.
    """

    url: str
    data: Path
    scratch: Path
    pid: int

    def start_dog(self, name: str = "Bramble") -> str:
        """A new dog; the token of its link."""
        begun = httpx.post(f"{self.url}/api/v1/dogs/by-link", json={"name": name}, timeout=60)
        return str(begun.raise_for_status().json()["token"])


@pytest.fixture(autouse=True)
def _no_statement_in_the_event_loop() -> Iterator[None]:
    """A database that lets somebody wait must not stop the event loop, and with it everybody else's requests."""
    found: list[str] = []

    def look(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if threading.current_thread() is threading.main_thread():
            return  # the test itself, in which a browser may keep a loop
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            return
        found.append(statement)

    event.listen(Engine, "before_cursor_execute", look)
    yield
    event.remove(Engine, "before_cursor_execute", look)
    assert not found


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The real server on loopback, one for the whole session, without the workbench.

    See ``own_server`` for all of it.
    """
    yield from _serving(tmp_path_factory.mktemp("salon"), "without the workbench")


@pytest.fixture(scope="module")
def salon(server: Server) -> Iterator[httpx.Client]:
    """The people are known, and a program of Ada's, signed in, prepares what a test needs."""
    make_known(server.data)
    with httpx.Client(base_url=server.url, timeout=120) as web:
        sign_in(web).raise_for_status()
        yield web


@pytest.fixture(scope="module")
def own_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A whole server for the tests of one file alone, as for those that must know every name that its pages show."""
    yield from _serving(tmp_path_factory.mktemp("salon"), "whole")


def _serving(folder: Path, how: str) -> Iterator[Server]:
    scratch = folder / "gradio"
    environment = {**os.environ, "GRADIO_TEMP_DIR": str(scratch), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-c", _START, str(folder / "data"), how]
    with (
        (folder / "server.log").open("wb") as log,
        subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=log, text=True) as process,
    ):
        assert process.stdout is not None
        url = process.stdout.readline().strip().rstrip("/")
        try:
            if not url or httpx.get(f"{url}/health", timeout=300).status_code != httpx.codes.OK:
                pytest.fail(f"the server does not answer:\n{(folder / 'server.log').read_text()[-3000:]}")
            yield Server(url, folder / "data", scratch, process.pid)
        finally:
            process.terminate()
            process.wait(timeout=60)


@pytest.fixture
def web(server: Server) -> Iterator[httpx.Client]:
    """A program that talks to the server."""
    with httpx.Client(base_url=server.url, timeout=60) as client:
        yield client


@pytest.fixture
def still_clock(monkeypatch: pytest.MonkeyPatch) -> datetime:
    """The clock stands still for the records and pages of this process: no midnight comes between two looks at it."""
    moment = datetime.now(UTC)

    class Still(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:
            return moment.astimezone(tz)

    monkeypatch.setattr("coatclass.records._values.datetime", Still)
    monkeypatch.setattr(cases, "today", lambda: moment.astimezone().date())
    return moment


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """The system's browser; skips without one, fails in CI.

    It lives for one module, because playwright holds the thread's event loop, in which asynchronous tests run too.
    """
    if CHROMIUM is None:
        message = "there is no chromium: apt-get install chromium-headless-shell"
        pytest.fail(message) if IN_CI else pytest.skip(message)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield browser
        browser.close()


@pytest.fixture
def visitor(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens a page for one more visitor, with a memory of its own; complaints of the browser are in ``page.said``."""
    contexts = []

    def visit(viewport: dict[str, int] = PHONE, scheme: str = "light", **options: Any) -> Any:
        context = chromium.new_context(viewport=viewport, color_scheme=scheme, **options)
        contexts.append(context)
        context.set_default_timeout(120_000)  # a busy machine may take its time
        page = context.new_page()
        for wait in ("wait_for_selector", "wait_for_function"):
            setattr(page, wait, _until_its_scripts_ran(page, getattr(page, wait)))
        page.said, page.asked = [], []
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("request", lambda request: page.asked.append(request.url))
        return page

    yield visit
    for context in contexts:
        context.close()


def _until_its_scripts_ran(page: Any, wait: Callable[..., Any]) -> Callable[..., Any]:
    """Wait for what a page holds, and then for its scripts: a page that another led to shows itself before they run."""

    def waited(*what: Any, **how: Any) -> Any:
        found = wait(*what, **how)
        page.wait_for_load_state()
        return found

    return waited


def accessibility(page: Any) -> list[str]:
    """What axe-core finds serious on a page as it stands (WCAG 2.2, A and AA): rule and element, one a line."""
    from axe_playwright_python.sync_playwright import Axe

    levels = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    # what passes is not told element by element, and no style sheet is fetched again: a third of the time
    what = {"runOnly": levels, "resultTypes": ["violations"], "preload": False}
    return [
        f"{rule['id']}: {node['html'][:150]}"
        for rule in Axe().run(page, options=what).response["violations"]
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]


@pytest.fixture(scope="session")
def axe() -> Callable[..., list[str]]:
    """Checks a page that is open: what :func:`accessibility` finds."""
    return accessibility
