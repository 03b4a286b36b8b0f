"""The salon over HTTP, for groomers: visits and who waits, clients, and all records taken along or brought back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from shutil import copyfileobj, rmtree
from typing import Annotated, Literal

from fastapi import APIRouter, File, Query, Request, UploadFile
from fastapi.responses import FileResponse
from pydantic import BaseModel, Field
from starlette.background import BackgroundTask

from app import cases, checks
from app.accounts import Groomer
from app.api.assessing import (
    REFUSALS,
    Confirmation,
    Day,
    DogId,
    Duplicate,
    Edit,
    Entry,
    Moment,
    RecordId,
    Sought,
    salon_of,
)
from app.groomer import day as days
from app.groomer import dog_file as files
from app.groomer.dog_file import confirmed
from app.language import spoken
from coatclass.errors import RecordError
from coatclass.plain_text import one_line
from coatclass.records import (
    BY_UPLOAD,
    Appointment,
    Change,
    Client,
    Dog,
    delete_client,
    export_salon,
    import_salon,
    merge_clients,
    search_clients,
    valid,
    visits,
    waiting_list,
)

router = APIRouter(prefix="/api/v1", tags=["records"], responses=REFUSALS)

Minutes = Annotated[int, Field(gt=0, le=24 * 60)]


class VisitOfDay(BaseModel):
    """An appointment with its dog and owner."""

    appointment: Appointment
    dog: Dog
    client: Client | None


class WaitingDog(BaseModel):
    """A dog that waits for hands; doubt in [0, 1]."""

    dog: Dog
    client: Client | None
    since: datetime
    doubt: float


class AppointmentEntry(Entry):
    """A visit as entered."""

    starts_at: Moment
    minutes: Minutes = 60
    remarks: Annotated[str, Field(max_length=20_000)] = ""


class AppointmentKept(Appointment):
    """A visit as it is kept now; ``told``: what the groomer should know of it, in her language, empty if nothing."""

    told: str = ""


class AppointmentState(Edit):
    """What became of a visit; of one that is done also the minutes that it took, and what was done."""

    state: Literal["planned", "done", "cancelled", "missed"]
    took_minutes: Minutes | None = None
    work: Literal["", "groom", "de_matting", "short_clip", "clip_out"] = ""


@router.get("/visits")
def of_day(
    request: Request, who: Groomer, day: Annotated[Day | None, Query(description="today if absent")] = None
) -> list[VisitOfDay]:
    """The visits of a day, earliest first."""
    found = visits(salon_of(request), *files.day_bounds(day or cases.today()))
    return [VisitOfDay(appointment=one.appointment, dog=one.dog, client=one.client) for one in found]


@router.get("/waiting")
def waiting(request: Request, who: Groomer) -> list[WaitingDog]:
    """Dogs whose coat only hands can tell, most doubtful first."""
    found = waiting_list(salon_of(request))
    return [WaitingDog(dog=one.dog, client=one.client, since=one.since, doubt=one.doubt) for one in found]


@router.post("/dogs/{dog_id}/appointments", status_code=201)
def add_appointment(request: Request, who: Groomer, dog_id: DogId, entry: AppointmentEntry) -> AppointmentKept:
    """Keep an appointment, and say which dogs are there at the same time."""
    salon = salon_of(request)
    kept = salon.add(valid(Appointment, dog_id=dog_id, **entry.model_dump()), who=who.name)
    there = days.beside(kept, days.around(salon, *days.span_of(kept)))
    return AppointmentKept(**kept.model_dump(), told=days.beside_words(there, spoken()))


@router.patch("/dogs/{dog_id}/appointments/{record_id}")
def change_appointment(
    request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, became: AppointmentState
) -> Appointment:
    """Say what became of a visit."""
    salon = salon_of(request)
    if became.state == "done":
        files.take_up(salon, salon.get(Dog, dog_id), who=who.name)
    noted = became.changes() if became.state == "done" else {"state": became.state}
    with salon.write(who.name, only=dog_id) as writer:
        visit = writer.get_of_dog(Appointment, dog_id, record_id)
        return cases.change_read(writer, visit, noted, became.seen)


clients_router = APIRouter(prefix="/api/v1/clients", tags=["records"], responses=REFUSALS)


class ClientEntry(Entry):
    """A client as entered."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    phone: Annotated[str, Field(max_length=200)] = ""
    email: Annotated[str, Field(max_length=200)] = ""
    address: Annotated[str, Field(max_length=200)] = ""
    remarks: Annotated[str, Field(max_length=20_000)] = ""


