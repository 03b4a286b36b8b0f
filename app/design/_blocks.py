"""gradio pages made and mounted one way, so that every page has the same locks and the same look."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request

from app.design._templates import HEAD
from app.design._theme import theme


def blocks(title: str) -> Any:
    """An empty page; use it as a context."""
    import gradio as gr

    return gr.Blocks(title=title, analytics_enabled=False, fill_width=True)


def mount(
    app: FastAPI,
    page: Any,
    path: str,
    *,
    scripts: tuple[str, ...] = (),
    auth: Callable[[Request], str | None] | None = None,
) -> FastAPI:
    """Mount a page.

    Args:
        scripts: names of files in ``app/static`` that the page needs.
        auth: tells who asks, None for nobody; the page's own handlers must ask again.
    """
    import gradio as gr

    gr.routes.DEFAULT_TEMP_DIR = gr.utils.get_upload_folder()  # as the environment says now, not when it was imported
    # gradio checks the paths of files in a request only for pages that were launched; a mounted page never is.
    page.has_launched = True
    page.queue(default_concurrency_limit=8, max_size=64, api_open=False)
    head = HEAD + "".join(f'<script defer src="/static/{name}"></script>' for name in scripts)
    return gr.mount_gradio_app(
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
        blocked_paths=["/"],
        max_file_size=1,
        auth_dependency=auth,
        theme=theme(),
        head=head,
    )
