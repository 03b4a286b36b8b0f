"""A day at the salon: finding a dog, who waits for hands, today's visits, duplicates, and deletion without a trace."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from coatclass.contract import Assessment, Verdict
from coatclass.errors import RecordError
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Client,
    Dog,
    Finding,
    Measurement,
    Photo,
    Records,
    StoredAssessment,
    delete_client,
    delete_dog,
    linked_dog,
    make_link,
    merge_clients,
    merge_dogs,
    search_clients,
    search_dogs,
    visits,
    waiting_list,
)
from coatclass.taxonomy import CoatCategory

MORNING = datetime(2026, 3, 2, 8, tzinfo=UTC)


def dog_with(records: Records, name: str, told: Assessment | None, at: datetime = MORNING, **fields: object) -> Dog:
    dog = records.add(Dog(name=name, **fields), who="Ada")
    if told is not None:
        records.add(StoredAssessment(dog_id=dog.id, result=told.model_dump(mode="json"), made_at=at), who="program")
    return dog


# --- searching ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sought", "found"),
    [
        ("bram", ["Bramble"]),
        ("BRAM", ["Bramble"]),
        ("briard", ["Bramble"]),
        ("angstrom", ["Bramble", "Çiğdem"]),  # the owner
        ("ÅNGSTRÖM  bram", ["Bramble"]),
        ("cigdem", ["Çiğdem"]),
        ("strasse", ["Rex"]),
        ("100%", ["Rex"]),
        ("_", []),
        ("%", ["Rex"]),
        ("\\", []),
        ("'; DROP TABLE dogs; --", []),
        ("", ["Bramble", "Rex", "Çiğdem"]),
        ("nobody", []),
    ],
)
def test_a_dog_is_found_by_name_breed_or_owner_without_regard_to_case_and_accents(
    records: Records, sought: str, found: list[str]
) -> None:
    owner = records.add(Client(name="Zoë Ångström"), who="Ada")
    records.add(Dog(name="Bramble", breed="Briard", client_id=owner.id), who="Ada")
    records.add(Dog(name="Çiğdem", breed="Kangal", client_id=owner.id), who="Ada")
    records.add(Dog(name="Rex", breed="Straße 100% cross"), who="Ada")
    assert sorted(one.dog.name for one in search_dogs(records, sought)) == found
    for one in search_dogs(records, sought):
        assert (one.client is None) == (one.dog.name == "Rex")


def test_search_finds_the_new_name_after_a_change(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    records.change(dog, who="Ada", name="Thistle")
    assert search_dogs(records, "bramble") == ()
    assert search_dogs(records, "thistle")[0].dog.name == "Thistle"


def test_a_client_is_found_by_name_phone_or_mail(records: Records) -> None:
    client = records.add(Client(name="Zoë", phone="0170 555", email="Zoe@Example.org"), who="Ada")
    for sought in ("zoe", "555", "example.ORG"):
        assert search_clients(records, sought) == (client,)
    assert search_clients(records, "ada") == ()


# --- waiting for hands ----------------------------------------------------------------------------------------------


def test_dogs_waiting_for_hands_come_most_doubtful_first(records: Records, assessment) -> None:
    dog_with(records, "sure", assessment(0.9))
    dog_with(records, "torn", assessment(0.2))
    dog_with(records, "fair", assessment(0.6), client_id=records.add(Client(name="Zoë"), who="Ada").id)
    dog_with(records, "settled", assessment(0.99, Verdict.SETTLED))
    dog_with(records, "never seen", None)
    waiting = waiting_list(records)
    assert [one.dog.name for one in waiting] == ["torn", "fair", "sure"]
    assert [one.client and one.client.name for one in waiting] == [None, "Zoë", None]
    assert 1 >= waiting[0].doubt > waiting[1].doubt > waiting[2].doubt > 0


def test_doubt_is_the_entropy_as_a_share_of_the_highest_possible(assessment) -> None:
    even = StoredAssessment(dog_id="0" * 32, result=assessment(1 / 7).model_dump(mode="json"))
    sure = StoredAssessment(dog_id="0" * 32, result=assessment(1.0).model_dump(mode="json"))
    assert even.doubt == pytest.approx(1) and sure.doubt == pytest.approx(0)
    assert StoredAssessment(dog_id="0" * 32, result={"verdict": "unusable_photo", "category": None}).doubt == 1


def test_a_dog_stops_waiting_once_touched_and_waits_again_after_a_new_doubt(records: Records, assessment) -> None:
    dog = dog_with(records, "torn", assessment(0.2))
    records.add(
        Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada", found_at=MORNING + timedelta(hours=1)), who="Ada"
    )
    assert waiting_list(records) == ()
    later = MORNING + timedelta(days=90)
    again = StoredAssessment(dog_id=dog.id, result=assessment(0.3).model_dump(mode="json"), made_at=later)
    records.add(again, who="program")
    assert [(one.assessment_id, one.since) for one in waiting_list(records)] == [(again.id, later)]


def test_only_the_newest_assessment_counts(records: Records, assessment) -> None:
    dog = dog_with(records, "torn", assessment(0.2))
    records.add(
        StoredAssessment(
            dog_id=dog.id,
            result=assessment(0.99, Verdict.SETTLED).model_dump(mode="json"),
            made_at=MORNING + timedelta(hours=1),
        ),
        who="program",
    )
    assert waiting_list(records) == ()


def test_a_stored_assessment_reads_back_as_the_contract(records: Records, assessment) -> None:
    told = assessment(0.6)
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with records.write("program") as writer:
        sheet = writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}))
        stored = writer.add_assessment(dog.id, told, answers=sheet, evidence={"answers": {"measured_mm": 40}})
    back = records.get(StoredAssessment, stored.id)
    assert back.assessment == told and back.answers_id == sheet.id
    with pytest.raises(RecordError) as caught:
        _ = StoredAssessment(dog_id=dog.id, result={"schema_version": 99}).assessment
    assert caught.value.code == "unreadable"


def test_the_days_visits_come_in_order_without_the_cancelled(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    for hour, state in ((15, "planned"), (9, "done"), (11, "cancelled"), (33, "planned")):
        starts = MORNING.replace(hour=0) + timedelta(hours=hour)
        records.add(Appointment(dog_id=dog.id, starts_at=starts, state=state), who="Ada")
    day = visits(records, MORNING.replace(hour=0), MORNING.replace(hour=0) + timedelta(days=1))
    assert [(one.appointment.starts_at.hour, one.dog.name, one.client) for one in day] == [
        (9, "Bramble", None),
        (15, "Bramble", None),
    ]


# --- duplicates -----------------------------------------------------------------------------------------------------


@pytest.fixture
def full_dog(picture: Callable[..., bytes], assessment: Callable[..., Assessment]) -> Callable[..., Dog]:
    """A function that keeps a dog with a record of every kind."""

    def keep(records: Records, name: str, colour: str, **fields: object) -> Dog:
        dog = dog_with(records, name, assessment(0.2), **fields)
        records.add_photo(dog.id, picture(colour), who="Ada")
        with records.write("Ada") as writer:
            writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}))
            writer.add(Finding(dog_id=dog.id, category=CoatCategory.HAIR, by="Ada", remarks=f"{name} was sweet"))
            writer.add(Measurement(dog_id=dog.id, length_mm=40, measured_on=date(2026, 1, 1)))
            writer.add(Appointment(dog_id=dog.id, starts_at=MORNING))
        return dog

    return keep


CHILDREN = (Photo, AnswerSheet, StoredAssessment, Finding, Measurement, Appointment)


def test_merging_two_records_of_one_dog_loses_nothing(records: Records, full_dog: Callable[..., Dog]) -> None:
    kept = full_dog(records, "Bramble", "tan", remarks="left ear sore")
    other = full_dog(records, "Bramble", "grey", breed="briard", weight_kg=30, remarks="bites the brush")
    token = make_link(records, other.id, valid_for=timedelta(days=9), who="Ada")
    merged = merge_dogs(records, kept.id, other.id, who="Grace")
    assert (merged.breed, merged.weight_kg, merged.remarks) == ("briard", 30, "left ear sore\nbites the brush")
    for kind in CHILDREN:
        assert len(records.find(kind, dog_id=kept.id)) == 2 == len(records.find(kind))
    assert records.find(Dog) == (merged,)
    assert linked_dog(records, token) == merged
    assert {change.who for change in records.trail(kept.id)} == {"Ada", "Grace"}


def test_merging_two_records_of_one_owner_moves_the_dogs(records: Records) -> None:
    kept = records.add(Client(name="Zoë", phone="1"), who="Ada")
    other = records.add(Client(name="Zoe", phone="2", email="zoe@example.org"), who="Ada")
    dog = records.add(Dog(name="Bramble", client_id=other.id), who="Ada")
    merged = merge_clients(records, kept.id, other.id, who="Ada")
    assert (merged.name, merged.phone, merged.email) == ("Zoë", "1", "zoe@example.org")
    assert records.get(Dog, dog.id).client_id == kept.id
    assert records.find(Client) == (merged,)


def test_a_record_is_not_merged_with_itself(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with pytest.raises(RecordError) as caught:
        merge_dogs(records, dog.id, dog.id, who="Ada")
    assert caught.value.code == "same"
    assert records.find(Dog) == (dog,)


# --- deletion -------------------------------------------------------------------------------------------------------


def test_a_deleted_client_is_gone_with_all_that_is_hers(
    place, full_dog: Callable[..., Dog], picture: Callable[..., bytes]
) -> None:
    records = place.open()
    zoe = records.add(Client(name="Zoë Quixote", phone="0170 98-76-5", remarks="pays late"), who="Ada")
    ida = records.add(Client(name="Ida"), who="Ada")
    hers = full_dog(records, "Brambleberry", "tan", client_id=zoe.id)
    double = full_dog(records, "Brambleberri", "olive", client_id=zoe.id)
    merge_dogs(records, hers.id, double.id, who="Ada")
    sold = records.add(Dog(name="Goneaway", client_id=zoe.id), who="Ada")
    with records.write("Ada") as writer:
        old = writer.add(Measurement(dog_id=sold.id, length_mm=123.456, measured_on=date(2020, 1, 1)))
        writer.remove(old)
        writer.remove(sold)
    others = full_dog(records, "Thistle", "grey", client_id=ida.id)
    records.add_photo(others.id, picture("olive"), who="Ada")  # the same picture of both dogs
    token = make_link(records, hers.id, valid_for=timedelta(days=9), who="Ada")

    delete_client(records, zoe.id, who="Grace")

    assert records.find(Client) == (ida,) and [dog.id for dog in records.find(Dog)] == [others.id]
    for kind in CHILDREN:
        assert {one.dog_id for one in records.find(kind)} == {others.id}
    assert linked_dog(records, token) is None
    assert {photo.sha256 for photo in records.find(Photo)} == set(records.store.names())  # the shared one stays
    trail = str(records.trail())
    for hers_alone in ("Quixote", "98-76-5", "pays late", "Brambleberr", "Goneaway", "123.456"):
        assert hers_alone not in trail
    assert "Thistle" in trail
    erased = [change for change in records.trail(zoe.id) if change.action == "erased"]
    assert [(change.who, change.before, change.after) for change in erased] == [("Grace", None, None)]


def test_nothing_of_a_deleted_client_is_left_in_the_sqlite_files(tmp_path: Path) -> None:
    from coatclass.records import open_records

    with open_records(f"sqlite:///{tmp_path / 'salon.sqlite'}") as records:
        client = records.add(Client(name="Xylophoneia Quetzalcoatl"), who="Ada")
        delete_client(records, client.id, who="Ada")
    left = b"".join(path.read_bytes() for path in tmp_path.glob("salon.sqlite*"))
    assert b"Xylophoneia" not in left and b"xylophoneia" not in left


def test_a_deleted_dog_leaves_its_owner(records: Records, full_dog: Callable[..., Dog]) -> None:
    zoe = records.add(Client(name="Zoë"), who="Ada")
    dog = full_dog(records, "Bramble", "tan", client_id=zoe.id)
    delete_dog(records, dog.id, who="Ada")
    assert records.find(Client) == (zoe,) and records.find(Dog) == ()
    assert list(records.store.names()) == []


def test_deleting_what_is_not_there_is_said(records: Records) -> None:
    for delete in (delete_dog, delete_client):
        with pytest.raises(RecordError) as caught:
            delete(records, "0" * 32, who="Ada")
        assert caught.value.code == "not_found"
