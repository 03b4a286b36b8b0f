"""The salon's records as a whole, over HTTP, for groomers: take everything along, bring it back, see who did what."""

from __future__ import annotations

from pathlib import Path
from shutil import copyfileobj, rmtree
from tempfile import mkdtemp
from typing import Annotated

from fastapi import APIRouter, File, Query, Request, UploadFile
from fastapi.responses import FileResponse
from pydantic import BaseModel
from starlette.background import BackgroundTask

from app.accounts import Groomer
from app.api.asking import REFUSALS, salon_of
from app.groomer import dog_file as files
from coatclass.records import BY_UPLOAD, Change, export_salon, import_salon

router = APIRouter(prefix="/api/v1", tags=["records"], responses=REFUSALS)


class Taken(BaseModel):
    """What came out of an export."""

    counts: dict[str, int]
    photos: int
    missing_photos: tuple[str, ...]


@router.get("/export", response_class=FileResponse)
def everything(request: Request, who: Groomer) -> FileResponse:
    """Clients, dogs, findings, photos and the trail in one ZIP file: CSV for people, JSON for reading back."""
    folder = Path(mkdtemp(prefix="coatclass-"))
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
    folder = Path(mkdtemp(prefix="coatclass-"))
    try:
        path = folder / "salon.zip"
        with path.open("wb") as copy:
            copyfileobj(file.file, copy)
        archive = import_salon(salon_of(request), path, limits=BY_UPLOAD)
    finally:
        _remove(folder)
    return Taken(counts=dict(archive.counts), photos=archive.photos, missing_photos=archive.missing_photos)


@router.get("/trail")
def trail(request: Request, who: Groomer, last: Annotated[int, Query(ge=1, le=1000)] = 200) -> tuple[Change, ...]:
    """Who changed what and when, the newest first."""
    return tuple(reversed(files.trail(salon_of(request))[-last:]))


def _remove(folder: Path) -> None:
    rmtree(folder, ignore_errors=True)
