"""What the handlers of the records share: ids, the records of this server, downloads, confirmations."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Annotated, Any

from fastapi import Depends, Path, Query, Request
from fastapi.responses import Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from app import cases
from app.language import spoken
from app.looking import Looks
from coatclass import learning
from coatclass.learning import LearnedModel, Shelf
from coatclass.records import FIRST_DAY, LAST_DAY, Records

DogId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$", description="id of the dog")]
RecordId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$", description="id of the record")]
Sought = Annotated[str, Query(max_length=200, description="words to look for; empty for all")]


async def _language(language: Annotated[str | None, Query(pattern="^[a-z]{2}$")] = None) -> str:
    """The language asked for, else the reader's."""
    return language or spoken()


Language = Annotated[str, Depends(_language)]
"""Of a sheet or calendar."""

Day = Annotated[date, Field(ge=FIRST_DAY, le=LAST_DAY)]
Moment = Annotated[
    AwareDatetime,
    Field(ge=datetime.combine(FIRST_DAY, time(), UTC), le=datetime.combine(LAST_DAY, time(), UTC)),
]

REFUSALS: dict[int | str, dict[str, Any]] = {
    403: {"description": "not signed in, or not in this role"},
    404: {"description": "not there"},
    409: {"description": "in conflict with what is there"},
}


class Entry(BaseModel):
    """What is sent; unknown fields are refused."""

    model_config = ConfigDict(extra="forbid")


class Confirmation(Entry):
    """The name of what is to be deleted, typed once more."""

    name: Annotated[str, Field(max_length=200)]


class Duplicate(Entry):
    """The record that is to go; what belongs to it moves to the one in the address."""

    duplicate: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]


def salon_of(request: Request) -> Records:
    """The records of this server."""
    salon: Records = request.app.state.records
    return salon


def looks_of(request: Request) -> Looks:
    """The looks at photos of this server."""
    looks: Looks = request.app.state.looks
    return looks


def shelf_of(request: Request) -> Shelf:
    """The learned versions of this server."""
    return learning.shelf_of(salon_of(request))


def learned_of(request: Request) -> LearnedModel:
    """The learned version in use."""
    return cases.learned(salon_of(request))


async def working(request: Request, function: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
    """Run what takes long in the queue, outside the event loop, as long as somebody waits for it."""
    return await request.app.state.queue.run(function, *args, asker=request, **kwargs)


def download(content: bytes | str, kind: str, name: str, *, inline: bool = False) -> Response:
    """A file to keep, or to show."""
    how = "inline" if inline else "attachment"
    return Response(content, media_type=kind, headers={"content-disposition": f'{how}; filename="{name}"'})
