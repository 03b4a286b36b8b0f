"""Fetching politely: one request at a time, a pause for each host, a name to be asked by, retries that back off."""

from __future__ import annotations

import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from http.client import HTTPException, HTTPMessage
from typing import IO, Literal
from urllib.parse import urlsplit

import coatclass

Kind = Literal["gone", "refused", "failed"]
_GONE, _AGAIN = (404, 410), (408, 425, 429, 500, 502, 503, 504)
_LONGEST_WAIT_S = 120.0


class FetchProblem(Exception):  # noqa: N818 - it names what happened, and never leaves this room
    """Why an address gave nothing: gone for good, refused (so don't ask again), or failed (worth another try)."""

    def __init__(self, kind: Kind, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


@dataclass(frozen=True)
class Fetched:
    """What an address gave."""

    address: str
    data: bytes
    content_type: str


class _OnlyTheWeb(urllib.request.HTTPRedirectHandler):
    """Follows redirects to http and https only."""

    max_redirections = 5

    def redirect_request(  # noqa: PLR0917 - urllib's own signature
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: HTTPMessage, newurl: str
    ) -> urllib.request.Request | None:
        if urlsplit(newurl).scheme not in ("http", "https"):
            raise FetchProblem("refused", "redirects away from the web")
        return super().redirect_request(req, fp, code, msg, headers, newurl)


@dataclass
class Fetcher:
    """Fetches addresses one after the other.

    Args:
        contact: how a site's keeper reaches whoever runs this (an address or a page); part of the user agent.
        pause_s: least time between two requests to one host, seconds.
        timeout_s: longest silence of a server, seconds.
        tries: how often an address is tried.
        most_bytes: largest file taken.
    """

    contact: str = ""
    pause_s: float = 1.0
    timeout_s: float = 30.0
    tries: int = 4
    most_bytes: int = 40_000_000
    sleep: Callable[[float], None] = time.sleep
    clock: Callable[[], float] = time.monotonic
    _last: dict[str, float] = field(default_factory=dict)

    @property
    def user_agent(self) -> str:
        """Who asks, in the form that Wikimedia's user-agent policy wants."""
        contact = f"; {self.contact}" if self.contact else ""
        return f"coatclass-photos/{coatclass.__version__} (rebuilding a research data set{contact}) python-urllib"

    def get(self, address: str) -> Fetched:
        """The body of an http or https address.

        Raises:
            FetchProblem: if there is none to be had.
        """
        if urlsplit(address).scheme not in ("http", "https"):
            raise FetchProblem("refused", "is no web address")
        for attempt in range(self.tries):
            self._wait_for_our_turn(address)
            try:
                return self._once(address)
            except urllib.error.HTTPError as error:
                problem, wait = _reading(error, attempt)
            except (urllib.error.URLError, HTTPException, TimeoutError, ConnectionError) as error:
                problem, wait = FetchProblem("failed", f"no answer ({error})"), 2.0**attempt
            if problem.kind != "failed" or attempt + 1 == self.tries:
                break
            self.sleep(wait)
        raise problem

    def _wait_for_our_turn(self, address: str) -> None:
        host = urlsplit(address).netloc
        due = self._last.get(host, -1e9) + self.pause_s - self.clock()
        if due > 0:
            self.sleep(due)
        self._last[host] = self.clock()

    def _once(self, address: str) -> Fetched:
        request = urllib.request.Request(
            address, headers={"User-Agent": self.user_agent, "Accept": "image/*, text/html"}
        )
        with urllib.request.build_opener(_OnlyTheWeb).open(request, timeout=self.timeout_s) as answer:
            announced = int(answer.headers.get("Content-Length") or 0)
            if announced > self.most_bytes:
                raise FetchProblem("refused", f"is too large ({announced:,} bytes)")
            data = answer.read(self.most_bytes + 1)
            if len(data) > self.most_bytes:
                raise FetchProblem("refused", f"is too large (over {self.most_bytes:,} bytes)")
            if len(data) < announced:
                raise ConnectionError(f"{len(data):,} of {announced:,} bytes came")
            return Fetched(answer.geturl(), data, answer.headers.get_content_type())


def _reading(error: urllib.error.HTTPError, attempt: int) -> tuple[FetchProblem, float]:
    if error.code in _GONE:
        return FetchProblem("gone", f"is gone (HTTP {error.code})"), 0.0
    if error.code not in _AGAIN:
        return FetchProblem("refused", f"is refused (HTTP {error.code})"), 0.0
    asked = error.headers.get("Retry-After", "") if error.headers else ""
    wait = min(float(asked), _LONGEST_WAIT_S) if asked.isdigit() else 2.0**attempt
    return FetchProblem("failed", f"is not to be had now (HTTP {error.code})"), wait
