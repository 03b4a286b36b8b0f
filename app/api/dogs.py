"""Dogs over HTTP, for groomers: the file, photos, what hands find, the assessment, the sheet, the owner's link."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, File, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import BaseModel, Field

from app import cases, checks
from app.accounts import Groomer
from app.api.assessing import (
    REFUSALS,
    AnyDogId,
    Confirmation,
    Day,
    DogId,
    Duplicate,
    Edit,
    Entry,
    Language,
    Paper,
    Printed,
    RecordId,
    Sought,
    download,
    learned_of,
    looks_of,
    printed,
    read_uploads,
    salon_of,
    working,
)
from app.api.owner import KeptPhoto, Length, Marks
from app.groomer import day as days
from app.groomer import dog_file as files
from app.groomer import table
from app.groomer.touches import Bench, Touches, bench_of
from app.looking import overlay
from coatclass.contract import Assessment
from coatclass.errors import PhotoError, RecordError
from coatclass.measure import measure_by_card
from coatclass.presentation import Presentation
from coatclass.records import (
    Appointment,
    Change,
    Client,
    Dog,
    Finding,
    FoundDog,
    Measurement,
    Photo,
    Sharing,
    delete_dog,
    make_link,
    merge_dogs,
    revoke_links,
    search_dogs,
    valid,
)
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience, Texture, Undercoat

router = APIRouter(prefix="/api/v1/dogs", tags=["records"], responses=REFUSALS)


class DogEntry(Entry):
    """A dog as entered."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    client_id: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")] | None = None
    breed: Annotated[str, Field(max_length=200)] = ""
    sex: Literal["female", "male"] | None = None
    born_on: Day | None = None
    weight_kg: Annotated[float, Field(ge=0.2, le=150)] | None = None
    remarks: Annotated[str, Field(max_length=20_000)] = ""


class DogChange(DogEntry, Edit):
    """What is changed of a dog."""

    name: Annotated[str, Field(min_length=1, max_length=200)] = ""


class DogRecord(BaseModel):
    """Everything that is kept of a dog; lists are oldest first."""

    dog: Dog
    client: Client | None
    answers: dict[str, Any]
    photos: tuple[Photo, ...]
    findings: tuple[Finding, ...]
    measurements: tuple[Measurement, ...]
    appointments: tuple[Appointment, ...]


class OwnersLink(BaseModel):
    """The only copy of an owner's link, and for how many days it leads to the dog."""

    path: str
    days: int


@router.get("")
def find(request: Request, who: Groomer, sought: Sought = "") -> list[FoundDog]:
    """Dogs by name, breed or owner; 50 at most."""
    return list(search_dogs(salon_of(request), sought))


@router.post("", status_code=201)
def add(request: Request, who: Groomer, entry: DogEntry) -> Dog:
    """Keep a new dog."""
    checks.born(entry.born_on)
    salon = salon_of(request)
    if entry.client_id is not None:
        salon.get(Client, entry.client_id)
    return salon.add(valid(Dog, **entry.model_dump()), who=who.name)


@router.get("/{dog_id}")
def one(request: Request, who: Groomer, dog_id: DogId) -> DogRecord:
    """A dog's file."""
    file = files.read(salon_of(request), dog_id)
    answers = file.answers.model_dump(mode="json", exclude_none=True)
    kept = {name: getattr(file, name) for name in DogRecord.model_fields if name != "answers"}
    return DogRecord(answers=answers, **kept)


@router.patch("/{dog_id}")
def change(request: Request, who: Groomer, dog_id: DogId, entry: DogChange) -> Dog:
    """Change a dog; with a client's id an owner's own entry becomes part of that client's record."""
    checks.born(entry.born_on)
    with salon_of(request).write(who.name, only=dog_id) as writer:
        if entry.client_id is not None:
            writer.get(Client, entry.client_id)
        dog = writer.get(Dog, dog_id)
        taken = entry.client_id is not None and dog.sharing is Sharing.SENT
        also = {"sharing": Sharing.SALON} if taken else {}
        return cases.change_read(writer, dog, entry.changes(), entry.seen, **also)


