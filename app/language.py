"""In which language a page is read: the one chosen there, else the first of the browser's that has a folder of words.

The language belongs to a request, as the time zone of a clock belongs to a room: whatever makes a view, a file or a
refusal asks :func:`spoken` or :func:`words`, in whichever thread it works. Rooms below ``app`` take it as an argument.
"""

from __future__ import annotations

import re
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from urllib.parse import parse_qsl, quote, urlencode

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from coatclass.words import LANGUAGES, Catalogue, about, catalogue, in_language

COOKIE = "coatclass_language"
ASKED = "language"
"""Behind the question mark of a page's address: the language to be kept from now on."""
_KEPT_S = 365 * 24 * 3600
_SALON = ("/groomer", "/sign-in", "/researcher", "/workbench")
_ROOMS = {"/owner": "owner", **dict.fromkeys(_SALON, "groomer")}
"""The room of texts that a page can't do without, by the beginning of its address."""
_PAGES = re.compile(r"/(owner|groomer|researcher)(/.*)?|/sign-in|/first-account|/")


@dataclass(frozen=True)
class Audience:
    """Who reads an answer: in which language, at which address (path and query, without the choice), and in which
    languages that page is to be had."""

    language: str = LANGUAGES[0]
    address: str = "/"
    known: tuple[str, ...] = LANGUAGES


@dataclass(frozen=True)
class LanguageChoice:
    """One language of the switch: its code, its own name, where a press on it leads, and whether it is spoken now."""

    language: str
    name: str
    address: str
    chosen: bool


_READER: ContextVar[Audience] = ContextVar("reader", default=Audience())  # noqa: B039 (it is frozen)


def spoken() -> str:
    """Code of the language of the request that is being answered; English outside of one."""
    return _READER.get().language


def words(room: str = "") -> Catalogue:
    """What is said in that language; ``room`` as in :func:`coatclass.words.catalogue`."""
    return catalogue(spoken(), room)


def told(text: str) -> str:
    """A refusal that was made in English, in that language."""
    return in_language(text, spoken())


def choices() -> tuple[LanguageChoice, ...]:
    """Every language that there is, with the address of the same page in it."""
    reader = _READER.get()
    joint = "&" if "?" in reader.address else "?"
    return tuple(
        LanguageChoice(one, about(one).name, f"{reader.address}{joint}{ASKED}={one}", one == reader.language)
        for one in reader.known
    )


def languages_of(path: str) -> tuple[str, ...]:
    """Languages in which a page is to be had: those with all the texts of its side."""
    return _languages_in(next((room for start, room in _ROOMS.items() if path.startswith(start)), ""))


@cache  # by room, not by address: strangers may send any number of addresses
def _languages_in(room: str) -> tuple[str, ...]:
    return tuple(one for one in LANGUAGES if catalogue(one, room).language == one) if room else LANGUAGES


def preferred(accepted: str) -> str:
    """The first language of an ``Accept-Language`` header that there is; English if there is none of them.

    Ranges and weights as in RFC 9110, section 12.5.4; of a range only the language counts (``de-AT`` is ``de``).
    """
    weighed = []
    for place, part in enumerate(accepted[:1000].split(",")):
        name, _, weight = part.partition(";")
        language = name.strip().split("-")[0].casefold()
        try:
            weighed.append((-float(weight.strip().removeprefix("q=") or 1), place, language))
        except ValueError:
            continue
    there = [language for less, _, language in sorted(weighed) if language in LANGUAGES and less]
    return there[0] if there else LANGUAGES[0]


class ReaderOf:
    """Tells everything behind it who reads, and keeps a choice in a cookie."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers, path = Headers(scope=scope), quote(scope["path"])
        asked = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        rest = urlencode([pair for pair in asked if pair[0] != ASKED])
        address = f"{path}?{rest}" if rest else path
        chosen = next((value for name, value in asked if name == ASKED), None)
        if chosen is not None and scope["method"] in ("GET", "HEAD") and _PAGES.fullmatch(path):
            await _keep(chosen, address)(scope, receive, send)
            return
        kept = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
        known = languages_of(path)
        language = kept if kept in LANGUAGES else preferred(headers.get("accept-language", ""))
        _READER.set(Audience(language if language in known else known[0], address, known))
        await self.app(scope, receive, send)


def _keep(language: str, address: str) -> RedirectResponse:
    """To the same page without the choice in its address; an unknown language changes nothing."""
    answer = RedirectResponse(address, 303)
    if language in LANGUAGES:
        answer.set_cookie(COOKIE, language, max_age=_KEPT_S, samesite="lax")
    return answer
