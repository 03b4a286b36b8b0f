"""Pages behind the sign-in: the form, and the mount that lets only some roles in and asks again at every call."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import gradio as gr
from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app import accounts
from app.design import HEAD, blocks, mount, render
from app.masking import log_unforeseen
from app.owner._page import _inert
from app.work import GoneError, QueueFullError
from coatclass.errors import InputError, RecordError
from coatclass.records import User, UserRole

HOMES = {UserRole.GROOMER: "/groomer/", UserRole.RESEARCHER: "/researcher/"}
_BRIDGE = """
const join = () => window.coatclass.salon(
  element, (wish) => trigger('go', wish), (changed) => watch('value', changed));
if (window.coatclass?.salon) join(); else window.addEventListener('coatclass-ready', join, { once: true });
"""

View = Callable[[Any, User, Mapping[str, Any]], str]


def sign_in_page(app: FastAPI) -> None:
    """Serve the form under ``/sign-in``; whoever is signed in already is led to the right side."""

    @app.get("/sign-in", include_in_schema=False)
    def form(request: Request) -> Response:
        user = accounts.signed_in(app.state.records, request.cookies)
        if user is not None and "other" not in request.query_params:
            return RedirectResponse(HOMES[user.role], 303)
        ended = "ended" in request.query_params
        return HTMLResponse(render("sign_in.html", side="groomer", head=HEAD, homes=HOMES, user=user, ended=ended))


def page_for(app: FastAPI, path: str, title: str, roles: tuple[UserRole, ...], view: View) -> None:
    """Mount a page that shows ``view(state, user, wish)`` to signed-in users in one of the roles, and to nobody else.

    Args:
        view: HTML of what is asked for; ``wish`` is whatever a browser sent.
    """

    def may_enter(request: Request) -> str | None:
        try:
            user = accounts.signed_in(app.state.records, request.cookies)
        except RecordError as error:
            raise HTTPException(503, str(error), headers={"retry-after": "5"}) from error
        if user is not None and user.role in roles:
            return user.name
        if request.method == "GET" and request.headers.get("accept", "").startswith("text/html"):
            raise HTTPException(303, headers={"location": "/sign-in" if user is None else "/sign-in?other=1"})
        return None

    async def show(event: gr.EventData, request: gr.Request) -> str:
        """The view that the page asks for, if whoever asks may see it."""
        wish = event._data if isinstance(event._data, dict) else {}
        try:
            user = accounts.require(app.state.records, dict(request.request.cookies), *roles)
            html = await app.state.queue.run(view, app.state, user, wish, asker=request.request)
        except GoneError:
            return ""
        except accounts.ForbiddenError:
            html = render("signed_out.html", side="groomer")
        except Exception as error:  # a page that stays blank helps nobody
            html = _problem(error, wish)
        return _inert(html)

    with blocks(title) as page:
        waiting = _inert(render("salon_waiting.html", side="groomer"))
        stage = gr.HTML(waiting, js_on_load=_BRIDGE, apply_default_css=False, elem_classes=["cc"], elem_id="stage")
        stage.go(
            show, outputs=stage, api_visibility="private", queue=False, show_progress="hidden", concurrency_limit=8
        )
    mount(app, page, path, scripts=("measure.js", "salon.js"), auth=may_enter)


def _problem(error: Exception, wish: Mapping[str, Any]) -> str:
    """What went wrong, as far as it helps; the rest goes into the log."""
    if isinstance(error, InputError):
        said = (f"{error.source}: {error.problem}", error.next_step)
    elif isinstance(error, QueueFullError):
        said = ("Many dogs are being looked at.", f"Try again in {error.retry_after_s} s.")
    else:
        log_unforeseen(f"a signed-in page failed at {wish.get('step')}", error)
        said = ("Something went wrong here.", "Try again; what was saved is safe.")
    return render("salon_problem.html", side="groomer", problem=said[0], next_step=said[1])
