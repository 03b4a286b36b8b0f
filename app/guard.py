"""What every request meets before any page: host, rate, doors, origin, size, form, and the headers of every answer.

These are plain ASGI middlewares, so that uploads and event streams pass through without being gathered in memory.
"""

from __future__ import annotations

import json
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from ipaddress import ip_address, ip_network
from threading import Lock
from typing import Annotated, Any, Protocol
from urllib.parse import urlsplit

from pydantic import BaseModel, Field, JsonValue, ValidationError
from python_multipart.multipart import parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.language import told
from coatclass.errors import RecordError
from coatclass.plain_text import printable

_SAFE = {"GET", "HEAD", "OPTIONS"}
# Scripts come from files of ours, nothing ever from another host; drawings carry their own styles.
_POLICY = (
    "default-src 'self'; script-src 'self'{scripts}; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; frame-ancestors 'none'; "
    "base-uri 'self'; form-action 'self'; object-src 'none'"
)
_OWN_POLICY = _POLICY.format(scripts="")
_MOUNTED_POLICY = _POLICY.format(scripts=" 'unsafe-inline' 'unsafe-eval'")  # gradio builds its controls so
_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "cross-origin-opener-policy": "same-origin",
}
PAGES = ("/workbench",)
"""Where pages of the framework are mounted: the researcher's."""
# All that a mounted page needs: itself, its files, uploads, and the queue of its calls. Everything else that the
# framework would offer (reads of files, streams, recordings, consoles) is nobody's business here.
_CALL = "/gradio_api/queue/join"
_API = rf"/gradio_api/(upload|upload_progress|queue/data|heartbeat/[\w.-]+|startup-events)|{_CALL}"
_OPEN = re.compile(rf"/?|/try|/config/?|(/gradio_api)?/theme\.css|/(assets|static|svelte)/[^\0]*|({_API})/?")
_FREE = re.compile(r"/(assets|static|svelte)/[^\0]*|(/gradio_api)?/theme\.css")  # the program's own files
_CALL_BYTES = 64_000


def refusal(status: int, code: str, problem: str, next_step: str) -> dict[str, Any]:
    """The body of every refusal, one shape for people and programs, in the reader's language."""
    return {
        "status": status,
        "code": code,
        "problem": printable(told(problem)),
        "next_step": printable(told(next_step)),
    }


async def _refuse(send: Send, body: dict[str, Any], **headers: str) -> None:
    content = json.dumps(body).encode()
    raw = [(b"content-type", b"application/json"), (b"content-length", str(len(content)).encode())]
    raw += [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    await send({"type": "http.response.start", "status": body["status"], "headers": raw})
    await send({"type": "http.response.body", "body": content})


class Middleware:
    """Plain ASGI around the app: ``http`` meets each request, everything else (the server's start and end) passes."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await (self.http if scope["type"] == "http" else self.app)(scope, receive, send)

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request; passed on to ``self.app`` unless it is answered here."""
        raise NotImplementedError


class SecurityHeaders(Middleware):
    """Adds the headers to every answer; pages and data of people are never kept by caches, files of the program are."""

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                mounted = page_of(scope["path"]) is not None
                headers["content-security-policy"] = _MOUNTED_POLICY if mounted else _OWN_POLICY
                headers.setdefault("cache-control", _kept(scope["path"]))
            await send(message)

        await self.app(scope, receive, with_headers)


def _kept(path: str) -> str:
    """How long browsers may keep what lies under a path."""
    page = page_of(path)
    if page is not None and path.startswith(f"{page}/assets/"):
        return "public, max-age=31536000, immutable"  # gradio's own files; their names change with their content
    return "no-cache" if path.startswith("/static/") else "no-store"  # no-cache: kept, but asked for news each time


class KnownHost(Middleware):
    """Refuses requests for a name that is not this server's, so that no answer repeats a stranger's.

    Known are this machine's loopback names, the address that was connected to, and the names of the settings.
    """

    _LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

    def __init__(self, app: ASGIApp, names: Collection[str] = ()) -> None:
        super().__init__(app)
        self.names = self._LOOPBACK | {name.casefold() for name in names}

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        asked = Headers(scope=scope).getlist("host")
        own = (scope.get("server") or ("", 0))[0]
        if len(asked) > 1 or any(_bare_host(host) not in self.names | {own} for host in asked):
            next_step = "Use the address that the server printed; names are added with --allow-host."
            await _refuse(send, refusal(400, "unknown_host", "This server does not go by that name.", next_step))
            return
        await self.app(scope, receive, send)


# Host and port alone (RFC 9110, section 7.2). What an address may hold besides, such as a user's name, would stand in
# the links that are printed.
_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[\w.-]+)(:\d{1,5})?", re.IGNORECASE)


