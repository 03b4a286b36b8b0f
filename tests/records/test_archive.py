"""Export and import, backup and restore: what goes out comes back equal, on either engine."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import threading
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from io import StringIO
from pathlib import Path

import pytest

from coatclass.errors import RecordError
from coatclass.records import (
    AnswerSheet,
    Client,
    Dog,
    Photo,
    Records,
    Session,
    Setting,
    Sharing,
    User,
    UserRole,
    backup,
    delete_client,
    export_salon,
    import_salon,
    keep_setting,
    linked_dog,
    make_link,
    open_records,
    restore,
    session_user,
    setting,
    start_session,
)
from coatclass.records.tables import KINDS

pytestmark = pytest.mark.slow  # none of them, but all together
SALON = [kind for kind in KINDS if kind.__name__ not in ("User", "Session", "Link")]


@pytest.fixture
def fill(picture: Callable[..., bytes], everything: Callable[..., list]) -> Callable[[Records], Client]:
    """A function that fills records with one of everything."""

    def fill_these(records: Records) -> Client:
        client = Client(name="=Zoë Ångström", phone="+46 1", remarks='says "hello",\nthen waits')
        dog = Dog(client_id=client.id, name="Bramble", breed="briard")
        with records.write("Ada") as writer:
            for value in (client, dog, *everything(dog)):
                writer.add(value)
        records.add_photo(dog.id, picture("tan"), who="Ada")
        records.add_photo(dog.id, picture("grey"), who="Ada")
        records.change(dog, who="Grace", weight_kg=30.0)
        return client

    return fill_these


def contents(records: Records, kinds: list[type]) -> dict[str, tuple]:
    return {kind.__name__: records.find(kind) for kind in kinds} | {"trail": records.trail()}


def test_an_export_read_back_is_equal(place, tmp_path: Path, fill: Callable[..., Client]) -> None:
    first, second = place.open(), place.another().open()
    fill(first)
    first.add(User(name="Ada", role=UserRole.GROOMER, password_hash="secret-hash"), who="setup")
    written = export_salon(first, tmp_path / "salon.zip")
    read = import_salon(second, tmp_path / "salon.zip")
    assert (written.counts, written.photos, written.missing_photos) == (read.counts, 2, ())
    assert contents(first, SALON) == contents(second, SALON)
    for photo in second.find(Photo):
        assert second.store.read(photo.sha256) == first.store.read(photo.sha256)
    assert second.find(User) == ()  # who may sign in is no part of an export


def test_an_export_holds_no_password_and_no_token(place, tmp_path: Path) -> None:
    records = place.open()
    user = records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="secret-hash"), who="setup")
    start_session(records, user, valid_for=timedelta(hours=1))
    export_salon(records, tmp_path / "salon.zip")
    with zipfile.ZipFile(tmp_path / "salon.zip") as archive:
        text = "".join(archive.read(name).decode() for name in archive.namelist())
    assert "secret-hash" not in text and records.find(Session)[0].token_hash not in text


def test_spreadsheets_get_every_record_and_no_formula(place, tmp_path: Path, fill: Callable[..., Client]) -> None:
    fill(place.open())
    export_salon(place.opened[0], tmp_path / "salon.zip")
    with zipfile.ZipFile(tmp_path / "salon.zip") as archive:
        sheet = archive.read("tables/clients.csv").decode("utf-8-sig")
    (row,) = csv.DictReader(StringIO(sheet, newline=""))
    assert row["name"] == "'=Zoë Ångström" and row["phone"] == "'+46 1"
    assert row["remarks"] == 'says "hello",\nthen waits'


def test_no_dog_that_its_owner_keeps_is_in_an_export_though_in_a_backup(place, tmp_path: Path, fill, picture) -> None:
    first, second, third = place.open(), place.another().open(), place.another().open()
    fill(first)
    kept = [first.add(Dog(name=f"kept {sharing}", sharing=sharing), who="owner") for sharing in Sharing]
    for number, dog in enumerate(kept):
        first.add(AnswerSheet(dog_id=dog.id, content={"remark": dog.name}), who="owner")
        first.add_photo(dog.id, picture("white", side=100 + number), who="owner")
    hidden = {dog.id for dog in kept if not dog.sharing.seen_by_salon}
    assert len(hidden) == 3
    export_salon(first, tmp_path / "salon.zip")
    import_salon(second, tmp_path / "salon.zip")
    assert {dog.id for dog in first.find(Dog)} - {dog.id for dog in second.find(Dog)} == hidden
    for values in contents(second, SALON).values():
        assert not [one for one in values if hidden & set(map(str, one.model_dump().values()))]
    with zipfile.ZipFile(tmp_path / "salon.zip") as archive:
        gone = [photo.sha256 for photo in first.find(Photo) if photo.dog_id in hidden]
        assert len(gone) == 3 and not {f"photos/{one}.jpg" for one in gone} & set(archive.namelist())
    backup(first, tmp_path / "backup.zip")
    restore(third, tmp_path / "backup.zip")
    assert third.find(Dog) == first.find(Dog) and third.find(Photo) == first.find(Photo)


def test_reading_an_export_twice_is_refused_and_changes_nothing(place, tmp_path: Path, fill) -> None:
    records = place.open()
    fill(records)
    export_salon(records, tmp_path / "salon.zip")
    before = contents(records, SALON)
    with pytest.raises(RecordError) as caught:
        import_salon(records, tmp_path / "salon.zip")
    assert caught.value.code == "conflict"
    assert contents(records, SALON) == before


def test_a_backup_restores_everything_but_who_is_signed_in_now(place, tmp_path: Path, fill) -> None:
    first, second = place.open(), place.another().open()
    fill(first)
    user = first.add(User(name="Ada", role=UserRole.GROOMER, password_hash="hash"), who="setup")
    link = make_link(first, first.find(Dog)[0].id, valid_for=timedelta(days=3), who="Ada")
    session = start_session(first, user, valid_for=timedelta(hours=1))
    backup(first, tmp_path / "backup.zip")
    restore(second, tmp_path / "backup.zip")
    everything_but_sessions = [kind for kind in KINDS if kind is not Session]
    kept, back = contents(first, everything_but_sessions), contents(second, everything_but_sessions)
    assert kept == back
    assert linked_dog(second, link) == first.find(Dog)[0]
    assert session_user(second, session) is None


def test_after_a_restore_the_trail_goes_on(place, tmp_path: Path) -> None:
    first, second = place.open(), place.another().open()
    dog = first.add(Dog(name="Bramble"), who="Ada")
    backup(first, tmp_path / "backup.zip")
    restore(second, tmp_path / "backup.zip")
    second.change(dog, who="Grace", name="Thistle")
    assert [(change.number, change.who) for change in second.trail()] == [(1, "Ada"), (2, "Grace")]


def test_a_backup_is_restored_only_into_empty_records(place, tmp_path: Path) -> None:
    records = place.open()
    records.add(Client(name="Zoë"), who="Ada")
    backup(records, tmp_path / "backup.zip")
    with pytest.raises(RecordError) as caught:
        restore(records, tmp_path / "backup.zip")
    assert caught.value.code == "not_empty"


@pytest.mark.parametrize("direction", ["to PostgreSQL", "to SQLite"])
def test_a_backup_moves_records_from_one_engine_to_the_other(
    direction: str, postgres: Callable[[], str], tmp_path: Path, fill
) -> None:
    urls = [f"sqlite:///{tmp_path / 'salon.sqlite'}", postgres()]
    if direction == "to SQLite":
        urls.reverse()
    with (
        open_records(urls[0], photo_folder=tmp_path / "a") as first,
        open_records(urls[1], photo_folder=tmp_path / "b") as second,
    ):
        fill(first)
        backup(first, tmp_path / "backup.zip")
        restore(second, tmp_path / "backup.zip")
        assert contents(first, SALON) == contents(second, SALON)


def test_a_backup_taken_while_others_write_is_of_one_moment(place, tmp_path: Path) -> None:
    """Every client is added together with her dog; no backup holds one without the other."""
    records, copy = place.open(), place.another().open()
    stop = threading.Event()

    def write() -> None:
        while not stop.is_set():
            with records.write("Ada") as writer:
                client = writer.add(Client(name="Zoë"))
                writer.add(Dog(name="Bramble", client_id=client.id))

    thread = threading.Thread(target=write)
    thread.start()
    try:
        for number in range(3):
            written = backup(records, tmp_path / f"{number}.zip")
            assert written.counts["clients"] == written.counts["dogs"] == written.counts["changes"] / 2
    finally:
        stop.set()
        thread.join()
    restore(copy, tmp_path / "2.zip")
    assert len(copy.find(Client)) == written.counts["clients"]


def test_a_lost_picture_is_named_and_does_not_stop_the_backup(place, tmp_path: Path, fill) -> None:
    records, copy = place.open(), place.another().open()
    fill(records)
    lost, _kept = records.find(Photo)
    records.store.remove(lost.sha256)
    assert backup(records, tmp_path / "backup.zip").missing_photos == (lost.sha256,)
    back = restore(copy, tmp_path / "backup.zip")
    assert (back.missing_photos, back.photos) == ((lost.sha256,), 1)


def rewritten(path: Path, name: str, change: Callable[[bytes], bytes]) -> Path:
    """The archive with one of its files changed; names ending in the same way count."""
    changed = path.with_name("changed.zip")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(changed, "w") as new:
        for entry in old.namelist():
            data = old.read(entry)
            new.writestr(entry, change(data) if entry.startswith(name) else data)
    return changed


@pytest.mark.parametrize(
    "tampering",
    [
        ("manifest", lambda data: b"{}", "foreign_archive"),
        ("manifest", lambda data: data.replace(b'"salon"', b'"backup"'), "foreign_archive"),
        ("manifest", lambda data: data.replace(b'"version": 1', b'"version": 2'), "newer_archive"),
        ("records/dogs", lambda data: b"", "damaged_archive"),
        ("records/dogs", lambda data: data[: len(data) // 2], "damaged_archive"),
        ("records/dogs", lambda data: data.replace(b'"name"', b'"nom"'), "damaged_archive"),
        ("records/dogs", lambda data: data + data, "damaged_archive"),
        ("records/dogs", lambda data: data.replace(b'"client_id":"', b'"client_id":"0')[:-1], "damaged_archive"),
        ("photos/", lambda data: data[:-5] + b"other", "damaged_archive"),
        ("records/photos", lambda data: re.sub(rb'"sha256":"\w{8}', b'"sha256":"../../..', data), "damaged_archive"),
        ("records/dogs", lambda data: re.sub(rb'"id":"\w', b'"id":"/', data), "damaged_archive"),
        ("records/dogs", lambda data: re.sub(rb'"sharing":"\w+"', b'"sharing":"everybody"', data), "damaged_archive"),
        (
            "records/answers",
            lambda data: re.sub(rb'"dog_id":"\w{32}', b'"dog_id":"' + b"0" * 32, data),
            "damaged_archive",
        ),
        (
            "records/dogs",
            lambda data: re.sub(rb'"client_id":"\w{32}', b'"client_id":"' + b"0" * 32, data),
            "damaged_archive",
        ),
    ],
)
def test_a_tampered_archive_is_refused_as_a_whole(place, tmp_path: Path, fill, tampering) -> None:
    name, change, code = tampering
    first, second = place.open(), place.another().open()
    fill(first)
    export_salon(first, tmp_path / "salon.zip")
    with pytest.raises(RecordError) as caught:
        import_salon(second, rewritten(tmp_path / "salon.zip", name, change))
    assert caught.value.code == code
    assert second.find(Dog) == () and second.trail() == ()


def test_a_forged_export_reaches_no_record_that_is_here_already(place, tmp_path: Path, fill) -> None:
    """Such as a dog that its owner keeps to herself, whose id somebody has noted: neither a finding nor the trail."""
    first, second = place.open(), place.another().open()
    kept = second.add(Dog(name="Bramble", sharing=Sharing.SELF), who="owner")
    fill(first)
    export_salon(first, tmp_path / "salon.zip")
    before = contents(second, SALON)
    for name, field, code in (
        ("records/findings", "dog_id", "damaged_archive"),
        ("records/answers", "dog_id", "damaged_archive"),
        ("records/changes", "about", "conflict"),
        ("records/changes", "record_id", "conflict"),
        ("records/dogs", "id", "damaged_archive"),
    ):
        forged = f'"{field}":"{kept.id}"'.encode()
        change = partial(re.sub, rb'"%s":"\w{32}"' % field.encode(), forged)
        with pytest.raises(RecordError) as caught:
            import_salon(second, rewritten(tmp_path / "salon.zip", name, change))
        assert caught.value.code == code, name
        assert contents(second, SALON) == before


@pytest.mark.parametrize("told", [b"\xff\xfe\x00\x0cQuill Lane", b"\xff\xe1\x00\x0cExif\x00\x00GPS\x00", b""])
def test_no_import_brings_a_picture_that_tells_more_than_it_shows(place, tmp_path: Path, fill, told: bytes) -> None:
    """A remark or a place before the picture, or another file behind it; our own exports hold none."""
    first, second = place.open(), place.another().open()
    fill(first)
    export_salon(first, tmp_path / "salon.zip")
    own = first.find(Photo)[0].sha256
    with zipfile.ZipFile(tmp_path / "salon.zip") as old, zipfile.ZipFile(tmp_path / "forged.zip", "w") as forged:
        picture = old.read(f"photos/{own}.jpg")
        picture = picture[:2] + told + picture[2:] if told else picture + b"PK\x03\x04"
        name = hashlib.sha256(picture).hexdigest()
        for entry in old.namelist():
            data = picture if entry == f"photos/{own}.jpg" else old.read(entry).replace(own.encode(), name.encode())
            forged.writestr(entry.replace(own, name), data)
    with pytest.raises(RecordError) as caught:
        import_salon(second, tmp_path / "forged.zip")
    assert caught.value.code == "damaged_archive"
    assert second.find(Photo) == () and not list(second.store.names())


def test_an_import_leaves_settings_that_were_chosen_here(place, tmp_path: Path, fill) -> None:
    first, second, third = place.open(), place.another().open(), place.another().open()
    fill(first)  # with rates
    export_salon(first, tmp_path / "salon.zip")
    keep_setting(second, "rates", {"per_hour": 60.0}, who="Ada")
    for records in (second, third):
        import_salon(records, tmp_path / "salon.zip")
    assert setting(second, "rates") == {"per_hour": 60.0}
    assert setting(third, "rates") == setting(first, "rates")


def test_a_setting_can_be_changed_though_the_one_before_it_bears_a_later_day(place) -> None:
    """The clock was put back, or a file from elsewhere holds it."""
    records = place.open()
    later = datetime.now(UTC) + timedelta(days=9999)
    records.add(Setting(name="rates", content={"per_hour": 1.0}, made_at=later), who="Ada")
    keep_setting(records, "rates", {"per_hour": 60.0}, who="Ada")
    assert setting(records, "rates") == {"per_hour": 60.0}


def test_what_is_no_archive_is_refused(tmp_path: Path) -> None:
    with open_records(f"sqlite:///{tmp_path / 'salon.sqlite'}") as records:
        (tmp_path / "words.zip").write_text("Dear groomer")
        with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
            archive.writestr("holiday.txt", "sunny")
        os.mkfifo(tmp_path / "pipe.zip")
        with pytest.raises(RecordError) as endless:
            import_salon(records, tmp_path / "pipe.zip")
        assert "not a file" in endless.value.problem
        for name, code in (("gone.zip", "missing"), ("words.zip", "damaged_archive"), ("other.zip", "foreign_archive")):
            with pytest.raises(RecordError) as caught:
                import_salon(records, tmp_path / name)
            assert caught.value.code == code
        with pytest.raises(RecordError) as caught:
            backup(records, tmp_path / "no such folder" / "backup.zip")
        assert caught.value.code == "unwritable"
        assert not list(tmp_path.glob("*.part"))


def test_a_deleted_client_is_in_no_later_export(place, tmp_path: Path, fill) -> None:
    records = place.open()
    client = fill(records)
    delete_client(records, client.id, who="Ada")
    export_salon(records, tmp_path / "salon.zip")
    with zipfile.ZipFile(tmp_path / "salon.zip") as archive:
        assert not [name for name in archive.namelist() if name.startswith("photos/")]
        text = "".join(archive.read(name).decode() for name in archive.namelist())
        assert json.loads(archive.read("manifest.json"))["counts"]["clients"] == 0
    assert "Ångström" not in text and "Bramble" not in text
