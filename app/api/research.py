"""For researchers over HTTP: findings without names, the release's figures, and learning from findings."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Literal

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel, Field

from app.accounts import Groomer, Researcher
from app.api.assessing import REFUSALS, Entry, download, salon_of, shelf_of, working
from coatclass.errors import InputError, ModelFilesError
from coatclass.learning import RELEASED, LearningReport, Shelf, examples, learn
from coatclass.records import Records, export_findings, learning_cases
from coatclass.resources import released

router = APIRouter(prefix="/api/v1/research", tags=["research"], responses=REFUSALS)

_MARKDOWN = "text/plain; charset=utf-8"  # shown by browsers, not downloaded
FILES = {"metrics.json": "application/json", "METRICS.md": _MARKDOWN, "MODEL_CARD.md": _MARKDOWN}
HOW = "python -m training evaluate --out FOLDER"


@router.get("/findings.csv", response_class=Response)
def findings(request: Request, who: Researcher) -> Response:
    """Hands-on findings with the estimates that stood, one row each; nothing in it names a person or a dog."""
    with TemporaryDirectory(prefix="coatclass-") as folder:
        path = Path(folder) / "findings.csv"
        export_findings(salon_of(request), path)
        return download(path.read_bytes(), "text/csv; charset=utf-8", "findings.csv")


def evaluation_files() -> tuple[str, ...]:
    """Which files of the release's evaluation are here."""
    return tuple(name for name in FILES if _path(name) is not None)


def _path(name: str) -> Path | None:
    try:
        return released(f"models/{name}")
    except ModelFilesError:
        return None


@router.get("/evaluation/{name}", response_class=FileResponse)
def evaluation(
    request: Request, who: Researcher, name: Literal["metrics.json", "METRICS.md", "MODEL_CARD.md"]
) -> FileResponse:
    """The evaluation of the release: figures with intervals, as JSON or to read."""
    path = _path(name)
    if path is None:
        raise InputError("the evaluation", "was not made here yet.", f"Make it with: {HOW}", code="missing")
    return FileResponse(path, media_type=FILES[name])


learning_router = APIRouter(prefix="/api/v1/learning", tags=["learning"], responses=REFUSALS)


class Version(BaseModel):
    """A version with the comparison it was kept with; the released one has none."""

    version: str
    in_use: bool
    report: LearningReport | None


class VersionToUse(Entry):
    """The version to take into use."""

    version: Annotated[str, Field(max_length=100)]


@learning_router.get("")
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


@learning_router.post("", status_code=201)
async def learn_now(request: Request, who: Groomer) -> Version:
    """Learn from all findings and compare on dogs held out; the new version is kept and not in use yet."""
    made: Version = await working(request, _learn, salon_of(request), shelf_of(request), dear=True)
    return made


def _learn(salon: Records, shelf: Shelf) -> Version:
    from coatclass.vision import read_manifest

    model, report = learn(examples(learning_cases(salon), model_version=read_manifest().model_version))
    shelf.put(model, report)
    return Version(version=model.version, in_use=False, report=report)


@learning_router.post("/use")
def use(request: Request, who: Groomer, choice: VersionToUse) -> list[Version]:
    """Take a version into use, or return to an older one or to "released"."""
    shelf = shelf_of(request)
    shelf.use(choice.version)
    return listed(shelf)