def _bare_host(host: str) -> str:
    """A host without port and brackets, lower case; empty for what is none."""
    found = _HOST.fullmatch(host)
    return found[1].strip("[]").rstrip(".").casefold() if found else ""


class ClosedDoors:
    """Lets nothing through to the mounted pages but what they need, and nobody who may not see them.

    Args:
        may_enter: tells in a thread whether a request's sender may; nobody is kept out without it.
    """

    def __init__(
        self, app: ASGIApp, pages: Sequence[str] = PAGES, may_enter: Callable[[Request], Response | None] | None = None
    ) -> None:
        self.app = app
        self.pages = pages
        self.may_enter = may_enter

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            return
        page = page_of(scope.get("path", ""), self.pages)
        if page is None:
            await self.app(scope, receive, send)
            return
        rest = scope["path"].removeprefix(page)
        if not _OPEN.fullmatch(rest):
            await _refuse(send, refusal(404, "closed", "There is nothing here.", "Use the pages of the app."))
        elif not _FREE.fullmatch(rest) and (kept_out := await self._kept_out(scope)) is not None:
            await kept_out(scope, receive, send)
        elif rest.startswith(_CALL):
            await self._call(scope, receive, send)
        else:
            await self.app(scope, receive, send)

    async def _kept_out(self, scope: Scope) -> Response | None:
        return await run_in_threadpool(self.may_enter, Request(scope)) if self.may_enter else None

    async def _call(self, scope: Scope, receive: Receive, send: Send) -> None:
        body = await gathered(receive, _CALL_BYTES)
        try:
            call = PageCall.model_validate_json(body or b"")
        except ValidationError:
            await _refuse(send, refusal(422, "malformed", "This is no call of a page.", "Use the pages of the app."))
            return
        await self.app(_resized(scope, content := call.model_dump_json().encode()), replayed(content, receive), send)


class PageCall(BaseModel):
    """A call of one of a page's handlers, in the form in which it may come."""

    data: Annotated[list[JsonValue], Field(max_length=20)]
    fn_index: Annotated[int, Field(ge=0, lt=100, strict=True)]
    event_data: dict[str, JsonValue] | None = None
    session_hash: Annotated[str, Field(max_length=100)]
    trigger_id: int | None = None


def page_of(path: str, pages: Sequence[str] = PAGES) -> str | None:
    """The mounted page that a path belongs to."""
    return next((page for page in pages if path == page or path.startswith(f"{page}/")), None)


def _resized(scope: Scope, body: bytes) -> Scope:
    """The same request with the length of another body."""
    headers = [
        (name, value) for name, value in scope["headers"] if name not in (b"content-length", b"transfer-encoding")
    ]
    return {**scope, "headers": [*headers, (b"content-length", str(len(body)).encode())]}


async def gathered(receive: Receive, most: int) -> bytes | None:
    """A whole body; None if it is longer than ``most`` bytes or its sender has gone."""
    body = bytearray()
    more = True
    while more:
        message = await receive()
        if message["type"] != "http.request":
            return None
        body += message.get("body", b"")
        more = message.get("more_body", False)
        if len(body) > most:
            return None
    return bytes(body)


def replayed(body: bytes, receive: Receive) -> Receive:
    """Replay a body that was read already, then pass on further messages."""
    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again


class SameOrigin(Middleware):
    """Refuses changes that another site's page asks for in a visitor's name (cross-site request forgery).

    Browsers state where a request comes from (Fetch Metadata, W3C; Origin, RFC 6454). Programs that send neither
    header carry no cookies of a visitor and may pass.
    """

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] not in _SAFE and not _from_here(Headers(scope=scope)):
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


