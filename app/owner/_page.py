"""The owner's page at ordinary addresses, ``/owner/STEP?dog=TOKEN``; the link alone leads to where one left off."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import RedirectResponse, Response

from app import pages
from app.design import address
from app.owner import views

router = APIRouter(include_in_schema=False)


def owner_page(app: FastAPI) -> None:
    """Serve it under ``/owner``."""
    app.include_router(router)


@router.get("/owner")
@router.get("/owner/{step:path}")
async def page(request: Request, step: str = "", dog: str = "") -> Response:
    """A step of the owner's way; without a link the first page."""
    wish = views.Wish.read(dog, step, request.cookies)

    def problem(what: str, next_step: str, status: int) -> str:
        token = "" if status == 404 else wish.token
        return views.problem(views.Wish(token, wish.step), what, next_step)

    return await pages.answer(request, _shown, request.app.state, wish, problem=problem, safe="your entries are safe.")


def _shown(state: Any, wish: views.Wish) -> str | Response:
    if not wish.token and wish.step:
        return RedirectResponse("/owner/", 303)
    if wish.token and wish.step in ("", "next"):
        return RedirectResponse(address("owner", views.due(state, wish), wish.token), 303)
    return views.view(state, wish)
