"""A dog's photos over HTTP, for groomers."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, File, Request, UploadFile
from fastapi.responses import Response

from app.accounts import Groomer
from app.api.asking import REFUSALS, DogId, RecordId, looks_of, salon_of, working
from app.api.assessing import read_uploads
from app.api.owner import KeptPhoto
from app.groomer import dog_file as files
from app.looking import overlay
from coatclass.errors import PhotoError

router = APIRouter(prefix="/api/v1/dogs/{dog_id}/photos", tags=["records"], responses=REFUSALS)

_PRIVATE = {"cache-control": "private, no-store"}


@router.post("")
async def add(
    request: Request, who: Groomer, dog_id: DogId, photos: Annotated[list[UploadFile], File()]
) -> list[KeptPhoto]:
    """Look at photos at once and keep those that can be used; place and device are removed."""
    pictures = await read_uploads(request, photos)
    return [
        await working(request, _add, request, dog_id, who.name, name, content, dear=True) for name, content in pictures
    ]


def _add(request: Request, dog_id: str, who: str, name: str, content: bytes) -> KeptPhoto:
    from coatclass.photo import refusal

    most = int(request.app.state.settings.limits["upload"]["photos_per_dog"])
    try:
        photo, report = files.add_photo(salon_of(request), dog_id, content, name[:200], most=most, who=who)
    except PhotoError as error:
        return KeptPhoto(id=None, report=refusal(error))
    if photo is None:
        return KeptPhoto(id=None, report=report)
    return KeptPhoto(id=photo.id, width=photo.width, height=photo.height, report=report)


@router.get("/{photo_id}", response_class=Response)
def picture(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> Response:
    """The photo as it is kept."""
    salon = salon_of(request)
    photo = files.photo_of(salon, dog_id, photo_id)
    return Response(salon.store.read(photo.sha256), media_type="image/jpeg", headers=_PRIVATE)


@router.get("/{photo_id}/looked-at", response_class=Response)
async def looked_at(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> Response:
    """A PNG to lay over the photo: what the image model did not take for dog is darkened."""
    content = await working(request, _overlay, request, dog_id, photo_id, dear=True)
    return Response(content, media_type="image/png", headers=_PRIVATE)


def _overlay(request: Request, dog_id: str, photo_id: str) -> bytes:
    salon = salon_of(request)
    photo = files.photo_of(salon, dog_id, photo_id)
    return overlay(looks_of(request).of(salon, photo).mask, (photo.width, photo.height))


@router.delete("/{photo_id}", status_code=204)
def remove(request: Request, who: Groomer, dog_id: DogId, photo_id: RecordId) -> None:
    """Erase a photo."""
    salon = salon_of(request)
    with salon.write(who.name) as writer:
        writer.erase(files.photo_of(salon, dog_id, photo_id))
    salon.sweep_photos()