@router.post("/{dog_id}/request/accept")
def accept(request: Request, who: Groomer, dog_id: AnyDogId) -> Dog:
    """Take over a dog that an owner sent: its owner becomes a client, its answers stand in the finding form."""
    return files.accept(salon_of(request), dog_id, who=who.name)


@router.post("/{dog_id}/request/decline", status_code=204)
def decline(request: Request, who: Groomer, dog_id: AnyDogId) -> None:
    """Decline a dog that an owner sent: the salon sees it no more, and its owner is told."""
    files.decline(salon_of(request), dog_id, who=who.name)


@router.post("/{dog_id}/put-away")
def put_away(request: Request, who: Groomer, dog_id: DogId) -> Dog:
    """Take a dog off the list of those that wait for hands, until something new is told of it."""
    return files.put_away(salon_of(request), dog_id, who=who.name)


@router.delete("/{dog_id}/put-away")
def put_back(request: Request, who: Groomer, dog_id: DogId) -> Dog:
    """Put a dog back on the list of those that wait for hands."""
    return files.put_away(salon_of(request), dog_id, who=who.name, away=False)


@router.post("/{dog_id}/merge")
def merge(request: Request, who: Groomer, dog_id: DogId, other: Duplicate) -> Dog:
    """Join two records of one dog; everything moves to the one in the address."""
    files.refuse_hidden(salon_of(request), other.duplicate)
    merged = merge_dogs(salon_of(request), dog_id, other.duplicate, who=who.name)
    table.join_looks(salon_of(request), dog_id, who=who.name)
    return merged


@router.post("/{dog_id}/delete", status_code=204)
def delete(request: Request, who: Groomer, dog_id: DogId, typed: Confirmation) -> None:
    """Erase a dog with photos and findings; its name must be typed. This can't be undone."""
    salon = salon_of(request)
    files.confirmed(typed.name, salon.get(Dog, dog_id).name)
    delete_dog(salon, dog_id, who=who.name)


@router.patch("/{dog_id}/answers")
def answers(request: Request, who: Groomer, dog_id: DogId, given: Annotated[dict[str, Any], Body()]) -> dict[str, Any]:
    """Keep answers that the owner gave by word; null takes one back. All answers come back."""
    saved = files.save_answers(salon_of(request), dog_id, given, who=who.name)
    return saved.model_dump(mode="json", exclude_none=True)


@router.get("/{dog_id}/trail")
def trail(request: Request, who: Groomer, dog_id: DogId) -> tuple[Change, ...]:
    """Who changed what of this dog and when, oldest first."""
    salon = salon_of(request)
    return tuple(change for change in files.trail(salon) if dog_id in (change.record_id, change.about))


@router.post("/{dog_id}/links", status_code=201)
def link(request: Request, who: Groomer, dog_id: DogId) -> OwnersLink:
    """Make a link that shows the owner this one dog; it is shown only now."""
    days = int(request.app.state.settings.limits["link"]["days"])
    token = make_link(salon_of(request), dog_id, valid_for=timedelta(days=days), who=who.name)
    return OwnersLink(path=f"/owner/?dog={token}", days=days)


@router.delete("/{dog_id}/links")
def revoke(request: Request, who: Groomer, dog_id: DogId) -> dict[str, int]:
    """Make all links to this dog useless."""
    return {"revoked": revoke_links(salon_of(request), dog_id, who=who.name)}


@router.get("/{dog_id}/assessment")
async def assessment(request: Request, who: Groomer, dog_id: DogId) -> Assessment:
    """The dog as it stands now; what hands found replaces estimates."""
    assessed: Assessment = await working(request, _assess, request, dog_id)
    return assessed


def _assess(request: Request, dog_id: str) -> Assessment:
    salon = salon_of(request)
    return files.assess(salon, looks_of(request), files.read(salon, dog_id), learned=learned_of(request))


