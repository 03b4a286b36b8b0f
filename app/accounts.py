"""Who comes in: sign-in with a password, a session cookie, an owner's link, and what handlers ask.

Users, sessions and links live in the records, which keep only hashes of passwords and tokens.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import timedelta
from threading import BoundedSemaphore
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from app.errors import answer
from app.guard import Counts, OwnCounts, visitor_of
from coatclass import records
from coatclass.errors import RecordError
from coatclass.records import Dog, Records, User, UserRole
from coatclass.records.tables import folded

router = APIRouter(tags=["accounts"])

COOKIE = "coatclass_session"
_CHECK_WITHIN_S = 5.0
_MISMATCH = ("wrong", "Name or password is wrong.", "Check both, mind capitals.")


class Attempts:
    """Counts wrong passwords by address and name, and by address: past some, each makes the next from there wait.

    Nobody elsewhere waits: locking the name would let any outsider shut a user out. The counts are not kept as records.
    """

    _MOST_KEPT = 20_000

    def __init__(self, limits: Mapping[str, float], counts: Counts | None = None) -> None:
        self._limits = limits
        self._counts = counts or OwnCounts(self._MOST_KEPT)
        self.checking = BoundedSemaphore(int(limits["checked_at_once"]))

    def begin(self, address: str, name: str) -> float:
        """Count a try, before it is known to be right; return 0, or the seconds to wait before one is let in."""
        free = {key: self._limits[f"free_by_{by}"] for by, key in _keys(address, name).items()}
        with self._counts.changing(list(free)) as (kept, now):
            wait = max(self._wait(kept.get(key), most, now) for key, most in free.items())
            if wait <= 0:
                kept.update({key: (self._tries(kept.get(key), now) + 1, now) for key in free})
        return max(wait, 0.0)

    def succeeded(self, address: str, name: str) -> None:
        """The password was right: the tries for this name before it were slips.

        Those for other names stay counted, so that nobody who has an account guesses at others between two sign-ins.
        """
        own, everybody = _keys(address, name).values()
        with self._counts.changing([own, everybody]) as (kept, now):
            slips = self._tries(kept.pop(own, None), now)
            if everybody in kept:
                tries, at = kept[everybody]
                kept[everybody] = (max(0.0, tries - slips), at)

    def _tries(self, kept: tuple[float, float] | None, now: float) -> float:
        tries, at = kept or (0, now)
        return tries if now - at < self._limits["forgotten_after_s"] else 0

    def _wait(self, kept: tuple[float, float] | None, free: float, now: float) -> float:
        tries = self._tries(kept, now)
        if kept is None or tries < free:
            return 0.0
        wait: float = min(self._limits["longest_wait_s"], 2.0 ** (tries - free))
        return wait - max(0.0, now - kept[1])  # a clock may be put back, which must not keep anybody out


def _keys(address: str, name: str) -> dict[str, tuple[str, ...]]:
    return {"name": ("sign-in", address, name), "address": ("sign-in", address)}


class SignInError(Exception):
    """Sign-in was refused: status, code, what is wrong, what to do, and the seconds to wait if any."""

    def __init__(self, status: int, code: str, problem: str, next_step: str, wait_s: int = 0) -> None:
        super().__init__(problem)
        self.status, self.code, self.problem, self.next_step = status, code, problem, next_step
        self.headers = {"retry_after": str(wait_s)} if wait_s else {}


def enter(request: Request, name: str, password: str) -> tuple[User, str]:
    """Who has this name and password, and a new session's token.

    Raises:
        SignInError: if nobody has, or there were too many tries.
    """
    salon: Records = request.app.state.records
    attempts: Attempts = request.app.state.attempts
    address, known_as = visitor_of(request.scope), folded(name)[:200]  # one count for all spellings that find a user
    if wait := math.ceil(attempts.begin(address, known_as)):
        raise SignInError(
            429, "too_many", "Too many wrong tries from here.", f"Wait {wait} s and try again.", wait_s=wait
        )
    user = records.find_user(salon, name)
    if not attempts.checking.acquire(timeout=_CHECK_WITHIN_S):
        raise SignInError(503, "busy", "Many people are signing in.", "Try again in a moment.", wait_s=5)
    try:
        right = records.password_matches(password, user)
    finally:
        attempts.checking.release()
    # The same words in either case: they must not reveal whether a name is known.
    if user is None or not right or user.disabled:
        raise SignInError(401, *_MISMATCH)
    attempts.succeeded(address, known_as)
    return user, records.start_session(salon, user, valid_for=_session_length(request))


def let_in(request: Request, response: Response, token: str) -> Response:
    """The response with the session's cookie, which no script can read and other sites' pages don't send.

    The session that the browser came with ends: nobody is left signed in behind somebody else.
    """
    if before := request.cookies.get(COOKIE):
        records.end_session(request.app.state.records, before)
    seconds = int(_session_length(request).total_seconds())
    secure = request.app.state.settings.secure_cookies
    response.set_cookie(COOKIE, token, max_age=seconds, httponly=True, samesite="strict", secure=secure, path="/")
    return response


def let_out(request: Request, response: Response) -> Response:
    """End the session that a request comes with."""
    token = request.cookies.get(COOKIE)
    if token:
        records.end_session(request.app.state.records, token)
    response.delete_cookie(COOKIE, path="/")
    return response


def _session_length(request: Request) -> timedelta:
    return timedelta(hours=request.app.state.settings.limits["session"]["hours"])


@router.post("/api/v1/sign-in")
def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=200)],
    password: Annotated[str, Form(max_length=1000)],
) -> Response:
    """Sign in; sets a cookie that no script can read and that other sites' pages don't send."""
    try:
        user, token = enter(request, name, password)
    except SignInError as error:
        return answer(error.status, error.code, error.problem, error.next_step, **error.headers)
    return let_in(request, JSONResponse({"name": user.name, "role": user.role}), token)


@router.post("/api/v1/sign-out")
def sign_out(request: Request) -> Response:
    """Sign out here."""
    return let_out(request, JSONResponse({"signed_in": False}))


class SignedIn(BaseModel):
    """Who is signed in."""

    name: str
    role: UserRole


@router.get("/api/v1/signed-in")
def who_is_signed_in(request: Request) -> SignedIn:
    """Whose cookie this is; refused if it is nobody's any more."""
    user = require(request.app.state.records, request.cookies, *UserRole)
    return SignedIn(name=user.name, role=user.role)


