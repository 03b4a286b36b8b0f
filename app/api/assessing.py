"""Assessing over HTTP for anybody: photos and answers in, an assessment out; schemas and drawings."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, File, Form, Request, UploadFile
from fastapi.responses import Response

from app.work import WorkQueue
from coatclass.contract import Assessment
from coatclass.errors import AnswersError, InputError, PhotoError

router = APIRouter(prefix="/api/v1", tags=["assess"])

Photos = Annotated[list[UploadFile] | None, File(description="photos of one dog: JPEG, PNG or WebP")]
AnswersText = Annotated[str | None, Form(description="answers as JSON, see /api/v1/schema/answers")]


@router.post("/assess")
async def assess(request: Request, photos: Photos = None, answers: AnswersText = None) -> Assessment:
    """Assess one dog from any number of photos, an answers file, or both; nothing is kept."""
    pictures = await read_uploads(request, photos or [])
    queue: WorkQueue = request.app.state.queue
    return await queue.run(_assess, pictures, answers)


@router.get("/schema/{of}")
def schema(of: Literal["assessment", "answers"]) -> dict[str, Any]:
    """The JSON Schema of an assessment or of an answers file."""
    if of == "assessment":
        return Assessment.model_json_schema(mode="serialization")
    from coatclass.answers import json_schema

    return dict(json_schema())


async def read_uploads(request: Request, uploads: list[UploadFile]) -> list[tuple[str, bytes]]:
    """Names and contents of uploaded photos, not more than a dog may have.

    Raises:
        PhotoError: if there are too many.
    """
    most = request.app.state.settings.limits["upload"]["photos_per_dog"]
    if len(uploads) > most:
        raise PhotoError("photos", f"are more than {most}.", f"Send the best {most} of them.", code="too_many_photos")
    return [(upload.filename or f"photo {number}", await upload.read()) for number, upload in enumerate(uploads, 1)]


def _assess(pictures: list[tuple[str, bytes]], answers: str | None) -> Assessment:
    from coatclass.answers import Answers, parse
    from coatclass.assessing import assess_readings
    from coatclass.estimating import read_photo

    given = Answers()
    if answers:
        given = parse(answers)
    elif not pictures:
        raise AnswersError("request", "holds neither a photo nor answers.", "Send at least one.", code="nothing_given")
    return assess_readings([read_photo(content, name=name) for name, content in pictures], given)


pictures_router = APIRouter(prefix="/pictures", tags=["pictures"])

_KEPT = {"cache-control": "public, max-age=86400"}


def _svg(text: str) -> Response:
    return Response(text, media_type="image/svg+xml", headers=_KEPT)


@pictures_router.get("/tools/{tool}.svg", response_class=Response)
def tool(tool: str) -> Response:
    """The working end of a tool, to scale."""
    from coatclass.toolkit import catalogue, drawing

    if tool not in catalogue():
        raise InputError("this tool", "is not in the catalogue.", "Take one that is.", code="not_found")
    return _svg(drawing(tool))


@pictures_router.get("/questions/{name}.svg", response_class=Response)
def question(name: str) -> Response:
    """What a question or an answer means."""
    from coatclass.answers import drawing, drawing_names

    if name not in drawing_names():
        raise InputError("this drawing", "is not there.", "Take one of the questionnaire's.", code="not_found")
    return _svg(drawing(name))