def _sheet(request: Request, dog_id: str, language: str) -> Presentation:
    """What the owner is told, with the groomer's remarks.

    Raises:
        RecordError: ``nothing_known`` without an estimate.
    """
    file, assessed = files.read(salon_of(request), dog_id), _assess(request, dog_id)
    if assessed.category is None:
        raise RecordError(
            "the sheet", "needs a photo, answers or a finding first.", "Enter one of them.", code="nothing_known"
        )
    return files.presented(file, assessed, language=language)


def _printed(
    request: Request, dog_id: str, what: Printed, language: str, paper: str = "A4", *, annex: bool = True
) -> bytes:
    """The dog's plan on paper, with its first photo."""
    salon = salon_of(request)
    plan, photos = _sheet(request, dog_id, language), files.read(salon, dog_id).photos
    picture = salon.store.read(photos[0].sha256) if photos else b""
    return printed(plan, what, paper, picture=picture, annex=annex)


@router.get("/{dog_id}/sheet.html", response_class=Response)
async def sheet_html(request: Request, who: Groomer, dog_id: DogId, language: Language) -> Response:
    """The home-care sheet with the groomer's remarks as one page to read or print."""
    content = await working(request, _printed, request, dog_id, "sheet.html", language, dear=True)
    return download(content, "text/html; charset=utf-8", "home-care.html", inline=True)


@router.get("/{dog_id}/shop.pdf", response_class=Response)
async def shop_card(request: Request, who: Groomer, dog_id: DogId, language: Language, paper: Paper) -> Response:
    """The shop card to hand out, in true size."""
    content = await working(request, _printed, request, dog_id, "shop.pdf", language, paper, dear=True)
    return download(content, "application/pdf", "shop-card.pdf", inline=True)


@router.get("/{dog_id}/calendar.ics", response_class=Response)
async def calendar(request: Request, who: Groomer, dog_id: DogId, language: Language) -> Response:
    """The dates of the plan and the next visit as a calendar file (RFC 5545), to be sent to the owner."""

    def write() -> bytes:
        from coatclass.reports import calendar_ics

        return calendar_ics(_sheet(request, dog_id, language), dog_id=dog_id, stamp=datetime.now(UTC))

    return download(await working(request, write), "text/calendar", "coat-calendar.ics")


@router.get("/{dog_id}/sheet.pdf", response_class=Response)
async def sheet_pdf(request: Request, who: Groomer, dog_id: DogId, language: Language, paper: Paper) -> Response:
    """The same sheet as a PDF file."""
    content = await working(request, _printed, request, dog_id, "sheet.pdf", language, paper, dear=True)
    return download(content, "application/pdf", "home-care.pdf", inline=True)


days_router = APIRouter(prefix="/api/v1/days", tags=["records"], responses=REFUSALS)


@days_router.get("/{day}/sheets.pdf", response_class=Response)
async def sheets_of_day(
    request: Request,
    who: Groomer,
    day: Day,
    *,
    language: Language,
    paper: Paper,
    annex: Annotated[bool, Query(description="whether the details follow each owner's page")] = False,
) -> Response:
    """The list of a day for the salon, then a page for the owner of each dog of which something is known.

    The list is in the reader's language, each page in that in which its owner read last time, if it is known.
    """
    booked = await working(request, days.visits_to_print, salon_of(request), day)
    told = {dog: await working(request, _told, request, dog, language) for dog in {one.dog.id: 1 for one in booked}}

    def write(dog_id: str) -> bytes:
        owners = files.read(salon_of(request), dog_id).language or language
        return _printed(request, dog_id, "sheet.pdf", owners, paper, annex=annex)

    def list_of_day() -> bytes:
        from coatclass.reports import day_pdf

        lines = [days.line_of(one, told[one.dog.id], language) for one in booked]
        return day_pdf(lines, day, language=language, paper=paper)

    parts = [await working(request, list_of_day, dear=True)]
    parts += [await working(request, write, dog, dear=True) for dog, known in told.items() if known]
    content = await working(request, partial(days.one_file, parts, both_sides=annex))
    return download(content, "application/pdf", f"home-care-{day}.pdf", inline=True)


