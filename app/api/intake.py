"""The dog on the table over HTTP, for groomers: the look on arrival, photos of places, signing, rates."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, File, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import BaseModel, Field

from app.accounts import Groomer
from app.api.asking import REFUSALS, DogId, Entry, Language, RecordId, download, looks_of, salon_of, working
from app.api.assessing import read_uploads
from app.groomer import table
from app.language import spoken
from coatclass.errors import RecordError
from coatclass.intake import Found, Rates, place_of
from coatclass.records import PlacePhoto
from coatclass.words import LANGUAGES

router = APIRouter(prefix="/api/v1", tags=["records"], responses=REFUSALS)

_PRIVATE = {"cache-control": "private, no-store"}
Paper = Annotated[Literal["A4", "Letter"], Query()]
Seen = Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]


class LookEntry(Entry):
    """What was found, the language in which the owner reads, and the state that was changed, empty for a new look."""

    found: Found
    language: Annotated[str, Field(pattern="^[a-z]{2}$")]
    seen: Seen = ""


class Look(BaseModel):
    """The state that is kept now."""

    seen: str


class SignatureEntry(table.Signature, Entry):
    """How the owner agreed, and to which look and words."""

    seen: Seen
    told: Seen


class Signed(BaseModel):
    """The record that was signed, for good."""

    id: str
    version: int
    sha256: str


@router.put("/dogs/{dog_id}/intake")
def save(request: Request, who: Groomer, dog_id: DogId, entry: LookEntry) -> Look:
    """Keep the look on arrival as it stands; it may change until it is signed."""
    language = entry.language if entry.language in LANGUAGES else spoken()
    kept = table.save(salon_of(request), dog_id, entry.found, language, seen=entry.seen, who=who.name)
    return Look(seen=kept.sha256)


@router.post("/dogs/{dog_id}/intake/photos", status_code=201)
async def add_photo(
    request: Request,
    who: Groomer,
    dog_id: DogId,
    photos: Annotated[list[UploadFile], File()],
    place: Annotated[str, Query(max_length=40)],
) -> list[PlacePhoto]:
    """Keep photos of one place; where and by what they were taken is removed."""
    _known(place)
    most = int(request.app.state.settings.limits["upload"]["photos_per_dog"])
    keep = partial(table.add_photo, salon_of(request), dog_id, place=place, most=most, who=who.name)
    pictures = await read_uploads(request, photos)
    return [await working(request, keep, data, name[:200], dear=True) for name, data in pictures]


def _known(place: str) -> None:
    try:
        place_of(place)
    except ValueError as error:
        raise RecordError("this place", "is none of a dog.", "Choose one on the picture.", code="bad_value") from error


@router.get("/dogs/{dog_id}/places/{photo_id}", response_class=Response)
def picture(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> Response:
    """A photo of a place as it is kept."""
    with salon_of(request).read() as reader:
        photo = reader.get_of_dog(PlacePhoto, dog_id, photo_id)
        return Response(reader.store.read(photo.sha256), media_type="image/jpeg", headers=_PRIVATE)


@router.delete("/dogs/{dog_id}/places/{photo_id}", status_code=204)
def remove_photo(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> None:
    """Erase a photo of a place, unless it belongs to a signed record."""
    table.remove_photo(salon_of(request), dog_id, photo_id, who=who.name)


@router.post("/dogs/{dog_id}/intake/sign", status_code=201)
async def sign(request: Request, who: Groomer, dog_id: DogId, entry: SignatureEntry) -> Signed:
    """Keep what was told and agreed, for good."""
    kept: Signed = await working(request, _sign, request, dog_id, who.name, entry, spoken())
    return kept


def _sign(request: Request, dog_id: str, who: str, entry: SignatureEntry, language: str) -> Signed:
    salon = salon_of(request)
    laid = table.on_table(salon, looks_of(request), dog_id, language=language, by=who)
    values = entry.model_dump(exclude={"seen", "told"})
    signature = table.Signature(**values)
    kept = table.sign(salon, laid, signature, seen=entry.seen, told=entry.told, who=who)
    return Signed(id=kept.id, version=kept.version, sha256=kept.sha256)


@router.post("/dogs/{dog_id}/intakes/{record_id}/again", status_code=201)
def again(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> Look:
    """Begin a new version of a signed record, which stays as it is."""
    return Look(seen=table.begin_again(salon_of(request), dog_id, record_id, who=who.name).sha256)


@router.get("/dogs/{dog_id}/intake/sheet.pdf", response_class=Response)
async def draft_pdf(request: Request, who: Groomer, dog_id: DogId, language: Language, paper: Paper = "A4") -> Response:
    """The look and both offers on paper, for signing by hand, in the owner's language."""

    def write() -> bytes:
        from coatclass.reports import intake_pdf

        laid = table.on_table(salon_of(request), looks_of(request), dog_id, language=language, by=who.name)
        return intake_pdf(laid.consent(), paper, table.pictures_of(salon_of(request), laid.photos))

    return download(await working(request, write, dear=True), "application/pdf", "intake.pdf", inline=True)


@router.get("/dogs/{dog_id}/intakes/{record_id}/sheet.pdf", response_class=Response)
async def signed_pdf(
    request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, paper: Paper = "A4"
) -> Response:
    """A signed record on paper, in the words and the language in which it was signed."""

    def write() -> bytes:
        from coatclass.reports import intake_pdf

        salon = salon_of(request)
        signed = table.signed_one(salon, dog_id, record_id)
        photos = table.pictures_of(salon, salon.find(PlacePhoto, intake_id=signed.id))
        return intake_pdf(table.signed_consent(signed), paper, photos)

    return download(await working(request, write, dear=True), "application/pdf", "signed.pdf", inline=True)


@router.get("/rates")
def rates(request: Request, who: Groomer) -> Rates | None:
    """The salon's rates; null before anybody entered them."""
    return table.rates_of(salon_of(request))


@router.put("/rates")
def save_rates(request: Request, who: Groomer, entry: Rates) -> Rates:
    """Keep the salon's rates."""
    return table.save_rates(salon_of(request), entry, who=who.name)
