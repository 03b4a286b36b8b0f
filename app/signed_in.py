"""Who may enter: the sign-in form, and where those are led who may not see a page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, FastAPI, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app import accounts, first_account
from app.design import render
from app.errors import answer
from app.language import told
from coatclass.errors import RecordError
from coatclass.records import User, UserRole

HOMES = {UserRole.GROOMER: "/groomer/", UserRole.RESEARCHER: "/researcher/"}
router = APIRouter(include_in_schema=False)


def sign_in_page(app: FastAPI) -> None:
    """Serve the form under ``/sign-in``."""
    app.include_router(router)


@router.get("/sign-in")
def form(request: Request) -> Response:
    """The form; whoever is signed in already is led to the right side."""
    user = accounts.signed_in(request.app.state.records, request.cookies)
    if user is not None and "other" not in request.query_params:
        return RedirectResponse(HOMES[user.role], 303)
    first = first_account.may_be_made(request)
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


def may_enter_workbench(request: Request) -> Response | None:
    """Where a request to the workbench is led instead; None if its sender may enter."""
    try:
        user = who(request, *accounts.RESEARCHERS)
    except RecordError as error:
        return answer(503, error.code, error.problem, error.next_step, retry_after="5")
    if isinstance(user, User):
        return None
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        return user
    return answer(401, "forbidden", "You are not signed in.", "Sign in first.")