def _told(request: Request, dog_id: str, language: str) -> Presentation | None:
    """What the owner is told; None if nothing is known of the dog."""
    try:
        return _sheet(request, dog_id, language)
    except RecordError as error:
        if error.code != "nothing_known":
            raise
        return None


photos_router = APIRouter(prefix="/api/v1/dogs/{dog_id}/photos", tags=["records"], responses=REFUSALS)

_PRIVATE = {"cache-control": "private, no-store"}


@photos_router.post("")
async def add_photos(
    request: Request, who: Groomer, dog_id: DogId, photos: Annotated[list[UploadFile], File()]
) -> list[KeptPhoto]:
    """Look at photos at once and keep those that can be used; place and device are removed."""
    pictures = await read_uploads(request, photos)
    return [
        await working(request, _add_photo, request, dog_id, who.name, name, content, dear=True)
        for name, content in pictures
    ]


def _add_photo(request: Request, dog_id: str, who: str, name: str, content: bytes) -> KeptPhoto:
    from coatclass.photo import refusal

    most = int(request.app.state.settings.limits["upload"]["photos_per_dog"])
    try:
        photo, report = files.add_photo(
            salon_of(request), request.app.state.looks, dog_id, content, name[:200], most=most, who=who
        )
    except PhotoError as error:
        return KeptPhoto(id=None, report=refusal(error))
    if photo is None:
        return KeptPhoto(id=None, report=report)
    all_of_it = files.read(salon_of(request), dog_id).photos
    reports = request.app.state.looks.reports(salon_of(request), all_of_it)
    report = {one.id: told for one, told in zip(all_of_it, reports, strict=True)}.get(photo.id, report)
    return KeptPhoto(id=photo.id, width=photo.width, height=photo.height, report=report)


