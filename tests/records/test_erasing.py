"""Erased is erased: in every table, in the file itself, and in the photo folder."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import partial

import pytest
from sqlalchemy import text

from coatclass.contract import Assessment
from coatclass.errors import RecordError
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
    Sharing,
    Writer,
    delete_client,
    delete_dog,
    erase_for_owner,
    make_link,
    prepare,
    withdraw,
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
        files = {file.suffix: file.read_bytes() for file in place.folder.glob("*.sqlite*")}
        assert files.keys() > {".sqlite-wal"}  # the log told all of it a moment ago
        assert [(kind, word) for kind, raw in files.items() for word in WORDS if word.encode() in raw] == []


def test_an_owner_takes_back_what_was_the_owners_and_the_salon_keeps_its_own(records: Records, known: Client) -> None:
    [dog] = records.find(Dog)
    erase_for_owner(records, dog.id, who="owner's link")
    for kind in (Link, AnswerSheet, Photo):
        assert not records.find(kind)
    assert "silky" not in everything(records)
    assert not list(records.store.names())
    assert [one.how for one in records.find(Measurement)] == ["hands"]
    assert [one.assessment_id for one in records.find(Finding)] == [None]
    assert len(records.find(Appointment)) == len(records.find(Client)) == 1


def test_a_dog_that_a_groomer_made_stays_hers_when_its_owner_deletes(records: Records, picture) -> None:
    dog = records.add(Dog(name="Sedge", remarks="bites when dried"), who="Ada")
    make_link(records, dog.id, valid_for=timedelta(days=1), who="Ada")
    records.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}), who="owner's link")
    records.add_photo(dog.id, picture("tan"), who="owner's link")
    assert not erase_for_owner(records, dog.id, who="owner's link")
    assert records.get(Dog, dog.id) == dog
    for kind in (Link, AnswerSheet, Photo):
        assert not records.find(kind)
    assert not list(records.store.names())
    delete_dog(records, dog.id, who="Ada")
    assert not records.find(Dog)


SENDER = ("Ida Lorn", "0000 300")


@pytest.fixture
def sent(records: Records) -> Dog:
    """A dog that an owner sent to the salon."""
    dog = records.add(Dog(name="Moss", sharing=Sharing.SELF), who="owner's link")
    now = datetime.now(UTC)
    fields = {"sharing": Sharing.SENT, "sent_by": SENDER[0], "sent_reach": SENDER[1], "sent_at": now}
    return records.change(dog, who="owner's link", **fields)


def test_who_sent_a_dog_is_told_nowhere_once_it_is_withdrawn(records: Records, sent: Dog) -> None:
    assert all(word in everything(records) for word in SENDER)
    with records.write("Ada", only=sent.id) as writer:
        withdraw(writer, sent, Sharing.DECLINED)
    assert [word for word in SENDER if word in everything(records)] == []
    [_, sending, declining] = records.trail(sent.id)
    assert (sending.after, declining.before) == ({"sharing": "sent"}, {"sharing": "sent"})


@pytest.mark.parametrize("state", ["planned", "done"])
@pytest.mark.parametrize("taken_back", [False, True])
def test_an_owner_leaves_no_dog_behind_that_nobody_can_reach(
    records: Records, sent: Dog, taken_back: bool, state: str
) -> None:
    records.add(Appointment(dog_id=sent.id, starts_at=datetime(2026, 3, 9, tzinfo=UTC), state=state), who="Ada")
    if taken_back:
        with records.write("owner's link", only=sent.id) as writer:
            withdraw(writer, sent, Sharing.SELF)
    all_gone = erase_for_owner(records, sent.id, who="owner's link")
    assert all_gone is (taken_back and state == "planned")
    assert [dog.sharing for dog in records.find(Dog)] == ([] if all_gone else [Sharing.SALON])
    assert [word for word in SENDER if word in everything(records)] == []


def test_a_photo_that_comes_when_its_dog_is_gone_is_not_kept(records: Records, sent: Dog, picture) -> None:
    late = prepare(picture("tan"))
    erase_for_owner(records, sent.id, who="owner's link")
    for add in (Writer.add_photo, partial(Writer.add_place_photo, place="left.legs")):
        with pytest.raises(RecordError) as refused, records.write("owner's link", only=sent.id) as writer:
            add(writer, sent.id, late)
        assert refused.value.code == "not_found"
    assert not list(records.store.names())
