"""gradio pages made and mounted one way, so that every page has the same locks and the same look."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI

from app.design._templates import HEAD
from app.design._theme import theme


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
