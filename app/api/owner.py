"""An owner's dog over HTTP: whoever has the link sees and changes this one dog, nobody else's."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

from fastapi import APIRouter, Body, File, Request, UploadFile
from fastapi.responses import HTMLResponse, Response
from pydantic import BaseModel, Field, computed_field

from app.api.assessing import Language, Paper, Printed, printed, read_uploads
from app.language import spoken
from app.looking import overlay
from app.owner import dog as owners
from coatclass import reasons
from coatclass.contract import Assessment, PhotoReport
from coatclass.errors import PhotoError
from coatclass.presentation import Presentation
from coatclass.records import Photo, Records, Sharing

router = APIRouter(prefix="/api/v1/dogs/by-link", tags=["owner"])
T = TypeVar("T")

Mark = Annotated[list[float], Field(min_length=2, max_length=2)]
_PRIVATE = {"cache-control": "private, no-store"}  # a link that was revoked shows nothing any more


class Named(BaseModel):
    """How the dog is called."""

    name: Annotated[str, Field(max_length=200)] = ""


class Beginning(Named):
    """A new dog: its name, and whom the owner does this for."""

    meant_for: Literal["self", "groomer"] = "self"


class Sender(BaseModel):
    """Who sends a dog to the salon, and how to reach that person."""

    name: Annotated[str, Field(max_length=200)]
    reach: Annotated[str, Field(max_length=200)]


class Shared(BaseModel):
    """Who sees the dog besides whoever has its link."""

    sharing: Sharing


class Started(BaseModel):
    """A new dog: the token of its link, and until when the link leads to it."""

    token: str
    days: int


class KeptPhoto(BaseModel):
    """A photo and what was said of it; no id if it was refused and is not kept. ``told``: the reader's language."""

    id: str | None
    width: int | None = None
    height: int | None = None
    report: PhotoReport

    @computed_field
    def told(self) -> str:
        """Why, in one or more sentences; empty if nothing is wrong with it."""
        return " ".join(reasons.said(one, spoken()) for one in self.report.reasons)


class State(BaseModel):
    """Everything the link shows of the dog's entries."""

    name: str
    answers: dict[str, Any]
    photos: list[KeptPhoto]


class Marks(BaseModel):
    """Marks in one picture, px: a bank card's four corners and the hair's ends (or points along it)."""

    corners: Annotated[list[Mark], Field(min_length=4, max_length=4)]
    hair: Annotated[list[Mark], Field(min_length=2, max_length=50)]
    click_error_px: Annotated[float, Field(gt=0, le=200)] = 3.0
    keep: bool = False


class ToolMarks(BaseModel):
    """Marks in one picture of a tool, px: a card or a ruler, a pin's ends, two neighbours."""

    kind: Annotated[str, Field(min_length=1, max_length=60)]
    pin_tip: Literal["plain", "ball", "coated", "plastic"] | None = None
    stiffness: Literal["soft", "medium", "firm", "extra_stiff"] | None = None
    scale: Annotated[list[Mark], Field(min_length=2, max_length=4)] | None = None
    ruler_mm: Annotated[float, Field(gt=0, le=1000)] | None = None
    pin: Annotated[list[Mark], Field(min_length=2, max_length=2)] | None = None
    gap: Annotated[list[Mark], Field(min_length=2, max_length=2)] | None = None
    click_error_px: Annotated[float, Field(gt=0, le=200)] = 3.0
    keep: bool = False


class ToolSaid(BaseModel):
    """What a tool is for on this dog: its measures, which tool it may be, and the verdict in words."""

    pin_mm: float | None
    gap_mm: float | None
    says: list[str]
    kept: bool


class Erased(BaseModel):
    """What became of a dog whose owner wants everything gone: whether a salon still has records of its own."""

    all_gone: bool


class Length(BaseModel):
    """A length with its 95 % interval, mm."""

    length_mm: float
    low_mm: float
    high_mm: float
    kept: bool


async def _working(request: Request, function: Callable[..., T], *args: Any, dear: bool = False) -> T:
    """Work for the link of a request, in the queue; the same asked for twice at a time is done once."""
    token, queue = request.path_params["token"], request.app.state.queue
    found: T = await queue.run(
        function, request, token, *args, dear=dear, key=(function.__qualname__, token, args), asker=request
    )
    return found


def _salon(request: Request) -> Records:
    salon: Records = request.app.state.records
    return salon


@router.post("", status_code=201)
def start(request: Request, named: Beginning) -> Started:
    """Begin with a new dog; the answer holds the only copy of its link."""
    days = int(request.app.state.settings.limits["link"]["days"])
    _, token = owners.start(_salon(request), named.name, days=days, for_groomer=named.meant_for == "groomer")
    return Started(token=token, days=days)