class BodyLimit(Middleware):
    """Refuses bodies over a ceiling, by their declared length or, if that is missing or wrong, while they arrive."""

    def __init__(self, app: ASGIApp, max_bytes: int) -> None:
        super().__init__(app)
        self.max_bytes = max_bytes

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        declared = Headers(scope=scope).get("content-length", "0")
        if not declared.isdecimal() or int(declared) > self.max_bytes:
            await _refuse(send, self._too_large(), connection="close")
            return
        taken = 0
        over = started = False

        async def counted() -> Message:
            nonlocal taken, over
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self.max_bytes:
                over = True
                raise _TooLargeError
            return message

        async def watched(message: Message) -> None:
            nonlocal started
            if over and not started:
                return  # whatever the app makes of a body that was cut off, 413 is the answer
            started = True
            await send(message)

        try:
            await self.app(scope, counted, watched)
        except Exception:
            if not over:
                raise
        if over and not started:
            await _refuse(send, self._too_large(), connection="close")

    def _too_large(self) -> dict[str, Any]:
        return _too_large(self.max_bytes, "Send fewer or smaller photos.")


def _too_large(max_bytes: int, next_step: str) -> dict[str, Any]:
    return refusal(413, "too_large", f"This is larger than {max_bytes / 1e6:g} MB.", next_step)


class _TooLargeError(Exception):
    pass


class PlainBody(Middleware):
    """Answers and other entries: not larger than they can be, UTF-8, and JSON that can be kept and sent again.

    Refused are what no file and no database holds (halves of characters) and what JSON has no word for (infinity).
    Files come as multipart, which :class:`BodyLimit` guards; its texts are UTF-8 as well, since a sender who may choose
    among all codecs finds slow ones (Punycode takes a minute for a megabyte) and such that make halves of characters.
    """

    def __init__(self, app: ASGIApp, max_bytes: int) -> None:
        super().__init__(app)
        self.max_bytes = max_bytes

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        kind = Headers(scope=scope).get("content-type", "")
        if scope["method"] in _SAFE:
            await self.app(scope, receive, send)
            return
        if _media_type(kind) == "multipart/form-data":
            if _in_utf8(kind):
                await self.app(scope, receive, send)
            else:
                await _refuse(send, _malformed("The form is not in UTF-8."), connection="close")
            return
        declared = Headers(scope=scope).get("content-length", "0")
        body = None if int(declared) > self.max_bytes else await gathered(receive, self.max_bytes)
        if body is None:
            await _refuse(send, _too_large(self.max_bytes, "Send less at once."), connection="close")
        elif problem := _problem_of(body, kind):
            await _refuse(send, _malformed(problem))
        else:
            await self.app(scope, replayed(body, receive), send)


def _malformed(problem: str) -> dict[str, Any]:
    return refusal(422, "malformed", problem, "Send plain text in UTF-8.")


def _media_type(kind: str) -> str:
    """The type of a ``Content-Type`` without its parameters, in which anything may stand."""
    return parse_options_header(kind)[0].decode("latin-1")


def _in_utf8(kind: str) -> bool:
    """Whether a form names no other codec, read as its parser reads it."""
    return parse_options_header(kind)[1].get(b"charset", b"utf-8").lower() in (b"utf-8", b"utf8")


def _problem_of(body: bytes, kind: str) -> str:
    """Why a body can't be taken; empty if it can."""
    try:
        text = body.decode("utf-8")
        if text and _media_type(kind) != "application/x-www-form-urlencoded":
            json.dumps(json.loads(text), allow_nan=False, ensure_ascii=False).encode()
    except RecursionError:
        return "The entry is nested too deeply."
    except UnicodeError:
        return "The entry holds something that is no character."
    except ValueError:
        return "The entry is not JSON, or holds a number that can't be."
    return ""


Key = tuple[str, ...]
Kept = dict[Key, tuple[float, float]]


class Counts(Protocol):
    """A number and the time it was last changed under each key."""

    def changing(self, keys: Sequence[Key]) -> AbstractContextManager[tuple[Kept, float]]:
        """What is kept under the keys, and the time now, s; what stands there afterwards is kept."""


