"""The dog on the table over HTTP, for groomers: the look on arrival, signing, the technique check, rates and guards."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, File, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import BaseModel, Field

from app import cases
from app.accounts import Groomer
from app.api.assessing import (
    REFUSALS,
    DogId,
    Entry,
    Language,
    Paper,
    RecordId,
    download,
    looks_of,
    read_uploads,
    salon_of,
    working,
)
from app.groomer import dog_file as files
from app.groomer import table
from app.language import spoken
from coatclass.contract import Fault, Guard
from coatclass.errors import RecordError
from coatclass.intake import Found, Rates, place_of
from coatclass.plain_text import one_line
from coatclass.records import CheckRecord, Dog, PlacePhoto
from coatclass.taxonomy import BodyZone
from coatclass.words import LANGUAGES

router = APIRouter(prefix="/api/v1", tags=["records"], responses=REFUSALS)

_PRIVATE = {"cache-control": "private, no-store"}
Seen = Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]


class LookEntry(Entry):
    """What was found, the language in which the owner reads, and the state that was changed, empty for a new look."""

    found: Found
    language: Annotated[str, Field(pattern="^[a-z]{2}$")]
    seen: Seen = ""


class IntakeLook(BaseModel):
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
def save(request: Request, who: Groomer, dog_id: DogId, entry: LookEntry) -> IntakeLook:
    """Keep the look on arrival as it stands; it may change until it is signed."""
    language = entry.language if entry.language in LANGUAGES else spoken()
    kept = table.save(salon_of(request), dog_id, entry.found, language, seen=entry.seen, who=who.name)
    return IntakeLook(seen=kept.sha256)


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
def again(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> IntakeLook:
    """Begin a new version of a signed record, which stays as it is."""
    return IntakeLook(seen=table.begin_again(salon_of(request), dog_id, record_id, who=who.name).sha256)


@router.get("/dogs/{dog_id}/intake/sheet.pdf", response_class=Response)
async def draft_pdf(request: Request, who: Groomer, dog_id: DogId, language: Language, paper: Paper) -> Response:
    """The look and both offers on paper, for signing by hand, in the owner's language."""

    def write() -> bytes:
        from coatclass.reports import intake_pdf

        laid = table.on_table(salon_of(request), looks_of(request), dog_id, language=language, by=who.name)
        return intake_pdf(laid.consent(), paper, table.pictures_of(salon_of(request), laid.photos))

    return download(await working(request, write, dear=True), "application/pdf", "intake.pdf", inline=True)


@router.get("/dogs/{dog_id}/intakes/{record_id}/sheet.pdf", response_class=Response)
async def signed_pdf(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, paper: Paper) -> Response:
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


class RatesEntry(Rates):
    """The salon's rates, and those that were read before; null if there were none."""

    seen: Rates | None


@router.put("/rates")
def save_rates(request: Request, who: Groomer, entry: RatesEntry) -> Rates:
    """Keep the salon's rates; the whole of them at once."""
    entered = Rates.model_validate(entry.model_dump(exclude={"seen"}))
    return table.save_rates(salon_of(request), entered, seen=entry.seen, who=who.name)


_MOST_GUARDS = 30


class CheckEntry(Entry):
    """How the comb went behind the owner's brush, by zone, and what went wrong."""

    zones: dict[BodyZone, Literal["passed", "stopped"]] = Field(default_factory=dict)
    faults: list[Fault] = Field(default_factory=list, max_length=len(Fault))
    tool: Annotated[str, Field(pattern=r"^[a-z_]{1,40}$")] | None = None
    remarks: Annotated[str, Field(max_length=20_000)] = ""
    appointment_id: RecordId | None = None
    photo_id: RecordId | None = None


class Counted(Entry):
    """Whether the dog's owner agrees that it counts in the salon's anonymous totals."""

    counted: bool


class GuardsEntry(Entry):
    """The length in mm that each of the salon's combs and guards leaves, by its name; and those read before."""

    guards: dict[Annotated[str, Field(max_length=60)], Annotated[float, Field(gt=0, le=100)]] = Field(
        default_factory=dict, max_length=_MOST_GUARDS
    )
    seen: dict[str, float] = Field(max_length=10 * _MOST_GUARDS)


@router.post("/dogs/{dog_id}/checks", status_code=201)
async def add_check(request: Request, who: Groomer, dog_id: DogId, entry: CheckEntry) -> CheckRecord:
    """Keep a technique check; refused while the dog must not be brushed, and where vet or groomer come first."""
    if not entry.zones:
        raise RecordError("the check", "names no zone.", "Comb at least one place behind the brush.", code="bad_value")
    kept: CheckRecord = await working(request, _add_check, request, who.name, dog_id, entry)
    return kept


def _add_check(request: Request, who: str, dog_id: str, entry: CheckEntry) -> CheckRecord:
    fields = entry.model_dump(exclude={"zones", "faults"})
    by_result = {
        result: tuple(zone for zone in BodyZone if entry.zones.get(zone) == result) for result in ("passed", "stopped")
    }
    fields |= by_result | {"faults": tuple(dict.fromkeys(entry.faults))}
    return files.add_check(salon_of(request), looks_of(request), dog_id, fields, who=who)


@router.delete("/dogs/{dog_id}/checks/{record_id}", status_code=204)
def take_back_check(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> None:
    """Take back a check that was entered by mistake; the trail keeps it."""
    files.remove(salon_of(request), CheckRecord, dog_id, record_id, who=who.name)


@router.put("/dogs/{dog_id}/counted")
def count(request: Request, who: Groomer, dog_id: DogId, said: Counted) -> Dog:
    """Note the owner's word on the anonymous totals; taken back, the dog counts no more, not even for the past."""
    salon = salon_of(request)
    dog = files.read(salon, dog_id).dog
    since = (dog.counted_since or datetime.now(UTC)) if said.counted else None  # said twice, it holds since the first
    return salon.change(dog, who=who.name, counted_since=since)


class PaperEntry(Entry):
    """The paper in the salon's printer, and in that of its owners."""

    paper: Literal["A4", "Letter"]


@router.put("/paper")
def keep_paper(request: Request, who: Groomer, entry: PaperEntry) -> PaperEntry:
    """Print on this paper from now on, wherever none is asked for."""
    cases.keep_paper(salon_of(request), entry.paper, who=who.name)
    return entry


@router.get("/guards")
def guards(request: Request, who: Groomer) -> tuple[Guard, ...]:
    """The salon's combs and guards, shortest first."""
    with salon_of(request).read() as reader:
        return files.guards(reader)


@router.put("/guards")
def keep_guards(request: Request, who: Groomer, entry: GuardsEntry) -> tuple[Guard, ...]:
    """Keep the salon's combs and guards; the whole list at once."""
    named = {one_line(name).strip(): mm for name, mm in entry.guards.items() if name.strip()}
    kept = [Guard(name=name, mm=mm) for name, mm in named.items()]
    salon = salon_of(request)
    files.keep_guards(salon, kept, seen=entry.seen, who=who.name)
    with salon.read() as reader:
        return files.guards(reader)
