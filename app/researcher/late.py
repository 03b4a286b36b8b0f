"""An app within the app that is made when the first visitor who may enter comes, so that no start waits for it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextvars import Context

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send


class OpenedLate:
    """To be mounted where the app answers; that one is given the whole path.

    Args:
        make: makes the app, in a thread; again for the next visitor if it failed.
        may_enter: tells in a thread where a request is led instead of opening it; None if its sender may.
    """

    def __init__(self, make: Callable[[], FastAPI], may_enter: Callable[[Request], Response | None]) -> None:
        self._make = make
        self._may_enter = may_enter
        self._opened: asyncio.Future[FastAPI] | None = None
        self._life: asyncio.Task[None] | None = None
        self._closing = asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._opened is None and (kept_out := await run_in_threadpool(self._may_enter, Request(scope))) is not None:
            await kept_out(scope, receive, send)
            return
        app = await asyncio.shield(self._opened or self._open())
        await app({**scope, "root_path": scope["app_root_path"]}, receive, send)

    def _open(self) -> asyncio.Future[FastAPI]:
        self._opened = asyncio.get_running_loop().create_future()
        # In a context of its own: what it keeps running belongs to no visitor and speaks nobody's language.
        self._life = asyncio.create_task(self._live(self._opened), context=Context())
        return self._opened

    async def _live(self, opened: asyncio.Future[FastAPI]) -> None:
        """From the app's start to its end, in one task, as what it opens there may ask."""
        try:
            app = await run_in_threadpool(self._make)
            async with app.router.lifespan_context(app):
                opened.set_result(app)
                await self._closing.wait()
        except Exception as error:
            if opened.done():
                raise
            self._opened = None
            opened.set_exception(error)

    async def close(self) -> None:
        """End it, if it was opened."""
        self._closing.set()
        if self._life is not None:
            await self._life
