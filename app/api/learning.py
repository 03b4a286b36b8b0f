"""Learning from findings over HTTP, for groomers: learn, compare, switch only when told to, go back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from app.accounts import Groomer
from app.api.asking import REFUSALS, Entry, salon_of, shelf_of, working
from coatclass.learning import RELEASED, LearningReport, Shelf, cases, learn
from coatclass.records import Records, learning_cases

router = APIRouter(prefix="/api/v1/learning", tags=["learning"], responses=REFUSALS)


class Version(BaseModel):
    """A version with the comparison it was kept with; the released one has none."""

    version: str
    in_use: bool
    report: LearningReport | None


class Choice(Entry):
    """The version to take into use."""

    version: Annotated[str, Field(max_length=100)]


@router.get("")
def versions(request: Request, who: Groomer) -> list[Version]:
    """All versions, the released one first, then the oldest."""
    return listed(shelf_of(request))


def listed(shelf: Shelf) -> list[Version]:
    """The versions on a shelf."""
    current = shelf.current().version
    return [
        Version(version=one, in_use=one == current, report=None if one == RELEASED.version else shelf.report(one))
        for one in shelf.versions()
    ]


@router.post("", status_code=201)
async def learn_now(request: Request, who: Groomer) -> Version:
    """Learn from all findings and compare on dogs held out; the new version is kept and not in use yet."""
    made: Version = await working(request, _learn, salon_of(request), shelf_of(request), dear=True)
    return made


def _learn(salon: Records, shelf: Shelf) -> Version:
    from coatclass.vision import read_manifest

    model, report = learn(cases(learning_cases(salon), model_version=read_manifest().model_version))
    shelf.put(model, report)
    return Version(version=model.version, in_use=False, report=report)


@router.post("/use")
def use(request: Request, who: Groomer, choice: Choice) -> list[Version]:
    """Take a version into use, or return to an older one or to "released"."""
    shelf = shelf_of(request)
    shelf.use(choice.version)
    return listed(shelf)
