"""The groomer's page under ``/groomer``."""

from __future__ import annotations

from fastapi import FastAPI

from app.groomer._views import view
from app.signed_in import page_for
from coatclass.records import UserRole


def groomer_page(app: FastAPI) -> None:
    """Mount it."""
    page_for(app, "/groomer", "coatclass for groomers", (UserRole.GROOMER,), view)