class ClientChange(ClientEntry, Edit):
    """What is changed of a client."""

    name: Annotated[str, Field(min_length=1, max_length=200)] = ""


class ClientWithDogs(Entry):
    """A client and her dogs."""

    client: Client
    dogs: tuple[Dog, ...]


@clients_router.get("")
def find(request: Request, who: Groomer, sought: Sought = "") -> tuple[Client, ...]:
    """Clients by name, phone or mail address; 50 at most."""
    return search_clients(salon_of(request), sought)


@clients_router.post("", status_code=201)
def add(request: Request, who: Groomer, entry: ClientEntry) -> Client:
    """Keep a new client."""
    checks.mail(entry.email)
    return salon_of(request).add(valid(Client, **entry.model_dump()), who=who.name)


@clients_router.get("/{client_id}")
def one(request: Request, who: Groomer, client_id: RecordId) -> ClientWithDogs:
    """A client with her dogs."""
    with salon_of(request).read() as reader:
        client = reader.get(Client, client_id)
        return ClientWithDogs(client=client, dogs=files.dogs_of(reader, client))


@clients_router.patch("/{client_id}")
def change(request: Request, who: Groomer, client_id: RecordId, entry: ClientChange) -> Client:
    """Change a client."""
    checks.mail(entry.email)
    with salon_of(request).write(who.name) as writer:
        return cases.change_read(writer, writer.get(Client, client_id), entry.changes(), entry.seen)


@clients_router.post("/{client_id}/merge")
def merge(request: Request, who: Groomer, client_id: RecordId, other: Duplicate) -> Client:
    """Join two records of one client; dogs move to the one in the address."""
    return merge_clients(salon_of(request), client_id, other.duplicate, who=who.name)


@clients_router.post("/{client_id}/delete", status_code=204)
def delete(request: Request, who: Groomer, client_id: RecordId, typed: Confirmation) -> None:
    """Erase a client with dogs, photos and findings; her name must be typed. This can't be undone."""
    salon = salon_of(request)
    confirmed(typed.name, salon.get(Client, client_id).name)
    delete_client(salon, client_id, who=who.name)


class Taken(BaseModel):
    """What came out of an export."""

    counts: dict[str, int]
    photos: int
    missing_photos: tuple[str, ...]


@router.get("/export", response_class=FileResponse)
def everything(request: Request, who: Groomer) -> FileResponse:
    """Clients, dogs, findings, photos and the trail in one ZIP file: CSV for people, JSON for reading back."""
    folder = request.app.state.passing.folder()
    path = folder / "salon.zip"
    try:
        export_salon(salon_of(request), path)
    except BaseException:
        _remove(folder)
        raise
    cleared = BackgroundTask(_remove, folder)
    return FileResponse(path, media_type="application/zip", filename="salon.zip", background=cleared)


@router.post("/import")
def bring_back(request: Request, who: Groomer, file: Annotated[UploadFile, File()]) -> Taken:
    """Read an export back in, all of it or nothing."""
    folder = request.app.state.passing.folder()
    try:
        path = folder / "salon.zip"
        with path.open("wb") as copy:
            copyfileobj(file.file, copy)
        archive = import_salon(salon_of(request), path, limits=BY_UPLOAD)
    except RecordError as error:
        if error.source != str(path):
            raise
        name = one_line(file.filename or "salon.zip")[:200]  # where it lay on this machine is nobody's business
        raise RecordError(name, error.problem, error.next_step, code=error.code) from error
    finally:
        _remove(folder)
    return Taken(counts=dict(archive.counts), photos=archive.photos, missing_photos=archive.missing_photos)


@router.get("/trail")
def trail(request: Request, who: Groomer, last: Annotated[int, Query(ge=1, le=1000)] = 200) -> tuple[Change, ...]:
    """Who changed what and when, the newest first."""
    return tuple(reversed(files.trail(salon_of(request))[-last:]))


def _remove(folder: Path) -> None:
    rmtree(folder, ignore_errors=True)