@photos_router.get("/{photo_id}", response_class=Response)
def photo(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> Response:
    """The photo as it is kept."""
    salon = salon_of(request)
    photo = files.photo_of(salon, dog_id, photo_id)
    return Response(salon.store.read(photo.sha256), media_type="image/jpeg", headers=_PRIVATE)


@photos_router.get("/{photo_id}/looked-at", response_class=Response)
async def looked_at(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> Response:
    """A PNG to lay over the photo: what the image model did not take for dog is darkened."""
    content = await working(request, _overlay, request, dog_id, photo_id, dear=True)
    return Response(content, media_type="image/png", headers=_PRIVATE)


def _overlay(request: Request, dog_id: str, photo_id: str) -> bytes:
    salon = salon_of(request)
    photo = files.photo_of(salon, dog_id, photo_id)
    return overlay(looks_of(request).of(salon, photo).mask, (photo.width, photo.height))


@photos_router.delete("/{photo_id}", status_code=204)
def remove_photo(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> None:
    """Erase a photo."""
    salon = salon_of(request)
    with salon.write(who.name, only=dog_id) as writer:
        writer.erase(writer.get_of_dog(Photo, dog_id, photo_id))
    salon.sweep_erased(writer.loose)


findings_router = APIRouter(prefix="/api/v1/dogs/{dog_id}", tags=["records"], responses=REFUSALS)

Millimetres = Annotated[float, Field(gt=0, le=1000)]


class FindingEntry(Entry):
    """What hands found; lengths at three places at most."""

    category: CoatCategory
    lengths_mm: dict[BodyZone, Millimetres] = Field(default_factory=dict, max_length=3)
    undercoat: Undercoat | None = None
    texture: Texture | None = None
    mats: dict[BodyZone, MatState] = Field(default_factory=dict)
    patience: Patience | None = None
    remarks: Annotated[str, Field(max_length=20_000)] = ""
    seen: Annotated[str, Field(pattern=r"^([0-9a-f]{32})?$")] | None = Field(
        default=None,
        description="id of the newest finding that was on screen, empty if there was none; 409 if there is a newer one",
    )


class Remarks(Edit):
    """Words for the sheet."""

    remarks: Annotated[str, Field(max_length=20_000)]


class MeasurementEntry(Entry):
    """A length that somebody measured."""

    length_mm: Millimetres
    zone: BodyZone = BodyZone.TRUNK
    measured_on: Day | None = None
    how: Literal["ruler", "card", "hands"] = "ruler"


class KeptFinding(BaseModel):
    """The finding as kept, and what the program says since."""

    finding: Finding
    assessment: Assessment


@findings_router.post("/findings", status_code=201)
async def add_finding(request: Request, who: Groomer, dog_id: DogId, entry: FindingEntry) -> KeptFinding:
    """Keep a hands-on finding as the truth; it replaces the estimate at once."""
    found: KeptFinding = await working(request, _add_finding, request, who.name, dog_id, entry)
    return found


def _add_finding(request: Request, who: str, dog_id: str, entry: FindingEntry) -> KeptFinding:
    salon, looks, learned = salon_of(request), looks_of(request), learned_of(request)
    if not files.read(salon, dog_id).assessments:  # so that learning knows what would have been said
        files.reassess(salon, looks, dog_id, who=who, learned=learned)
    finding = files.add_finding(salon, looks, dog_id, entry.model_dump(exclude={"seen"}), seen=entry.seen, who=who)
    return KeptFinding(finding=finding, assessment=files.reassess(salon, looks, dog_id, who=who, learned=learned))


@findings_router.patch("/findings/{record_id}")
def remark(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, words: Remarks) -> Finding:
    """Change the remarks of a finding; they stand on the sheet."""
    with salon_of(request).write(who.name, only=dog_id) as writer:
        finding = writer.get_of_dog(Finding, dog_id, record_id)
        return cases.change_read(writer, finding, words.changes(), words.seen)


@findings_router.delete("/findings/{record_id}", status_code=204)
def take_back(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> None:
    """Take back a finding that was entered by mistake; the trail keeps it."""
    files.take_back_finding(salon_of(request), dog_id, record_id, who=who.name)


@findings_router.post("/measurements", status_code=201)
def measured(request: Request, who: Groomer, dog_id: DogId, entry: MeasurementEntry) -> Measurement:
    """Keep a measured length; today's unless a day is given."""
    day = entry.measured_on or cases.today()
    checks.measured(entry.length_mm, day)
    value = valid(Measurement, dog_id=dog_id, **{**entry.model_dump(), "measured_on": day})
    return salon_of(request).add(value, who=who.name)


@findings_router.delete("/measurements/{record_id}", status_code=204)
def unmeasure(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> None:
    """Take back a measurement that was entered by mistake."""
    files.remove(salon_of(request), Measurement, dog_id, record_id, who=who.name)


@findings_router.post("/length")
def length(request: Request, who: Groomer, dog_id: DogId, marks: Marks) -> Length:
    """Reckon a length from marks in a picture: a bank card's corners and the hair's ends; kept with ``keep``."""
    corners, hair = ([(point[0], point[1]) for point in points] for points in (marks.corners, marks.hair))
    found = measure_by_card(corners, hair, click_error_px=marks.click_error_px, rounded_corners=True)
    low, high = found.interval_mm
    if marks.keep:
        checks.measured(found.length_mm)
        values = {"length_mm": round(found.length_mm, 1), "error_mm": round(found.error_mm, 2)}
        day = cases.today()
        kept = valid(Measurement, dog_id=dog_id, measured_on=day, how="card", **values)
        salon_of(request).add(kept, who=who.name)
    return Length(length_mm=found.length_mm, low_mm=low, high_mm=high, kept=marks.keep)


@findings_router.post("/bench")
async def bench(request: Request, who: Groomer, dog_id: DogId, touches: Touches) -> Bench:
    """What the touches so far say, and which touch would tell most next. Nothing is kept."""
    said: Bench = await working(request, _bench, request, dog_id, touches)
    return said


def _bench(request: Request, dog_id: str, touches: Touches) -> Bench:
    salon = salon_of(request)
    assessment = files.assess(salon, looks_of(request), files.read(salon, dog_id), learned=learned_of(request))
    return bench_of(assessment, touches.outcomes)
