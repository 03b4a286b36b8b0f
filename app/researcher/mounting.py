"""The framework's pages: made, coloured and mounted one way, and only when the first visitor who may enter comes.

A start would otherwise wait for the framework. ``app/static/coatclass.css`` does the rest of the look.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextvars import Context
from typing import Any

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from app.design import HEAD


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


FONTS = ["system-ui", "-apple-system", "Segoe UI", "Roboto", "Liberation Sans", "sans-serif"]  # none is fetched
MONO = ["ui-monospace", "Liberation Mono", "monospace"]

# One token of the style sheet for each variable of gradio that shows; light and dark come with the token.
_TOKENS = {
    "body_background_fill": "var(--ground)",
    "body_text_color": "var(--ink)",
    "body_text_color_subdued": "var(--quiet)",
    "background_fill_primary": "var(--sheet)",
    "background_fill_secondary": "var(--ground)",
    "block_background_fill": "var(--sheet)",
    "block_border_color": "var(--line)",
    "block_label_text_color": "var(--ink)",
    "block_title_text_color": "var(--ink)",
    "block_info_text_color": "var(--quiet)",
    "border_color_primary": "var(--line)",
    "border_color_accent": "var(--spruce)",
    "input_background_fill": "var(--field)",
    "input_border_color": "var(--edge)",
    "input_border_color_focus": "var(--spruce)",
    "button_primary_background_fill": "var(--spruce)",
    "button_primary_background_fill_hover": "var(--spruce-deep)",
    "button_primary_text_color": "var(--on-spruce)",
    "button_secondary_background_fill": "var(--sheet)",
    "button_secondary_text_color": "var(--ink)",
    "button_secondary_border_color": "var(--edge)",
    "link_text_color": "var(--link)",
    "checkbox_background_color_selected": "var(--spruce)",
    "checkbox_border_color": "var(--edge)",
    "checkbox_label_background_fill": "var(--field)",
    "checkbox_label_text_color": "var(--ink)",
}


def theme() -> Any:
    """The theme of all pages; asks no other host for anything."""
    import gradio as gr

    values: dict[str, Any] = {}
    known = gr.themes.Base.set.__code__.co_varnames
    for name, token in _TOKENS.items():
        values[name] = token
        if f"{name}_dark" in known:
            values[f"{name}_dark"] = token
    return gr.themes.Base(
        font=FONTS, font_mono=MONO, text_size=gr.themes.sizes.text_lg, radius_size=gr.themes.sizes.radius_md
    ).set(**values)


def blocks(title: str, **options: Any) -> Any:
    """An empty page; use it as a context."""
    import gradio as gr

    return gr.Blocks(title=title, analytics_enabled=False, fill_width=True, **options)


def mount(
    app: FastAPI, page: Any, path: str, *, max_file_size: int = 1, queue: Mapping[str, int] | None = None
) -> FastAPI:
    """Mount a page; who may come in is the guard's business, and its handlers ask again.

    Args:
        max_file_size: of one file, bytes.
        queue: ``at_once`` calls of a handler, ``waiting`` behind them.
    """
    import gradio as gr

    limits = queue or {"at_once": 1, "waiting": 8}
    # gradio checks the paths of files in a request only for pages that were launched; a mounted page never is.
    page.has_launched = True
    page.queue(default_concurrency_limit=limits["at_once"], max_size=limits["waiting"], api_open=False)
    mounted: FastAPI = gr.mount_gradio_app(
        app,
        page,
        path=path,
        footer_links=[],
        run_history=False,
        show_error=False,
        ssr_mode=False,
        pwa=False,
        enable_monitoring=False,
        mcp_server=False,
        allowed_paths=[],
        max_file_size=max_file_size,
        theme=theme(),
        head=HEAD,
    )
    return mounted
