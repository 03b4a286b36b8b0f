"""The researcher's page under ``/researcher``; groomers may look as well."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI

from app.api.research import HOW, evaluation_files
from app.design import render
from app.signed_in import page_for
from coatclass.records import Finding, User, UserRole


def researcher_page(app: FastAPI) -> None:
    """Mount it."""
    page_for(app, "/researcher", "coatclass for researchers", (UserRole.RESEARCHER, UserRole.GROOMER), _view)


def _view(state: Any, user: User, said: Mapping[str, Any]) -> str:
    findings = state.records.find(Finding)
    return render(
        "research.html",
        side="groomer",
        user=user,
        findings=len(findings),
        dogs=len({one.dog_id for one in findings}),
        files=evaluation_files(),
        how=HOW,
        salon=user.role is UserRole.GROOMER,
    )
