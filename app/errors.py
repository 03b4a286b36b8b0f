"""Every error in one shape, status, code, problem, next step, or as a page; nothing else of the inside gets out.

Owners' links and sign-ins are secrets: they are masked in logs, traces and error pages.
"""

from __future__ import annotations

import errno
import logging
import re
import sys
import traceback
from collections.abc import Callable, Mapping
from typing import Any, TextIO

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException

from app.guard import refusal
from app.language import spoken, told, words
from app.work import GoneError, QueueFullError
from coatclass.errors import AnswersError, CoatclassError, InputError, RecordError
from coatclass.taxonomy import BodyZone
from coatclass.words import catalogue

_log = logging.getLogger("coatclass.app")
_STATUS = {
    "missing": 404,
    "not_found": 404,
    "unknown": 404,
    "forbidden": 403,
    "exists": 409,
    "conflict": 409,
    "changed_meanwhile": 409,
    "too_large": 413,
    "unavailable": 503,
    "unwritable": 503,
}
_RETRY_AFTER_S = "5"
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS)


def answer(status: int, code: str, problem: str, next_step: str, **headers: str) -> JSONResponse:
    """A refusal as a response."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return JSONResponse(refusal(status, code, problem, next_step), status, named)


def status_of(error: InputError) -> int:
    """The HTTP status of a refusal."""
    # An answer that nobody knows is a wrong entry, not a missing page.
    return 422 if isinstance(error, AnswersError) else _STATUS.get(error.code, 422)


def _is_a_page(request: Request) -> bool:
    """Whether a person's browser asked, not a program."""
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


def without_inside(error: InputError) -> InputError:
    """What visitors are told: where database or disk can't be used, nothing of where they are or who uses them."""
    if error.code != "unavailable":
        return error
    return RecordError(
        "the server",
        "can't reach its database or write to its disk just now.",
        "Try again in a while; what was confirmed is safe.",
        code="unavailable",
    )


def problem_of(error: InputError) -> str:
    """What is wrong, in the reader's words; of answers, with the questions in place of their ids."""
    error = without_inside(error)
    # Most problems are what is said of their source ("this link", "leads nowhere"): together a sentence.
    said = told(error.problem)
    problem = f"{told(error.source)}{' ' if said[:1].islower() else ': '}{said}"
    if not isinstance(error, AnswersError):
        return problem
    from coatclass.answers import questions

    if error.source == "answers":
        problem = told(error.problem)
    language = spoken()
    for spec in questions(language):
        asked = catalogue(language).say("vocabulary.writing.quoted", text=spec.text)
        for quoted in (f"'{spec.id}'", f"„{spec.id}“"):
            problem = problem.replace(quoted, asked)
    return problem


_WRONG = {
    "missing": "is missing.",
    "extra_forbidden": "is not known here.",
    "string_too_long": "is longer than {max_length} characters.",
    "string_pattern_mismatch": "is not in the form that is expected.",
    "too_long": "holds more than {max_length} entries.",
    "greater_than": "must be more than {gt}.",
    "greater_than_equal": "must not be less than {ge}.",
    "less_than": "must be less than {lt}.",
    "less_than_equal": "must not be more than {le}.",
    "enum": "is none of the choices.",
    "literal_error": "is none of the choices.",
}
"""Our sentences for the framework's error types; its own are for programmers."""
_KINDS = {"float": "number", "int": "number", "date": "day", "datetime": "moment", "timezone": "moment"}


def _said(item: Mapping[str, Any]) -> str:
    """One invalid entry in the reader's words: the field's name without its path, and what is wrong."""
    steps = [step for step in item["loc"] if step not in ("body", "query", "path", "[key]")]
    zones = [words().zone(step) for step in steps if step in set(BodyZone)]
    plain = [str(step + 1 if isinstance(step, int) else step) for step in steps if step not in set(BodyZone)]
    field = " ".join(plain).replace("_", " ") or "what was sent"
    kind = _KINDS.get(str(item["type"]).partition("_")[0])
    wrong = f"must be a {kind}." if kind else "can't be taken as it is."
    shape = _WRONG.get(item["type"])
    limits = {name: words().number(of) if isinstance(of, float) else of for name, of in item.get("ctx", {}).items()}
    where = ", ".join([told(field), *zones])
    return f"{where}: {told(shape.format(**limits) if shape else wrong)}"


def _problem_page(problem: str, next_step: str, status: int) -> HTMLResponse:
    """For people, where no side of the app is known; without words, that there is no such page."""
    from app.design import render

    wait = {"retry-after": _RETRY_AFTER_S} if status == 503 else {}
    return HTMLResponse(render("nowhere.html", side="owner", problem=problem, next_step=next_step), status, wait)


