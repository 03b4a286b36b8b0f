"""Our own drawings of tools and home checks, for every page; the same for everybody, so browsers may keep them."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from coatclass.errors import InputError

router = APIRouter(prefix="/pictures", tags=["pictures"])

_KEPT = {"cache-control": "public, max-age=86400"}


def _svg(text: str) -> Response:
    return Response(text, media_type="image/svg+xml", headers=_KEPT)


@router.get("/tools/{tool}.svg", response_class=Response)
def tool(tool: str) -> Response:
    """The working end of a tool, to scale."""
    from coatclass.toolkit import catalogue, drawing

    if tool not in catalogue():
        raise InputError("this tool", "is not in the catalogue.", "Take one that is.", code="not_found")
    return _svg(drawing(tool))


@router.get("/questions/{name}.svg", response_class=Response)
def question(name: str) -> Response:
    """What a question or an answer means."""
    from coatclass.answers import drawing, drawing_names

    if name not in drawing_names():
        raise InputError("this drawing", "is not there.", "Take one of the questionnaire's.", code="not_found")
    return _svg(drawing(name))
