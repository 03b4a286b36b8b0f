"""Erased is erased: in every table, in the file itself, and in the photo folder."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import text

from coatclass.contract import Assessment
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Client,
    Dog,
    Finding,
    Link,
    Measurement,
    Photo,
    Records,
    delete_client,
    erase_owners_part,
    make_link,
)
from coatclass.taxonomy import CoatCategory

WORDS = ("Ottoline", "Farrow", "0000 100", "rings twice", "Fennelina", "briardish", "was sweet", "silky", "Quill Lane")


@pytest.fixture
def known(records: Records, picture: Callable[..., bytes], assessment: Callable[..., Assessment]) -> Client:
    client = Client(name="Ottoline Farrow", phone="0000 100", address="Quill Lane", remarks="rings twice")
    records.add(client, who="Ada")
    dog = records.add(Dog(name="Fennelina", client_id=client.id, breed="briardish"), who="Ada")
    records.add_photo(dog.id, picture("tan"), who="owner's link")
    make_link(records, dog.id, valid_for=timedelta(days=1), who="Ada")
    with records.write("Ada") as writer:
        sheet = writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}))
        told = writer.add_assessment(dog.id, assessment(0.2), answers=sheet)
        found = Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada", remarks="was sweet", assessment_id=told.id)
        writer.add(found)
        writer.add(Measurement(dog_id=dog.id, length_mm=40, measured_on=date(2026, 1, 1)))
        writer.add(Measurement(dog_id=dog.id, length_mm=41, measured_on=date(2026, 1, 1), how="hands"))
        writer.add(Appointment(dog_id=dog.id, starts_at=datetime(2026, 3, 9, tzinfo=UTC)))
        writer.change(dog, name="Fennelina II")
    return client


def everything(records: Records) -> str:
    """All that is in all tables."""
    with records.engine.connect() as connection:
        names = connection.dialect.get_table_names(connection)
        return "\n".join(str(connection.execute(text(f'SELECT * FROM "{name}"')).all()) for name in names)


def test_a_client_who_is_deleted_leaves_only_that_she_was_there(records: Records, known: Client, place) -> None:
    assert all(word in everything(records) for word in WORDS)
    delete_client(records, known.id, who="Ada")
    left = everything(records)
    assert [word for word in WORDS if word in left] == []
    assert not list(records.store.names())
    for kind in (Client, Dog, Photo, AnswerSheet, Finding, Measurement, Appointment, Link):
        assert not records.find(kind)
    kept = records.trail()
    assert {change.before for change in kept} == {change.after for change in kept} == {None}
    if place.engine == "sqlite":
        with records.engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        [file] = place.folder.glob("*.sqlite")
        raw = file.read_bytes()
        assert [word for word in WORDS if word.encode() in raw] == []


def test_an_owner_takes_back_what_was_the_owners_and_the_salon_keeps_its_own(records: Records, known: Client) -> None:
    [dog] = records.find(Dog)
    erase_owners_part(records, dog.id, who="owner's link")
    for kind in (Link, AnswerSheet, Photo):
        assert not records.find(kind)
    assert "silky" not in everything(records)
    assert not list(records.store.names())
    assert [one.how for one in records.find(Measurement)] == ["hands"]
    assert [one.assessment_id for one in records.find(Finding)] == [None]
    assert len(records.find(Appointment)) == len(records.find(Client)) == 1
