"""Who comes in: sign-in with a password, a session cookie, an owner's link, and what handlers ask.

Users, sessions and links live in the records, which keep only hashes of passwords and tokens.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from app.errors import answer
from coatclass import records
from coatclass.errors import RecordError
from coatclass.records import Dog, Records, User, UserRole

router = APIRouter(tags=["accounts"])

COOKIE = "coatclass_session"
_MISMATCH = (
    "wrong",
    "Name or password is wrong, or there were too many tries.",
    "Check both, mind capitals; after some wrong tries wait a while.",
)


@router.post("/api/v1/sign-in")
def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=200)],
    password: Annotated[str, Form(max_length=1000)],
) -> Response:
    """Sign in; sets a cookie that no script can read and that other sites' pages don't send."""
    salon: Records = request.app.state.records
    limits = request.app.state.settings.limits
    user = records.find_user(salon, name)
    right = records.password_matches(password, user)
    if user is None:
        return answer(401, *_MISMATCH)
    if not records.may_sign_in(user):
        return answer(401, *_MISMATCH)  # the same words: a lock must not tell that the name is known
    lockout = timedelta(minutes=limits["lockout"]["minutes"])
    records.note_sign_in(salon, user, succeeded=right, most_failures=limits["lockout"]["failures"], lock_for=lockout)
    if not right:
        return answer(401, *_MISMATCH)
    hours = timedelta(hours=limits["session"]["hours"])
    token = records.start_session(salon, user, valid_for=hours)
    response = JSONResponse({"name": user.name, "role": user.role})
    secure = request.app.state.settings.secure_cookies
    response.set_cookie(
        COOKIE, token, max_age=int(hours.total_seconds()), httponly=True, samesite="strict", secure=secure, path="/"
    )
    return response


@router.post("/api/v1/sign-out")
def sign_out(request: Request) -> Response:
    """Sign out here."""
    token = request.cookies.get(COOKIE)
    if token:
        records.end_session(request.app.state.records, token)
    response = JSONResponse({"signed_in": False})
    response.delete_cookie(COOKIE, path="/")
    return response


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
    return require(request.app.state.records, request.cookies, UserRole.RESEARCHER, UserRole.GROOMER)


def dog_of_link(salon: Records, token: str) -> Dog:
    """The one dog that an owner's link shows.

    Raises:
        RecordError: if the link is unknown or has expired; both sound the same.
    """
    dog = records.linked_dog(salon, token)
    if dog is None:
        raise RecordError(
            "this link", "leads nowhere, or its time is up.", "Ask your groomer for a new one.", code="not_found"
        )
    return dog


Groomer = Annotated[User, Depends(groomer)]
Researcher = Annotated[User, Depends(researcher)]