@router.get("/{token}")
async def state(request: Request, token: str) -> State:
    """Name, answers and photos of the dog."""
    return await _working(request, _state)


def _state(request: Request, token: str) -> State:
    salon, looks = _salon(request), request.app.state.looks
    of = owners.find(salon, token)
    photos = [_kept(*one) for one in zip(of.photos, looks.reports(salon, of.photos), strict=True)]
    return State(name=of.name, answers=of.answers.model_dump(mode="json", exclude_none=True), photos=photos)


def _kept(photo: Photo, report: PhotoReport) -> KeptPhoto:
    return KeptPhoto(id=photo.id, width=photo.width, height=photo.height, report=report)


@router.patch("/{token}")
def rename(request: Request, token: str, named: Named) -> Named:
    """Call the dog by its name."""
    return Named(name=owners.rename(_salon(request), token, named.name).name)


@router.delete("/{token}")
def erase(request: Request, token: str) -> Erased:
    """Erase everything the owner gave, and end the link. What a salon entered itself stays with the salon."""
    return Erased(all_gone=owners.erase(_salon(request), token))


@router.post("/{token}/request")
def send(request: Request, token: str, sender: Sender) -> Shared:
    """Send the dog to the salon with a name and a way to reach; its list shows it until a groomer answers."""
    return Shared(sharing=owners.send(_salon(request), token, sender.name, sender.reach).sharing)


@router.delete("/{token}/request")
def take_back(request: Request, token: str) -> Shared:
    """Take a request back that nobody has answered; the salon sees the dog no more."""
    return Shared(sharing=owners.take_back(_salon(request), token).sharing)


@router.patch("/{token}/answers")
def save(request: Request, token: str, answers: Annotated[dict[str, Any], Body()]) -> dict[str, Any]:
    """Keep some answers at once; null takes one back. All answers come back."""
    return owners.save_answers(_salon(request), token, answers).model_dump(mode="json", exclude_none=True)


@router.post("/{token}/photos")
async def add_photos(request: Request, token: str, photos: Annotated[list[UploadFile], File()]) -> list[KeptPhoto]:
    """Look at photos at once and keep those that can be used; each gets a word on its quality."""
    await _working(request, _dog_there)
    pictures = await read_uploads(request, photos)
    queue = request.app.state.queue
    return [
        await queue.run(_add, request, token, name, content, dear=True, asker=request) for name, content in pictures
    ]


def _dog_there(request: Request, token: str) -> None:
    owners.find(_salon(request), token)


def _add(request: Request, token: str, name: str, content: bytes) -> KeptPhoto:
    from coatclass.photo import refusal

    most = int(request.app.state.settings.limits["upload"]["photos_per_dog"])
    try:
        photo, report = owners.add_photo(
            _salon(request), request.app.state.looks, token, content, name[:200], most=most
        )
    except PhotoError as error:
        return KeptPhoto(id=None, report=refusal(error))
    if photo is None:
        return KeptPhoto(id=None, report=report)
    all_of_it = owners.find(_salon(request), token).photos
    reports = request.app.state.looks.reports(_salon(request), all_of_it)
    beside = {one.id: told for one, told in zip(all_of_it, reports, strict=True)}
    return _kept(photo, beside.get(photo.id, report))


@router.get("/{token}/photos/{photo_id}", response_class=Response)
def picture(request: Request, token: str, photo_id: str) -> Response:
    """The photo as it is kept: upright JPEG without place and device."""
    salon = _salon(request)
    photo = owners.photo_of(salon, token, photo_id)
    return Response(salon.store.read(photo.sha256), media_type="image/jpeg", headers=_PRIVATE)


@router.get("/{token}/photos/{photo_id}/looked-at", response_class=Response)
async def looked_at(request: Request, token: str, photo_id: str) -> Response:
    """A PNG to lay over the photo: what the image model did not take for dog is darkened."""
    return Response(await _working(request, _overlay, photo_id, dear=True), media_type="image/png", headers=_PRIVATE)


def _overlay(request: Request, token: str, photo_id: str) -> bytes:
    salon, looks = _salon(request), request.app.state.looks
    photo = owners.photo_of(salon, token, photo_id)
    return overlay(looks.of(salon, photo).mask, (photo.width, photo.height))


@router.delete("/{token}/photos/{photo_id}", status_code=204)
def remove(request: Request, token: str, photo_id: str) -> None:
    """Take a photo back; it is erased."""
    owners.remove_photo(_salon(request), token, photo_id)


