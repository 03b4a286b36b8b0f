"""Clients over HTTP, for groomers: find, add, change, merge, delete with all that is theirs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request
from pydantic import Field

from app import checks
from app.accounts import Groomer
from app.api.asking import REFUSALS, Confirmation, Duplicate, Entry, RecordId, Sought, salon_of
from app.groomer.dog_file import confirmed
from coatclass.records import Client, Dog, delete_client, merge_clients, search_clients, valid

router = APIRouter(prefix="/api/v1/clients", tags=["records"], responses=REFUSALS)


class ClientEntry(Entry):
    """A client as entered."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    phone: Annotated[str, Field(max_length=200)] = ""
    email: Annotated[str, Field(max_length=200)] = ""
    address: Annotated[str, Field(max_length=200)] = ""
    remarks: Annotated[str, Field(max_length=20_000)] = ""


class ClientWithDogs(Entry):
    """A client and her dogs."""

    client: Client
    dogs: tuple[Dog, ...]


@router.get("")
def find(request: Request, who: Groomer, sought: Sought = "") -> tuple[Client, ...]:
    """Clients by name, phone or mail address; 50 at most."""
    return search_clients(salon_of(request), sought)


@router.post("", status_code=201)
def add(request: Request, who: Groomer, entry: ClientEntry) -> Client:
    """Keep a new client."""
    checks.mail(entry.email)
    return salon_of(request).add(valid(Client, **entry.model_dump()), who=who.name)


@router.get("/{client_id}")
def one(request: Request, who: Groomer, client_id: RecordId) -> ClientWithDogs:
    """A client with her dogs."""
    with salon_of(request).read() as reader:
        client = reader.get(Client, client_id)
        return ClientWithDogs(client=client, dogs=reader.find(Dog, client_id=client_id))


@router.put("/{client_id}")
def change(request: Request, who: Groomer, client_id: RecordId, entry: ClientEntry) -> Client:
    """Change a client."""
    checks.mail(entry.email)
    salon = salon_of(request)
    return salon.change(salon.get(Client, client_id), who=who.name, **entry.model_dump())


@router.post("/{client_id}/merge")
def merge(request: Request, who: Groomer, client_id: RecordId, other: Duplicate) -> Client:
    """Join two records of one client; dogs move to the one in the address."""
    return merge_clients(salon_of(request), client_id, other.duplicate, who=who.name)


@router.post("/{client_id}/delete", status_code=204)
def delete(request: Request, who: Groomer, client_id: RecordId, typed: Confirmation) -> None:
    """Erase a client with dogs, photos and findings; her name must be typed. This can't be undone."""
    salon = salon_of(request)
    confirmed(typed.name, salon.get(Client, client_id).name)
    delete_client(salon, client_id, who=who.name)