def signed_in(salon: Records, cookies: Mapping[str, str]) -> User | None:
    """Who is signed in with a request's cookies, if anybody."""
    token = cookies.get(COOKIE)
    return records.session_user(salon, token) if token else None


RESEARCHERS = (UserRole.RESEARCHER, UserRole.GROOMER)
"""Who may see what researchers see."""


class ForbiddenError(RecordError):
    """Whoever asks may not see this."""

    def __init__(self) -> None:
        super().__init__("this page", "is not for you, or you are not signed in.", "Sign in first.", code="forbidden")


def require(salon: Records, cookies: Mapping[str, str], *roles: UserRole) -> User:
    """The signed-in user, if in one of the roles; every handler behind the sign-in calls this first.

    Raises:
        ForbiddenError: otherwise.
    """
    user = signed_in(salon, cookies)
    if user is None or user.role not in roles:
        raise ForbiddenError
    return user


def groomer(request: Request) -> User:
    """As a dependency: only groomers pass."""
    return require(request.app.state.records, request.cookies, UserRole.GROOMER)


def researcher(request: Request) -> User:
    """As a dependency: groomers and researchers pass."""
    return require(request.app.state.records, request.cookies, *RESEARCHERS)


def dog_of_link(salon: Records, token: str) -> Dog:
    """The one dog that an owner's link shows.

    Raises:
        RecordError: if the link is unknown or has expired; both sound the same.
    """
    dog = records.linked_dog(salon, token)
    if dog is None:
        raise RecordError(
            "this link",
            "leads nowhere, or its time is up.",
            "Copy the whole address again, or ask your groomer for a new link.",
            code="not_found",
        )
    return dog


Groomer = Annotated[User, Depends(groomer)]
Researcher = Annotated[User, Depends(researcher)]
