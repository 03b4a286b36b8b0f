"""Views at ordinary addresses: HTML out of a template, the same for a browser with a script and for one without."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, Response

from app.errors import problem_of, status_of
from app.language import told
from app.masking import log_unforeseen
from app.work import GoneError, QueueFullError
from coatclass.errors import InputError


async def answer(
    request: Request,
    view: Callable[..., str | Response],
    *args: Any,
    problem: Callable[[str, str, int], str],
    safe: str,
) -> Response:
    """A view made in the queue, a way elsewhere, or what went wrong in words with its status.

    Args:
        problem: the page for what went wrong, what to do next, and the status.
        safe: what to say of entries where something unforeseen happened.
    """
    try:
        made = await request.app.state.queue.run(view, *args, asker=request)
        return HTMLResponse(made) if isinstance(made, str) else made
    except GoneError:
        return Response(status_code=503)
    except QueueFullError as error:
        wait = {"retry-after": str(error.retry_after_s)}
        said = problem(
            told("Many dogs are being looked at."), told(f"Try again in {error.retry_after_s} s; {safe}"), 503
        )
        return HTMLResponse(said, 503, wait)
    except InputError as error:
        status = status_of(error)
        wait = {"retry-after": "5"} if status == 503 else {}
        return HTMLResponse(problem(problem_of(error), told(error.next_step), status), status, wait)
    except Exception as error:  # a page that stays blank helps nobody
        log_unforeseen(f"a page failed at {request.url.path}", error)
        return HTMLResponse(problem(told("Something went wrong here."), told(f"Try again; {safe}"), 500), 500)
