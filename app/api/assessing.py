"""Photos and answers in, an assessment out; and what all handlers share: ids, records, downloads, confirmations."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, File, Form, Path, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from app import cases
from app.groomer import dog_file as files
from app.language import spoken
from app.looking import Looks
from app.work import WorkQueue
from coatclass import learning
from coatclass.contract import Assessment
from coatclass.errors import AnswersError, InputError, PhotoError
from coatclass.learning import LearnedModel, Shelf
from coatclass.presentation import Presentation
from coatclass.records import FIRST_DAY, LAST_DAY, Records

AnyDogId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$", description="id of the dog")]
RecordId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$", description="id of the record")]
Sought = Annotated[str, Query(max_length=200, description="words to look for; empty for all")]


async def _language(language: Annotated[str | None, Query(pattern="^[a-z]{2}$")] = None) -> str:
    """The language asked for, else the reader's."""
    return language or spoken()


Language = Annotated[str, Depends(_language)]
"""Of a sheet or calendar."""

Day = Annotated[date, Field(ge=FIRST_DAY, le=LAST_DAY)]
Moment = Annotated[
    AwareDatetime,
    Field(ge=datetime.combine(FIRST_DAY, time(), UTC), le=datetime.combine(LAST_DAY, time(), UTC)),
]

REFUSALS: dict[int | str, dict[str, Any]] = {
    403: {"description": "not signed in, or not in this role"},
    404: {"description": "not there"},
    409: {"description": "in conflict with what is there"},
}


class Entry(BaseModel):
    """What is sent; unknown fields are refused."""

    model_config = ConfigDict(extra="forbid")


class Edit(Entry):
    """A change of some fields of what is kept; those that are not sent stay as they are."""

    seen: dict[str, str | float | None] = Field(
        max_length=20, description="how each field that is sent read before; if it reads otherwise by now: 409"
    )

    def changes(self) -> dict[str, Any]:
        """The fields that were sent."""
        return self.model_dump(mode="json", exclude_unset=True, exclude={"seen"})


class Confirmation(Entry):
    """The name of what is to be deleted, typed once more."""

    name: Annotated[str, Field(max_length=200)]


class Duplicate(Entry):
    """The record that is to go; what belongs to it moves to the one in the address."""

    duplicate: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]


def salon_of(request: Request) -> Records:
    """The records of this server."""
    salon: Records = request.app.state.records
    return salon


def _seen_by_salon(request: Request, dog_id: AnyDogId) -> str:
    files.refuse_hidden(salon_of(request), dog_id)
    return dog_id


DogId = Annotated[str, Depends(_seen_by_salon)]
"""Of a dog that the salon may see; one that its owner keeps or has taken back is not there. Stands after ``who``."""


def looks_of(request: Request) -> Looks:
    """The looks at photos of this server."""
    looks: Looks = request.app.state.looks
    return looks


def shelf_of(request: Request) -> Shelf:
    """The learned versions of this server."""
    return learning.shelf_of(salon_of(request))


def learned_of(request: Request) -> LearnedModel:
    """The learned version in use."""
    return cases.learned(salon_of(request))


async def working(request: Request, function: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
    """Run what takes long in the queue, outside the event loop, as long as somebody waits for it."""
    return await request.app.state.queue.run(function, *args, asker=request, **kwargs)


def download(content: bytes | str, kind: str, name: str, *, inline: bool = False) -> Response:
    """A file to keep, or to show."""
    how = "inline" if inline else "attachment"
    return Response(content, media_type=kind, headers={"content-disposition": f'{how}; filename="{name}"'})


def paper_of(
    request: Request,
    paper: Annotated[Literal["A4", "Letter"] | None, Query(description="the salon's if absent")] = None,
) -> str:
    """The paper to print on: the one asked for, or the salon's."""
    return paper or cases.paper_of(salon_of(request))


Paper = Annotated[str, Depends(paper_of)]
Printed = Literal["sheet.html", "sheet.pdf", "shop.pdf"]
"""What there is to print of a plan: the home-care sheet as a page or PDF, and the shop card in true size."""


def printed(
    plan: Presentation, what: Printed, paper: str = "A4", *, picture: bytes = b"", link: str = "", annex: bool = True
) -> bytes:
    """A plan on paper.

    Args:
        picture: the dog's photo as a file, empty without one.
        link: the private link that stands on a sheet; empty for none.
        annex: whether the details follow the first page of a sheet as a PDF.
    """
    from coatclass import reports

    photo = reports.small_photo(picture) if picture and what != "shop.pdf" else b""
    if what == "sheet.html":
        return reports.sheet_html(plan, link=link, photo=photo).encode()
    return (
        reports.shop_card_pdf(plan, paper)
        if what == "shop.pdf"
        else reports.sheet_pdf(plan, paper, link=link, photo=photo, annex=annex)
    )


# --- one dog, of which nothing is kept --------------------------------------------------------------------------------

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