class OwnCounts:
    """Counts of this process alone; the oldest unused go first.

    Args:
        most: keys that are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._all: OrderedDict[Key, tuple[float, float]] = OrderedDict()
        self._lock = Lock()

    @contextmanager
    def changing(self, keys: Sequence[Key]) -> Iterator[tuple[Kept, float]]:
        """See :class:`Counts`."""
        with self._lock:
            kept = {key: self._all[key] for key in keys if key in self._all}
            before = dict(kept)
            yield kept, time.monotonic()
            for key in before.keys() - kept.keys():
                del self._all[key]
            for key, value in kept.items():
                self._all[key] = value
                self._all.move_to_end(key)
            while len(self._all) > self._most:
                self._all.popitem(last=False)


class RateLimit(Middleware):
    """A bucket of requests for each visitor and kind of request, filled again with time.

    Args:
        rates: for each kind ``per_minute``, ``burst``, and how many are taken ``at_a_time`` out of a shared bucket, so
            that the database is not asked each time. A visitor may come so many times more often, less one, for each
            process that shares it.
        shared: counts that other servers share. While they can't be reached this process counts for itself.
    """

    _MOST_VISITORS = 10_000
    _ALONE_FOR_S = 5.0

    def __init__(self, app: ASGIApp, rates: Mapping[str, Mapping[str, float]], shared: Counts | None = None) -> None:
        super().__init__(app)
        self.rates = rates
        self._own = OwnCounts(self._MOST_VISITORS)
        self._shared = shared
        self._alone_until = 0.0
        self._in_hand: OrderedDict[tuple[str, str], int] = OrderedDict()

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        wait = await self._take(visitor_of(scope), kind_of(scope["method"], scope["path"]))
        if wait > 0:
            seconds = str(max(1, round(wait)))
            body = refusal(429, "too_many", "Too many requests in a short time.", f"Wait {seconds} s and try again.")
            await _refuse(send, body, retry_after=seconds)
            return
        await self.app(scope, receive, send)

    async def _take(self, visitor: str, kind: str) -> float:
        """Take one request from the bucket; return 0, or the seconds until there is one again."""
        if self._shared is None or time.monotonic() < self._alone_until:
            return self._draw(self._own, visitor, kind, 1)[1]
        if (left := self._in_hand.pop((visitor, kind), 0)) == 0:
            most = int(self.rates[kind].get("at_a_time", 1))
            try:
                drawn, wait = await run_in_threadpool(self._draw, self._shared, visitor, kind, most)
            except RecordError:
                self._alone_until = time.monotonic() + self._ALONE_FOR_S
                return self._draw(self._own, visitor, kind, 1)[1]
            if not drawn:
                return wait
            left = drawn + self._in_hand.pop((visitor, kind), 0)  # another request of theirs may have drawn as well
        if left > 1:
            self._in_hand[visitor, kind] = left - 1
            if len(self._in_hand) > self._MOST_VISITORS:
                self._in_hand.popitem(last=False)
        return 0.0

    def _draw(self, counts: Counts, visitor: str, kind: str, most: int) -> tuple[int, float]:
        """Take up to ``most`` requests out of a bucket: how many, and if none the seconds until there is one."""
        rate, key = self.rates[kind], ("rate", visitor, kind)
        per_second, burst = rate["per_minute"] / 60, float(rate["burst"])
        with counts.changing([key]) as (kept, now):
            left, at = kept.get(key, (burst, now))
            left = min(burst, left + max(0.0, now - at) * per_second)  # a clock may be put back
            drawn = min(most, int(left))
            kept[key] = (left - drawn, now)
        return drawn, 0.0 if drawn else (1 - left) / per_second


def visitor_of(scope: Scope) -> str:
    """Who asks, as far as an address tells: of IPv6 the network, since one visitor holds all addresses of it.

    Addresses of IPv4 that are written as IPv6 (RFC 4291, 2.5.5.2) would else all be one visitor.
    """
    address = str((scope.get("client") or ("", 0))[0])
    try:
        parsed = ip_address(address)
    except ValueError:
        return address
    if parsed.version == 4:
        return address
    return str(parsed.ipv4_mapped or ip_network((int(parsed), 64), strict=False))


def kind_of(method: str, path: str) -> str:
    """Which rate a request falls under."""
    if method in _SAFE:
        return "other"
    if path.endswith("/assess") or (method == "POST" and "photos" in path.split("/")):
        return "assess"
    return "sign_in" if path.endswith(("/sign-in", "/first-account")) else "other"