@router.post("/{token}/length")
def length(request: Request, token: str, marks: Marks) -> Length:
    """Reckon a length from marks in a picture that stays where it is; kept as measured with ``keep``."""
    corners, hair = ([(point[0], point[1]) for point in points] for points in (marks.corners, marks.hair))
    found = owners.measure(_salon(request), token, corners, hair, click_error_px=marks.click_error_px, keep=marks.keep)
    low, high = found.interval_mm
    return Length(length_mm=found.length_mm, low_mm=low, high_mm=high, kept=marks.keep)


@router.post("/{token}/tool")
async def tool(request: Request, token: str, marks: ToolMarks, language: Language) -> ToolSaid:
    """What a tool at home is for on this dog; its picture stays where it is. Kept among the tools with ``keep``."""
    return await _working(request, _tool, marks.model_dump_json(), language)


def _tool(request: Request, token: str, sent: str, language: str) -> ToolSaid:
    marks = ToolMarks.model_validate_json(sent)
    of = owners.find(_salon(request), token)
    found = owners.judge_tool(of, _assessed(request, of), marks, language=language)
    if marks.keep:
        owners.keep_tool(_salon(request), token, found.tool)
    return ToolSaid(
        pin_mm=found.tool.pin_length_mm, gap_mm=found.tool.tooth_gap_mm, says=list(found.says), kept=marks.keep
    )


@router.get("/{token}/assessment")
async def assessment(request: Request, token: str) -> Assessment:
    """The dog as it stands now."""
    return await _working(request, _assessment)


def _assessment(request: Request, token: str) -> Assessment:
    return _assessed(request, owners.find(_salon(request), token))


def _assessed(request: Request, of: owners.OwnersDog) -> Assessment:
    return owners.assessed(request.app.state, of)


@router.get("/{token}/calendar.ics", response_class=Response)
async def calendar(request: Request, token: str, language: Language) -> Response:
    """The dates of the plan as a calendar file (RFC 5545)."""
    content = await _working(request, _calendar, language)
    return _download(content, "text/calendar", "coat-calendar.ics")


@router.get("/{token}/sheet.pdf", response_class=Response)
async def sheet_as_pdf(request: Request, token: str, language: Language, paper: Paper) -> Response:
    """The home-care sheet as PDF."""
    return _download(await _on_paper(request, "sheet.pdf", language, paper), "application/pdf", "coat-sheet.pdf")


@router.get("/{token}/sheet.html", response_class=HTMLResponse)
async def sheet_as_page(request: Request, token: str, language: Language) -> HTMLResponse:
    """The home-care sheet as one page to read or print."""
    return HTMLResponse(await _on_paper(request, "sheet.html", language))


@router.get("/{token}/shop.pdf", response_class=Response)
async def shop_card(request: Request, token: str, language: Language, paper: Paper) -> Response:
    """The shop card as PDF, in true size."""
    return _download(await _on_paper(request, "shop.pdf", language, paper), "application/pdf", "shop-card.pdf")


async def _on_paper(request: Request, what: Printed, language: str, paper: str = "A4") -> bytes:
    """The plan on paper; one that was made before and still holds waits for nothing dear."""
    key: tuple[Printed, str, str, str] = (what, language, paper, _link(request))
    kept: bytes | None = await _working(request, _kept_paper, key)
    return kept if kept is not None else await _working(request, _printed, key, dear=True)


def _kept_paper(request: Request, token: str, key: Hashable) -> Any:
    """What was made before and still holds; else None."""
    state = request.app.state
    return state.remembered.get(owners.key_of(state, owners.find(state.records, token), key))


def _printed(request: Request, token: str, key: tuple[Printed, str, str, str]) -> bytes:
    what, language, paper, link = key
    of, salon = owners.find(_salon(request), token), _salon(request)

    def write() -> bytes:
        picture = salon.store.read(of.photos[0].sha256) if of.photos else b""
        return printed(_presented(request, of, language), what, paper, picture=picture, link=link)

    return owners.remembered(request.app.state, of, key, write)


def _link(request: Request) -> str:
    """The address of the dog's page, as this browser reaches it; whoever has another link sees that one."""
    return f"{request.base_url}owner/?dog={request.path_params['token']}"


def _calendar(request: Request, token: str, language: str) -> bytes:
    from coatclass.reports import calendar_ics

    of = owners.find(_salon(request), token)
    return calendar_ics(_presented(request, of, language), dog_id=of.dog.id, stamp=datetime.now(UTC))


def _presented(request: Request, of: owners.OwnersDog, language: str) -> Presentation:
    found = _assessed(request, of)
    if found.category is None:
        raise PhotoError("the plan", "needs a photo or some answers first.", "Give one of them.", code="nothing_given")
    return owners.presented(of, found, language=language)


def _download(content: bytes, kind: str, name: str) -> Response:
    return Response(content, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})
