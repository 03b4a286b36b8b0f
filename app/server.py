"""The web app: FastAPI for the pages, photos and files; gradio for the researcher's workbench."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import stat
import sys
from collections import Counter
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

# Before gradio is imported: it must not contact a model hub.
os.environ["HF_HUB_OFFLINE"] = "1"

from fastapi import FastAPI
from fastapi.responses import RedirectResponse
from starlette.staticfiles import StaticFiles

from app import accounts, errors, guard, language, sign_in
from app.api import assessing, dogs, health, owner, research, salon, visit
from app.demo.scenario import open_demo
from app.errors import mask_logs, mask_stderr
from app.looking import Looks
from app.passing import Passing
from app.settings import Settings
from app.work import Remembered, WorkQueue
from app.workers import serve_together
from coatclass import __version__
from coatclass.errors import InputError
from coatclass.records import SharedCounts, open_records

# In the order in which their addresses are tried.
_ROUTERS = (
    health.router,
    assessing.router,
    accounts.router,
    sign_in.router,
    owner.router,
    assessing.pictures_router,
    salon.clients_router,
    dogs.router,
    dogs.days_router,
    dogs.photos_router,
    dogs.findings_router,
    visit.router,
    salon.router,
    research.learning_router,
    research.router,
)
_MOST_CALLERS = 2048  # who may queue before anybody has taken their call
_FINISH_WITHIN_S = 20
STATIC = Path(__file__).with_name("static")


def create_app(settings: Settings, *, alone: bool = True) -> FastAPI:
    """Put one server together; records are opened here and closed when it stops.

    Args:
        alone: no other process shares the port. Of several the first one has swept up what a crash has left; and none
            offers the first account, whose code lives in one process.
    """
    mask_logs()
    _make_private(settings.data)
    # gradio makes itself a folder; what is uploaded to the workbench passes through it and is taken out at once.
    passing = Passing(settings.data)
    if alone:
        passing.sweep()
        shutil.rmtree(settings.data / "pages", ignore_errors=True)
    os.environ.setdefault("GRADIO_TEMP_DIR", str(settings.data / "pages"))
    url = settings.database_url or f"sqlite:///{settings.data / 'records.sqlite'}"
    kept = open_records(url, photo_folder=settings.photo_folder, sweep=alone)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        if app.state.workbench is not None:
            await app.state.workbench.close()
        app.state.queue.close()
        kept.close()

    app = FastAPI(title="coatclass", version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None)
    app.state.settings = settings
    app.state.passing = passing
    app.state.records = kept
    app.state.looks = Looks()
    app.state.meters = health.Meters()
    app.state.meters.watch(kept.engine)
    app.state.queue = WorkQueue(**settings.limits["queue"], done=app.state.meters.work_done)
    app.state.remembered = Remembered(most=200)
    tries = settings.limits["sign_in"]
    app.state.counts = SharedCounts(kept, forgotten_after_s=tries["forgotten_after_s"]) if kept.shared else None
    app.state.attempts = accounts.Attempts(tries, app.state.counts)
    app.state.workbench = None
    app.state.first_account = None
    if settings.demo:
        open_demo(kept)
    elif alone:
        app.state.first_account = sign_in.FirstAccount(kept, tries)
    errors.install(app)
    for router in _ROUTERS:
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_api_route("/", lambda: RedirectResponse("/owner/"), include_in_schema=False)
    app.add_api_route("/favicon.ico", lambda: RedirectResponse("/static/mark.svg"), include_in_schema=False)
    _mount_pages(app)
    _stand_guard(app, settings)
    return app


def _make_private(folder: Path) -> None:
    """The folder of people's data is for nobody else, also where it exists already."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        state = folder.stat()
        if os.name == "posix" and state.st_uid == os.geteuid() and not state.st_mode & stat.S_ISVTX:
            folder.chmod(0o700)
    except OSError as error:
        problem = f"can't be used ({error.strerror})."
        raise InputError(
            str(folder), problem, "Choose a folder you may write to with --data.", code="folder"
        ) from error


def _mount_pages(app: FastAPI) -> None:
    """One line a side; each page mounts itself."""
    from app.groomer.page import groomer_page
    from app.owner import owner_page
    from app.researcher.page import researcher_page

    owner_page(app)
    groomer_page(app)
    researcher_page(app)


def _stand_guard(app: FastAPI, settings: Settings) -> None:
    """The last one added meets a request first."""
    app.add_middleware(guard.PlainBody, max_bytes=settings.limits["upload"]["answers_bytes"])
    app.add_middleware(guard.BodyLimit, max_bytes=settings.limits["upload"]["body_bytes"])
    app.add_middleware(guard.SameOrigin)
    app.add_middleware(guard.ClosedDoors, may_enter=sign_in.may_enter_workbench)
    app.add_middleware(guard.RateLimit, rates=settings.limits["rate"], shared=app.state.counts)
    app.add_middleware(guard.KnownHost, names=settings.hosts)
    app.add_middleware(language.ReaderOf)
    app.add_middleware(guard.SecurityHeaders)
    app.add_middleware(health.Metered, meters=app.state.meters)


