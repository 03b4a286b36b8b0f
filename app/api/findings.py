"""What hands find, over HTTP, for groomers: findings, measurements, the bench for doubtful coats."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from app import cases
from app.accounts import Groomer
from app.api.asking import REFUSALS, Day, DogId, Entry, RecordId, learned_of, looks_of, salon_of, working
from app.api.owner import Length, Marks
from app.groomer import dog_file as files
from app.groomer.touches import Bench, Touches, bench_of
from coatclass.contract import Assessment
from coatclass.measure import measure_by_card
from coatclass.records import Dog, Finding, Measurement, valid
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience, Texture, Undercoat

router = APIRouter(prefix="/api/v1/dogs/{dog_id}", tags=["records"], responses=REFUSALS)

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


class Remarks(Entry):
    """Words for the sheet."""

    remarks: Annotated[str, Field(max_length=20_000)]


class MeasurementEntry(Entry):
    """A length that somebody measured."""

    length_mm: Millimetres
    zone: BodyZone = BodyZone.TRUNK
    measured_on: Day | None = None
    how: Literal["ruler", "card", "hands"] = "ruler"


class Found(BaseModel):
    """The finding as kept, and what the program says since."""

    finding: Finding
    assessment: Assessment


@router.post("/findings", status_code=201)
async def add(request: Request, who: Groomer, dog_id: DogId, entry: FindingEntry) -> Found:
    """Keep a hands-on finding as the truth; it replaces the estimate at once."""
    found: Found = await working(request, _add, request, who.name, dog_id, entry)
    return found


def _add(request: Request, who: str, dog_id: str, entry: FindingEntry) -> Found:
    salon, looks, learned = salon_of(request), looks_of(request), learned_of(request)
    if not files.read(salon, dog_id).assessments:  # so that learning knows what would have been said
        files.reassess(salon, looks, dog_id, who=who, learned=learned)
    finding = files.add_finding(salon, looks, dog_id, entry.model_dump(), who=who)
    return Found(finding=finding, assessment=files.reassess(salon, looks, dog_id, who=who, learned=learned))


@router.patch("/findings/{record_id}")
def remark(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId, words: Remarks) -> Finding:
    """Change the remarks of a finding; they stand on the sheet."""
    changed: Finding = files.change(salon_of(request), Finding, dog_id, record_id, who=who.name, remarks=words.remarks)
    return changed


@router.delete("/findings/{record_id}", status_code=204)
def take_back(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> None:
    """Take back a finding that was entered by mistake; the trail keeps it."""
    files.take_back_finding(salon_of(request), dog_id, record_id, who=who.name)


@router.post("/measurements", status_code=201)
def measured(request: Request, who: Groomer, dog_id: DogId, entry: MeasurementEntry) -> Measurement:
    """Keep a measured length; today's unless a day is given."""
    salon = salon_of(request)
    salon.get(Dog, dog_id)
    day = entry.measured_on or cases.today()
    value = valid(Measurement, dog_id=dog_id, **{**entry.model_dump(), "measured_on": day})
    return salon.add(value, who=who.name)


@router.delete("/measurements/{record_id}", status_code=204)
def unmeasure(request: Request, who: Groomer, dog_id: DogId, record_id: RecordId) -> None:
    """Take back a measurement that was entered by mistake."""
    files.remove(salon_of(request), Measurement, dog_id, record_id, who=who.name)


@router.post("/length")
def length(request: Request, who: Groomer, dog_id: DogId, marks: Marks) -> Length:
    """Reckon a length from marks in a picture: a bank card's corners and the hair's ends; kept with ``keep``."""
    salon = salon_of(request)
    salon.get(Dog, dog_id)
    corners, hair = ([(point[0], point[1]) for point in points] for points in (marks.corners, marks.hair))
    found = measure_by_card(corners, hair, click_error_px=marks.click_error_px, rounded_corners=True)
    low, high = found.interval_mm
    if marks.keep:
        values = {"length_mm": round(found.length_mm, 1), "error_mm": round(found.error_mm, 2)}
        day = cases.today()
        salon.add(valid(Measurement, dog_id=dog_id, measured_on=day, how="card", **values), who=who.name)
    return Length(length_mm=found.length_mm, low_mm=low, high_mm=high, kept=marks.keep)


@router.post("/bench")
async def bench(request: Request, who: Groomer, dog_id: DogId, touches: Touches) -> Bench:
    """What the touches so far say, and which touch would tell most next. Nothing is kept."""
    said: Bench = await working(request, _bench, request, dog_id, touches)
    return said


def _bench(request: Request, dog_id: str, touches: Touches) -> Bench:
    salon = salon_of(request)
    assessment = files.assess(salon, looks_of(request), files.read(salon, dog_id), learned=learned_of(request))
    return bench_of(assessment, touches.outcomes)
