"""The researcher's pages, ``/researcher`` and ``/workbench``; groomers may look as well."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import Response

from app import accounts, pages, signed_in
from app.api.research import HOW, evaluation_files
from app.design import render
from app.researcher import holding
from coatclass.records import Finding, User, UserRole

router = APIRouter(include_in_schema=False)


def researcher_page(app: FastAPI) -> None:
    """Serve it under ``/researcher``."""
    app.include_router(router)
    if app.state.settings.workbench:
        from app.researcher._workbench import workbench

        workbench(app)


@router.get("/researcher")
@router.get("/researcher/")
async def page(request: Request) -> Response:
    """Findings without names, and how well the release does."""
    user = signed_in.who(request, *accounts.RESEARCHERS)
    if isinstance(user, Response):
        return user

    def problem(what: str, next_step: str, status: int) -> str:
        return render("salon_problem.html", side="groomer", user=user, problem=what, next_step=next_step)

    return await pages.answer(request, _view, request.app.state, user, problem=problem, safe="what was saved is safe.")


def _view(state: Any, user: User) -> str:
    findings = state.records.find(Finding)
    return render(
        "research.html",
        side="groomer",
        user=user,
        findings=len(findings),
        dogs=len({one.dog_id for one in findings}),
        files=evaluation_files(),
        how=HOW,
        workbench=state.settings.workbench,
        salon=user.role is UserRole.GROOMER,
        holds=holding.values(state.records, invented=state.settings.demo),
    )
