"""The pages at the door: the sign-in form, where those are led who may not see a page, and the first account.

While the records know nobody who may sign in, a start prints a code; it makes the first groomer's account, once, for
whoever can read this program's terminal. It is good for a while, and lives in this process only.
"""

from __future__ import annotations

import hmac
import math
import secrets
import time
from collections.abc import Callable, Mapping
from threading import Lock
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app import accounts
from app.design import render
from app.errors import answer, page_or_problem, problem_of, status_of, without_inside
from app.guard import visitor_of
from app.language import told
from coatclass.errors import RecordError
from coatclass.records import SHORTEST_PASSWORD, Records, User, UserRole, add_user
from coatclass.words import catalogue

HOMES = {UserRole.GROOMER: "/groomer/", UserRole.RESEARCHER: "/researcher/"}
PATH = "/first-account"
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # no two are easily confused
_GROUPS, _GROUP = 3, 4  # 60 bits: far more than guesses that are slowed down can reach
router = APIRouter(include_in_schema=False)


@router.get("/sign-in")
def form(request: Request) -> Response:
    """The form; whoever is signed in already is led to the right side."""
    user = accounts.signed_in(request.app.state.records, request.cookies)
    if user is not None and "other" not in request.query_params:
        return RedirectResponse(HOMES[user.role], 303)
    first = may_be_made(request)
    return HTMLResponse(_form(user=user, ended="ended" in request.query_params, first=first))


@router.post("/sign-in")
def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """The form as it was filled in: to the own side, or back to it in words."""
    try:
        user, token = accounts.enter(request, name, password)
    except accounts.SignInError as error:
        page = _form(name=name, problem=f"{told(error.problem)} {told(error.next_step)}")
        return HTMLResponse(page, error.status, {key.replace("_", "-"): one for key, one in error.headers.items()})
    return accounts.let_in(request, RedirectResponse(HOMES[user.role], 303), token)


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """Out, and back to the form."""
    return accounts.let_out(request, RedirectResponse("/sign-in", 303))


def _form(
    *, user: User | None = None, ended: bool = False, first: bool = False, name: str = "", problem: str = ""
) -> str:
    return render("sign_in.html", side="groomer", user=user, ended=ended, first=first, name=name, problem=problem)


def who(request: Request, *roles: UserRole) -> User | Response:
    """Who asks for a page, if in one of the roles; otherwise the way to the sign-in."""
    user = accounts.signed_in(request.app.state.records, request.cookies)
    if user is not None and user.role in roles:
        return user
    why = "other" if user is not None else "ended" if accounts.COOKIE in request.cookies else ""
    return RedirectResponse(f"/sign-in?{why}=1" if why else "/sign-in", 303)


async def salon_page(
    request: Request, roles: tuple[UserRole, ...], view: Callable[..., str | Response], *args: Any
) -> Response:
    """A view of the salon's side for whoever is signed in, in one of the roles; others are led to the sign-in."""
    known: list[User] = []

    def shown() -> str | Response:
        user = who(request, *roles)
        if isinstance(user, Response):
            return user
        known.append(user)
        return view(request.app.state, user, *args)

    def problem(what: str, next_step: str, status: int) -> str:
        user = known[0] if known else None
        return render("salon_problem.html", side="groomer", user=user, problem=what, next_step=next_step)

    return await page_or_problem(request, shown, problem=problem, safe="what was saved is safe.")


def may_enter_workbench(request: Request) -> Response | None:
    """Where a request to the workbench is led instead; None if its sender may enter."""
    try:
        user = who(request, *accounts.RESEARCHERS)
    except RecordError as error:
        shown = without_inside(error)
        return answer(503, shown.code, problem_of(shown), shown.next_step, retry_after="5")
    if isinstance(user, User):
        return None
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        return user
    return answer(401, "forbidden", "You are not signed in.", "Sign in first.")


# --- the first groomer's account --------------------------------------------------------------------------------------