def install(app: FastAPI) -> None:
    """Register a handler for every kind of error, so that all answers have the same shape."""

    @app.exception_handler(CoatclassError)
    async def deliberate(request: Request, error: CoatclassError) -> Response:
        if not isinstance(error, InputError):
            _log.error("%s", error)
            return answer(503, "unavailable", "The program is not complete here.", "Tell whoever runs it.")
        problem, next_step = problem_of(error), told(without_inside(error).next_step)
        status = status_of(error)
        if status == 503:
            _log.error("%s", error)
        wait = {"retry_after": _RETRY_AFTER_S} if status == 503 else {}
        if _is_a_page(request):
            return _problem_page(problem, next_step, status)
        return answer(status, error.code, problem, next_step, **wait)

    @app.exception_handler(OSError)
    async def disk(request: Request, error: OSError) -> JSONResponse:
        if error.errno not in _FULL:
            return await unforeseen(request, error)
        _log.error("the disk: %s", error)
        next_step = "Try again in a while; what was confirmed is safe."
        return answer(503, "unavailable", "The server has no room on its disk.", next_step, retry_after=_RETRY_AFTER_S)

    @app.exception_handler(QueueFullError)
    async def busy(request: Request, error: QueueFullError) -> JSONResponse:
        seconds = str(error.retry_after_s)
        return answer(503, "busy", "Many dogs are being looked at.", f"Try again in {seconds} s.", retry_after=seconds)

    @app.exception_handler(GoneError)
    async def gone(request: Request, error: GoneError) -> JSONResponse:
        return answer(503, "gone", "Nobody waits for this any more.", "Ask again.")

    @app.exception_handler(RequestValidationError)
    async def malformed(request: Request, error: RequestValidationError) -> JSONResponse:
        said = " ".join(_said(item) for item in error.errors()[:5])
        return answer(422, "malformed", said, "Correct it and try again.")

    @app.exception_handler(HTTPException)
    async def plain(request: Request, error: HTTPException) -> Response:
        if error.status_code == 404 and _is_a_page(request):
            return _problem_page("", "", 404)
        detail = str(error.detail)
        return answer(error.status_code, "http", detail, "Check the address and what was sent.")

    @app.exception_handler(Exception)
    async def unforeseen(request: Request, error: Exception) -> JSONResponse:
        log_unforeseen(f"unforeseen error at {request.url.path}", error)
        return answer(500, "internal", "Something went wrong here.", "Try again; your data are safe.")


async def page_or_problem(
    request: Request,
    view: Callable[..., str | Response],
    *args: Any,
    problem: Callable[[str, str, int], str],
    safe: str,
    dear: bool = False,
) -> Response:
    """A view made in the queue, a way elsewhere, or what went wrong in words with its status.

    Args:
        problem: the page for what went wrong, what to do next, and the status.
        safe: what to say of entries where something unforeseen happened.
        dear: photos are looked at, which takes long.
    """
    try:
        made = await request.app.state.queue.run(view, *args, dear=dear, asker=request)
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
        status, next_step = status_of(error), told(without_inside(error).next_step)
        if status == 503:
            _log.error("%s", error)
        wait = {"retry-after": _RETRY_AFTER_S} if status == 503 else {}
        return HTMLResponse(problem(problem_of(error), next_step, status), status, wait)
    except Exception as error:  # a page that stays blank helps nobody
        log_unforeseen(f"a page failed at {request.url.path}", error)
        return HTMLResponse(problem(told("Something went wrong here."), told(f"Try again; {safe}"), 500), 500)


# 256 random bits in URL-safe Base64 (RFC 4648): 43 characters, wherever they stand. Digests and ids are hexadecimal.
_TOKEN = re.compile(r"(?<![A-Za-z0-9_-])(?![0-9a-f]{43})[A-Za-z0-9_-]{43}(?![A-Za-z0-9_-])")
_AFTER = re.compile(r"(by-link/|dog=|coatclass_session=)[^\s/?&#;\"'<>]+")
_LOGGERS = ("coatclass.app", "uvicorn", "uvicorn.error", "uvicorn.access", "asyncio", "httpx", "httpx2")


def masked(text: str) -> str:
    """The text without anybody's token."""
    return _TOKEN.sub("[token]", _AFTER.sub(r"\1[token]", text))


class _Masking(logging.Filter):
    """Masks a record before any handler sees it, its trace included."""

    def filter(self, record: logging.LogRecord) -> bool:
        text = record.getMessage()
        if record.exc_info:
            text += "\n" + "".join(traceback.format_exception(*record.exc_info))
        record.msg, record.args, record.exc_info, record.exc_text = masked(text), (), None, None
        return True


def mask_logs() -> None:
    """From now on no log of the web app or its server holds a token."""
    for name in _LOGGERS:
        logger = logging.getLogger(name)
        if not any(isinstance(one, _Masking) for one in logger.filters):
            logger.addFilter(_Masking())


class _MaskedStream:
    """A stream whose lines are masked: some libraries print traces past all logs."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(masked(text))
        return len(text)

    def writelines(self, lines: Any) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def mask_stderr() -> None:
    """From now on nothing that this process prints as an error holds a token."""
    if not isinstance(sys.stderr, _MaskedStream):
        sys.stderr = _MaskedStream(sys.stderr)


def log_unforeseen(what: str, error: BaseException) -> None:
    """Log an error that nobody foresaw, with its trace."""
    _log.error("%s\n%s", masked(what), masked("".join(traceback.format_exception(error))))
