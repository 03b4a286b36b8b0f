"""What was signed stays as it was: through the program, past it, through archives; only a whole dog takes it along."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from coatclass.errors import RecordError
from coatclass.records import (
    Appointment,
    Client,
    Dog,
    Intake,
    PlacePhoto,
    Records,
    backup,
    delete_client,
    delete_dog,
    erase_for_owner,
    export_salon,
    import_salon,
    merge_dogs,
    prepare,
    restore,
)

AT = datetime(2026, 3, 9, 8, 40, tzinfo=UTC)
CONTENT = json.dumps({"found": {"left.legs": "felted"}, "words": "Der Mantel muss ab – „ganz“."}, ensure_ascii=False)


@pytest.fixture
def signed(records: Records, picture: Callable[..., bytes]) -> Intake:
    """Of a client's dog: a draft that was signed, a photo of a place with it, and a second version."""
    client = records.add(Client(name="Ottoline Farrow"), who="Ada")
    dog = records.add(Dog(name="Fennel", client_id=client.id), who="Ada")
    with records.write("Ada") as writer:
        visit = writer.add(Appointment(dog_id=dog.id, starts_at=AT))
        draft = writer.add(Intake(dog_id=dog.id, appointment_id=visit.id, content="{}"))
        draft = writer.change(draft, content=CONTENT, sha256="")
        photo = writer.add_place_photo(dog.id, prepare(picture("brown")), "left.legs")
        first = writer.change(draft, signed_at=AT)
        writer.change(photo, intake_id=first.id)
        writer.add(Intake(dog_id=dog.id, appointment_id=visit.id, replaces_id=first.id, version=2, content=CONTENT))
    return records.get(Intake, first.id)


def test_the_program_refuses_to_change_or_remove_it(records: Records, signed: Intake) -> None:
    for change in ({"content": "{}", "sha256": ""}, {"signed_at": None}, {"appointment_id": None}):
        with pytest.raises(RecordError) as caught:
            records.change(signed, who="Ada", **change)
        assert caught.value.code == "signed" and "new version" in caught.value.next_step
    with records.write("Ada") as writer, pytest.raises(RecordError) as caught:
        writer.remove(signed)
    assert caught.value.code == "signed"
    assert records.get(Intake, signed.id) == signed


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE intakes SET content = '{}' WHERE signed_at IS NOT NULL",
        "UPDATE intakes SET signed_at = NULL",
        "UPDATE intakes SET sha256 = 'x' WHERE signed_at IS NOT NULL",
        "UPDATE place_photos SET intake_id = NULL",
        "UPDATE place_photos SET sha256 = 'x'",
        "DELETE FROM place_photos",
        "DELETE FROM intakes WHERE signed_at IS NOT NULL",
    ],
)
def test_the_database_itself_refuses_too(records: Records, signed: Intake, statement: str) -> None:
    with pytest.raises(IntegrityError), records.engine.begin() as connection:
        connection.execute(text(statement))
    assert records.get(Intake, signed.id) == signed and signed.intact
    assert len(records.find(PlacePhoto, intake_id=signed.id)) == 1


def test_a_draft_may_change_and_go(records: Records, signed: Intake) -> None:
    [draft] = [one for one in records.find(Intake) if one.signed_at is None]
    changed = records.change(draft, who="Ada", content='{"nails": "long"}', sha256="")
    assert changed.intact and changed.sha256 != draft.sha256
    with records.write("Ada") as writer:
        writer.remove(changed)
    assert records.find(Intake) == (signed,)


@pytest.mark.parametrize("erase", ["dog", "client"])
def test_the_whole_dog_takes_it_along(records: Records, signed: Intake, erase: str) -> None:
    dog = records.get(Dog, signed.dog_id)
    if erase == "dog":
        delete_dog(records, dog.id, who="Ada")
    else:
        delete_client(records, str(dog.client_id), who="Ada")
    assert records.find(Intake) == records.find(PlacePhoto) == ()
    assert not list(records.store.names())
    assert all(change.before is None and change.after is None for change in records.trail() if change.kind == "intakes")
    with records.engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM erasing")).scalar() == 0


def test_what_owners_take_back_and_joined_dogs_leave_it_as_it_was(records: Records, signed: Intake) -> None:
    erase_for_owner(records, signed.dog_id, who="owner's link")
    kept = records.add(Dog(name="Fennel"), who="Ada")
    merge_dogs(records, kept.id, signed.dog_id, who="Ada")
    moved = records.get(Intake, signed.id)
    assert moved.dog_id == kept.id and moved.intact
    assert (moved.content, moved.sha256, moved.signed_at) == (CONTENT, signed.sha256, AT)


@pytest.mark.parametrize("how", ["backup", "export"])
def test_archives_bring_it_back_as_it_was_with_its_photo(
    place, signed_in: tuple[Records, Intake], tmp_path, how
) -> None:
    records, signed = signed_in
    other = place.another().open()
    out, back = (backup, restore) if how == "backup" else (export_salon, import_salon)
    out(records, tmp_path / "all.zip")
    back(other, tmp_path / "all.zip")
    assert other.find(Intake) == records.find(Intake)
    [photo] = other.find(PlacePhoto, intake_id=signed.id)
    assert other.store.read(photo.sha256) == records.store.read(photo.sha256)
    with pytest.raises(IntegrityError), other.engine.begin() as connection:
        connection.execute(text("DELETE FROM intakes"))


@pytest.fixture
def signed_in(records: Records, signed: Intake) -> tuple[Records, Intake]:
    return records, signed


def test_an_export_in_which_somebody_changed_the_words_is_refused(place, signed_in, tmp_path: Path) -> None:
    records, _ = signed_in
    export_salon(records, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as whole, zipfile.ZipFile(tmp_path / "forged.zip", "w") as forged:
        for name in whole.namelist():
            data = whole.read(name)
            forged.writestr(name, data.replace(b"felted", b"combed") if name == "records/intakes.jsonl" else data)
    with pytest.raises(RecordError) as caught:
        import_salon(place.another().open(), tmp_path / "forged.zip")
    assert caught.value.code == "damaged_archive"


def test_an_archive_from_before_there_were_intakes_still_reads(place, signed_in, tmp_path: Path) -> None:
    records, _ = signed_in
    new = {"intakes", "place_photos", "settings"}
    export_salon(records, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as whole, zipfile.ZipFile(tmp_path / "old.zip", "w") as old:
        for name in whole.namelist():
            if name == "manifest.json":
                manifest = json.loads(whole.read(name))
                manifest["counts"] = {kind: n for kind, n in manifest["counts"].items() if kind not in new}
                old.writestr(name, json.dumps(manifest))
            elif Path(name).stem not in new:
                old.writestr(name, whole.read(name))
    other = place.another().open()
    import_salon(other, tmp_path / "old.zip")
    assert len(other.find(Dog)) == 1 and other.find(Intake) == ()
