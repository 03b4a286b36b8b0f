"""Visits over HTTP, for groomers: the day's list, who waits for hands, appointments."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, Field

from app import cases
from app.accounts import Groomer
from app.api.asking import REFUSALS, Day, DogId, Entry, Moment, RecordId, salon_of
from app.groomer import dog_file as files
from coatclass.records import Appointment, Client, Dog, valid, visits, waiting_list

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


class AppointmentState(Entry):
    """What became of a visit."""

    state: Literal["planned", "done", "cancelled", "missed"]


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
def add(request: Request, who: Groomer, dog_id: DogId, entry: AppointmentEntry) -> Appointment:
    """Keep an appointment."""
    salon = salon_of(request)
    salon.get(Dog, dog_id)
    return salon.add(valid(Appointment, dog_id=dog_id, **entry.model_dump()), who=who.name)


@router.patch("/dogs/{dog_id}/appointments/{record_id}")
def state(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, became: AppointmentState) -> Appointment:
    """Say what became of a visit."""
    changed: Appointment = files.change(
        salon_of(request), Appointment, dog_id, record_id, who=who.name, state=became.state
    )
    return changed
