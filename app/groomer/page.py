"""The groomer's pages at ordinary addresses, ``/groomer/STEP``."""

from __future__ import annotations

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import Response

from app import pages, signed_in
from app.groomer import _views as views
from coatclass.records import UserRole

router = APIRouter(include_in_schema=False)


def groomer_page(app: FastAPI) -> None:
    """Serve them under ``/groomer``."""
    app.include_router(router)


@router.get("/groomer")
@router.get("/groomer/{step:path}")
async def page(request: Request, step: str = "") -> Response:
    """A step of the salon's day, for groomers."""
    user = signed_in.who(request, UserRole.GROOMER)
    if isinstance(user, Response):
        return user
    wish = views.Wish.read(step, request.query_params)

    def problem(what: str, next_step: str, status: int) -> str:
        return views.problem(user, what, next_step)

    state = request.app.state
    return await pages.answer(request, views.view, state, user, wish, problem=problem, safe="what was saved is safe.")