class FirstAccount:
    """The way to the first account, closed for good once there is any, or the code's time is up.

    Attributes:
        code: to be typed on the page, printed in the terminal; empty if there was somebody at the start.
    """

    def __init__(
        self, salon: Records, limits: Mapping[str, float], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._salon, self._clock, self._lock = salon, clock, Lock()
        self.minutes = int(limits["code_minutes"])
        self._until = clock() + 60 * self.minutes
        self.code = "" if _anybody(salon) else _new_code()

    @property
    def open(self) -> bool:
        """Whether the code would be taken now."""
        return bool(self.code) and self._clock() < self._until and not _anybody(self._salon)

    def make(self, code: str, name: str, password: str) -> User:
        """The first groomer; the code is spent.

        Raises:
            RecordError: ``forbidden`` if the way is closed or the code is wrong; ``short``, ``bad_value``.
        """
        with self._lock:
            if not self.open:
                raise _closed()
            if not hmac.compare_digest(_plain(code).encode(), _plain(self.code).encode()):
                raise RecordError(
                    "this code", "is not the one in the terminal.", "Read it there again.", code="forbidden"
                )
            user = add_user(self._salon, name, password, UserRole.GROOMER)
            self.code = ""
            return user


def _anybody(salon: Records) -> bool:
    with salon.read() as reader:
        return reader.count(User) > 0


def _new_code() -> str:
    letters = [secrets.choice(_LETTERS) for _ in range(_GROUPS * _GROUP)]
    return "-".join("".join(letters[at : at + _GROUP]) for at in range(0, len(letters), _GROUP))


def _plain(code: str) -> str:
    """As it is compared: without what people put between the groups, in capitals."""
    return "".join(letter for letter in code.upper() if letter.isalnum())


def _closed() -> RecordError:
    return RecordError(
        "the first account",
        "can't be made here: there is one already, or the code's time is up.",
        "Sign in, or start the program again for a new code.",
        code="forbidden",
    )


def _way(request: Request) -> FirstAccount | None:
    way: FirstAccount | None = request.app.state.first_account
    return way if way is not None and way.open else None


def may_be_made(request: Request) -> bool:
    """Whether the sign-in should lead here."""
    return _way(request) is not None


def invitation(app: FastAPI, address: str, tongue: str) -> str:
    """What the terminal says of the first account; empty if there is no need of one."""
    way: FirstAccount | None = app.state.first_account
    if way is None or not way.code:
        return ""
    page = f"{address.rstrip('/')}{PATH}"
    return catalogue(tongue, "terminal").say("first_account", page=page, code=way.code, minutes=way.minutes)


@router.get(PATH)
def account_form(request: Request) -> Response:
    """Code, name and password; the sign-in once there is somebody."""
    return HTMLResponse(_account_form()) if may_be_made(request) else RedirectResponse("/sign-in", 303)


@router.post(PATH)
def make_account(
    request: Request,
    code: Annotated[str, Form(max_length=100)] = "",
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Create the account and sign in, or say why not."""
    attempts: accounts.Attempts = request.app.state.attempts
    if wait := math.ceil(attempts.begin(visitor_of(request.scope), PATH)):
        said = f"{told('Too many wrong tries from here.')} {told(f'Wait {wait} s and try again.')}"
        return HTMLResponse(_account_form(name=name, problem=said), 429, {"retry-after": str(wait)})
    try:
        way = _way(request)
        if way is None:
            raise _closed()
        way.make(code, name, password)
        _, token = accounts.enter(request, name, password)
    except accounts.SignInError:  # too busy to check a password now
        return RedirectResponse("/sign-in", 303)
    except RecordError as error:
        said = f"{problem_of(error)} {told(without_inside(error).next_step)}"
        return HTMLResponse(_account_form(name=name, problem=said), status_of(error))
    return accounts.let_in(request, RedirectResponse("/groomer/", 303), token)


def _account_form(*, name: str = "", problem: str = "") -> str:
    return render("first_account.html", side="groomer", name=name, problem=problem, shortest=SHORTEST_PASSWORD)
