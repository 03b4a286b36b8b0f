"""What a visit leaves behind, over HTTP, for groomers: technique checks, consent to totals, the salon's guards."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Request
from pydantic import Field

from app.accounts import Groomer
from app.api.asking import REFUSALS, DogId, Entry, RecordId, looks_of, salon_of, working
from app.groomer import dog_file as files
from coatclass.contract import Fault, Guard
from coatclass.errors import RecordError
from coatclass.records import CheckRecord, Dog
from coatclass.taxonomy import BodyZone

router = APIRouter(prefix="/api/v1", tags=["records"], responses=REFUSALS)

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
    """The length in mm that each of the salon's combs and guards leaves, by its name."""

    guards: dict[Annotated[str, Field(max_length=60)], Annotated[float, Field(gt=0, le=100)]] = Field(
        default_factory=dict, max_length=_MOST_GUARDS
    )


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
    since = datetime.now(UTC) if said.counted else None
    return salon.change(files.read(salon, dog_id).dog, who=who.name, counted_since=since)


@router.get("/guards")
def guards(request: Request, who: Groomer) -> tuple[Guard, ...]:
    """The salon's combs and guards, shortest first."""
    with salon_of(request).read() as reader:
        return files.guards(reader)


@router.put("/guards")
def keep_guards(request: Request, who: Groomer, entry: GuardsEntry) -> tuple[Guard, ...]:
    """Keep the salon's combs and guards; the whole list at once."""
    kept = [Guard(name=name.strip(), mm=mm) for name, mm in entry.guards.items() if name.strip()]
    salon = salon_of(request)
    files.keep_guards(salon, kept, who=who.name)
    with salon.read() as reader:
        return files.guards(reader)
