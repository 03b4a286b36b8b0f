"""The owner's page: gradio shows one view at a time; entries go through the HTTP interface, so none is ever lost."""

from __future__ import annotations

from typing import Any

import gradio as gr
from fastapi import FastAPI

from app.design import blocks, mount, render
from app.masking import log_unforeseen
from app.owner import _views as views
from app.work import GoneError, QueueFullError
from coatclass.errors import InputError

_BRIDGE = """
const join = () => window.coatclass.owner(
  element, (wish) => trigger('go', wish), (changed) => watch('value', changed));
if (window.coatclass?.owner) join(); else window.addEventListener('coatclass-ready', join, { once: true });
"""


def owner_page(app: FastAPI) -> None:
    """Mount the page under ``/owner``."""

    async def show(event: gr.EventData, request: gr.Request) -> str:
        """The view that the page asks for; whoever has no valid link gets the way to a new start."""
        wish = views.Wish.read(event._data if isinstance(event._data, dict) else {})
        try:
            html = await app.state.queue.run(views.view, app.state, wish, asker=request.request)
        except GoneError:
            return ""
        except Exception as error:  # a page that stays blank helps nobody
            html = _problem(error, wish)
        return _inert(html)

    with blocks("coatclass") as page:
        waiting = _inert(render("waiting.html", side="owner"))
        stage = gr.HTML(waiting, js_on_load=_BRIDGE, apply_default_css=False, elem_classes=["cc"], elem_id="stage")
        stage.go(
            show, outputs=stage, api_visibility="private", queue=False, show_progress="hidden", concurrency_limit=8
        )
    mount(app, page, "/owner", scripts=("measure.js", "owner.js"))


def _problem(error: Exception, wish: views.Wish) -> str:
    """What went wrong, as far as it is the owner's business; the rest goes into the log."""
    if isinstance(error, InputError):
        said = (f"{error.source}: {error.problem}", error.next_step)
    elif isinstance(error, QueueFullError):
        said = ("Many dogs are being looked at.", f"Try again in {error.retry_after_s} s; your entries are safe.")
    else:
        log_unforeseen(f"the owner's page failed at {wish.step}", error)
        said = ("Something went wrong here.", "Try again; your entries are safe.")
    return render("problem.html", side="owner", wish=wish, problem=said[0], next_step=said[1])


def _inert(html: Any) -> str:
    """What people wrote can't become a template of the page: gradio fills ``${...}`` and ``{{...}}`` in the browser."""
    return str(html).replace("${", "&#36;&#123;").replace("{{", "&#123;&#123;").replace("`", "&#96;")