def serve(
    *,
    host: str = "127.0.0.1",
    port: int = 7860,
    settings: Settings | None = None,
    workers: int = 1,
    tongue: str = "en",
    announce: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve until stopped. The network runs outside the event loop.

    Args:
        port: 0 for a free one.
        workers: processes that answer at the port; more than one need PostgreSQL.
        tongue: language of the terminal.
        announce: is told the address as soon as somebody who opens it is answered.
    """
    settings = settings or Settings.from_environment()
    with _listen(host, port) as listening:
        shown = f"[{host}]" if ":" in host else host
        address = f"http://{shown}:{listening.getsockname()[1]}/"
        if workers > 1:
            serve_together(_serve_one_of_several, settings, listening, workers, partial(announce, address))
            return
        mask_stderr()
        app = create_app(settings)
        announce(address)
        if told := sign_in.invitation(app, address, tongue):
            print(told, file=sys.stderr, flush=True)
        _answer(app, settings, listening)


def _serve_one_of_several(settings: Settings, listening: socket.socket, alive: Callable[[], None]) -> None:
    mask_stderr()
    _answer(create_app(settings, alone=False), settings, listening, alive)


def _answer(
    app: FastAPI, settings: Settings, listening: socket.socket, alive: Callable[[], None] | None = None
) -> None:
    """Answer whoever comes to a socket, until told to stop.

    Args:
        alive: is called every second by the event loop, where others accept from the socket too.
    """
    import uvicorn

    alone = alive is None

    async def turning() -> None:
        if alive is not None:
            alive()

    class Taking(uvicorn.Server):
        """Accepts one connection at a time: a process that took all waiting ones would leave the others idle."""

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            listening.listen(_MOST_CALLERS)

    options = uvicorn.Config(
        app,
        loop="asyncio",
        log_level="warning",
        access_log=False,
        server_header=False,
        http=patient_for(settings.limits["connections"], settings.proxies),
        ws="none",
        proxy_headers=bool(settings.proxies),
        forwarded_allow_ips=list(settings.proxies),
        backlog=_MOST_CALLERS if alone else 1,
        timeout_graceful_shutdown=None if alone else _FINISH_WITHIN_S,
        callback_notify=None if alone else turning,
        timeout_notify=1,
    )
    mask_logs()  # again, since the server has installed its own handlers by now
    Taking(options).run(sockets=[listening])


def _listen(host: str, port: int) -> socket.socket:
    """A listening socket: connections queue from now on.

    Raises:
        InputError: ``port`` if it can't be had.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=_MOST_CALLERS)
    except OSError as error:
        problem = f"can't be listened on ({error.strerror or error})."
        raise InputError(
            f"{host}, port {port}", problem, "Choose another with --host or --port.", code="port"
        ) from error


_LOOK_EVERY_S = 1.0


def patient_for(limits: Mapping[str, float], proxies: Collection[str] = ()) -> type[H11Protocol]:
    """The HTTP of the server, with limits on how long a request may take to arrive.

    Args:
        limits: ``header_s`` for the head of a request, ``idle_s`` without a byte of its body, ``body_s`` for all of
            it; ``per_address`` and ``total`` open connections.
        proxies: addresses that stand for many visitors, so that ``per_address`` is not theirs.
    """
    open_by_address: Counter[str] = Counter()

    class Patient(H11Protocol):
        _timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._address = self.client[0] if self.client else ""
            open_by_address[self._address] += 1
            self._waiting_since = self._heard_at = self.loop.time()
            self._arriving = False
            many = self._address not in proxies and open_by_address[self._address] > limits["per_address"]
            if many or open_by_address.total() > limits["total"]:
                transport.abort()
            else:
                self._timer = self.loop.call_later(_LOOK_EVERY_S, self._look)

        def connection_lost(self, exc: Exception | None) -> None:
            open_by_address[self._address] -= 1
            if not open_by_address[self._address]:
                del open_by_address[self._address]
            if self._timer is not None:
                self._timer.cancel()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            self._heard_at = self.loop.time()
            super().data_received(data)

        def _look(self) -> None:
            """Close if the request that is due has taken too long."""
            if self._is_late():
                self.transport.abort()
            else:
                self._timer = self.loop.call_later(_LOOK_EVERY_S, self._look)

        def _is_late(self) -> bool:
            now, state = self.loop.time(), self.conn.their_state
            answering = self.cycle is not None and not self.cycle.response_complete
            if state is h11.SEND_BODY:
                if not self._arriving:
                    self._arriving, self._waiting_since = True, now
                # While the app is slow to take what came, it is not the sender who is late.
                silent = now - self._heard_at > limits["idle_s"] and not self.flow.read_paused
                return silent or now - self._waiting_since > limits["body_s"]
            if state is not h11.IDLE or answering or self._arriving:
                self._arriving, self._waiting_since = False, now  # how long the answer takes is the app's business
                return False
            return now - self._waiting_since > limits["header_s"]

    return Patient
