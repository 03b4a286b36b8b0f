"""What every request meets before any page: size, origin, rate, and the headers that every answer carries.

These are plain ASGI middlewares, so that uploads and event streams pass through without being gathered in memory.
"""

from __future__ import annotations

import json
import re
import time
from collections import OrderedDict
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_SAFE = {"GET", "HEAD", "OPTIONS"}
# The pages build their controls with inline scripts and styles; nothing ever comes from another host.
_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; frame-ancestors 'none'; "
    "base-uri 'self'; form-action 'self'; object-src 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "cross-origin-opener-policy": "same-origin",
}
# Photos go through our own upload; pages of the mounted apps neither take nor serve files by themselves.
_CLOSED = re.compile(r"/gradio_api/(upload|file[=/]|file$|stream/|proxy=|component_server|reset)")


def refusal(status: int, code: str, problem: str, next_step: str) -> dict[str, Any]:
    """The body of every refusal, one shape for people and programs."""
    return {"status": status, "code": code, "problem": problem, "next_step": next_step}


async def _refuse(send: Send, body: dict[str, Any], **headers: str) -> None:
    content = json.dumps(body).encode()
    raw = [(b"content-type", b"application/json"), (b"content-length", str(len(content)).encode())]
    raw += [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    await send({"type": "http.response.start", "status": body["status"], "headers": raw})
    await send({"type": "http.response.body", "body": content})


class SecurityHeaders:
    """Adds the headers to every answer; pages and data of people are never kept by caches, files of the program are."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", _kept(scope["path"]))
            await send(message)

        await self.app(scope, receive, with_headers)


def _kept(path: str) -> str:
    """How long browsers may keep what lies under a path."""
    if "/assets/" in path:
        return "public, max-age=31536000, immutable"  # gradio's own files; their names change with their content
    return "no-cache" if path.startswith("/static/") else "no-store"  # no-cache: kept, but asked for news each time


class ClosedDoors:
    """Refuses what the mounted apps would offer and nobody here needs: their own uploads and file reads."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and _CLOSED.search(scope["path"]):
            await _refuse(send, refusal(404, "closed", "There is nothing here.", "Use the pages of the app."))
            return
        await self.app(scope, receive, send)


class SameOrigin:
    """Refuses changes that another site's page asks for in a visitor's name (cross-site request forgery).

    Browsers state where a request comes from (Fetch Metadata, W3C; Origin, RFC 6454). Programs that send neither
    header carry no cookies of a visitor and may pass.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in _SAFE and not _from_here(Headers(scope=scope)):
            body = refusal(403, "other_origin", "The request came from another site.", "Use the pages of the app.")
            await _refuse(send, body)
            return
        await self.app(scope, receive, send)


def _from_here(headers: Headers) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc == headers.get("host")


class BodyLimit:
    """Refuses bodies over a ceiling, by their declared length or, if that is missing or wrong, while they arrive."""

    def __init__(self, app: ASGIApp, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        declared = Headers(scope=scope).get("content-length", "0")
        if not declared.isdecimal() or int(declared) > self.max_bytes:
            await _refuse(send, self._too_large())
            return
        taken = 0
        started = False

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self.max_bytes:
                raise _TooLargeError
            return message

        async def watched(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self.app(scope, counted, watched)
        except _TooLargeError:
            if not started:
                await _refuse(send, self._too_large())

    def _too_large(self) -> dict[str, Any]:
        most = f"{self.max_bytes / 1e6:g} MB"
        return refusal(413, "too_large", f"This is larger than {most}.", "Send fewer or smaller photos.")


class _TooLargeError(Exception):
    pass


class RateLimit:
    """A bucket of requests for each visitor and kind of request, filled again with time."""

    _MOST_VISITORS = 10_000

    def __init__(self, app: ASGIApp, rates: Mapping[str, Mapping[str, float]]) -> None:
        self.app = app
        self.rates = rates
        self._buckets: OrderedDict[tuple[str, str], tuple[float, float]] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            wait = self._take((scope.get("client") or ("", 0))[0], kind_of(scope["method"], scope["path"]))
            if wait > 0:
                seconds = str(max(1, round(wait)))
                body = refusal(
                    429, "too_many", "Too many requests in a short time.", f"Wait {seconds} s and try again."
                )
                await _refuse(send, body, retry_after=seconds)
                return
        await self.app(scope, receive, send)

    def _take(self, visitor: str, kind: str) -> float:
        """Take one request from the bucket; return 0, or the seconds until there is one again."""
        rate = self.rates[kind]
        per_second, burst = rate["per_minute"] / 60, float(rate["burst"])
        now = time.monotonic()
        left, at = self._buckets.pop((visitor, kind), (burst, now))
        left = min(burst, left + (now - at) * per_second)
        allowed = left >= 1
        self._buckets[visitor, kind] = (left - allowed, now)
        if len(self._buckets) > self._MOST_VISITORS:
            self._buckets.popitem(last=False)
        return 0.0 if allowed else (1 - left) / per_second


def kind_of(method: str, path: str) -> str:
    """Which rate a request falls under."""
    if method in _SAFE:
        return "other"
    if path.endswith(("/assess", "/photos")):
        return "assess"
    return "sign_in" if path.endswith("/sign-in") else "other"
