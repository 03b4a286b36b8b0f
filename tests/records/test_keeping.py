"""What is kept comes back as it was, and every change says who made it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from coatclass.errors import PhotoError, RecordError
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Client,
    Dog,
    Finding,
    Measurement,
    Photo,
    Records,
    User,
    UserRole,
    open_records,
    search_dogs,
    valid,
)


def test_every_kind_of_record_comes_back_equal(records: Records, everything: Callable[..., list]) -> None:
    client = Client(name="Zoë Ångström", phone="+46 1", email="zoe@example.org", remarks="rings twice")
    dog = Dog(
        client_id=client.id, name="Bramble", breed="briard", sex="male", born_on=date(2020, 2, 29), weight_kg=31.4
    )
    user = User(name="Ada", role=UserRole.GROOMER, password_hash="$argon2id$…")
    values = [client, dog, *everything(dog), user]
    with records.write("Ada") as writer:
        for value in values:
            writer.add(value)
    for value in values:
        assert records.get(type(value), value.id) == value
    assert records.find(Dog, client_id=client.id) == (dog,)


def test_a_moment_keeps_its_meaning_across_time_zones(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    there = datetime(2026, 7, 1, 23, 30, 0, 123456, tzinfo=timezone(timedelta(hours=9)))
    visit = records.add(Appointment(dog_id=dog.id, starts_at=there), who="Ada")
    back = records.get(Appointment, visit.id).starts_at
    assert back == there and back.tzinfo == UTC


def test_an_error_undoes_the_whole_transaction(records: Records) -> None:
    dog = Dog(name="Bramble")
    with pytest.raises(ZeroDivisionError), records.write("Ada") as writer:
        writer.add(dog)
        raise ZeroDivisionError
    assert records.find(Dog) == () and records.trail() == ()


def test_the_trail_says_who_changed_what_and_when(records: Records) -> None:
    started = datetime.now(UTC)
    dog = records.add(Dog(name="Bramble", breed="briard"), who="Ada")
    records.change(dog, who="Grace", name="Bramble II", weight_kg=30.5)
    with records.write("Ada") as writer:
        writer.remove(writer.get(Dog, dog.id))
    added, changed, removed = records.trail(dog.id)
    assert (added.who, added.action, added.after["breed"]) == ("Ada", "added", "briard")
    assert (changed.who, changed.before, changed.after) == (
        "Grace",
        {"name": "Bramble", "weight_kg": None},
        {"name": "Bramble II", "weight_kg": 30.5},
    )
    assert (removed.action, removed.before["name"]) == ("removed", "Bramble II")
    assert started <= added.at <= changed.at <= removed.at <= datetime.now(UTC)


def test_the_trail_holds_no_password(records: Records) -> None:
    user = records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="secret-hash"), who="setup")
    records.change(user, who="Ada", password_hash="other-secret")
    assert "secret" not in str(records.trail()) + repr(user)
    assert records.get(User, user.id).password_hash == "other-secret"


def test_a_change_that_changes_nothing_leaves_no_line(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    records.change(dog, who="Ada", name="Bramble")
    assert [change.action for change in records.trail()] == ["added"]


def test_two_people_change_one_field_and_the_second_is_told(records: Records) -> None:
    seen = records.add(Dog(name="Bramble"), who="Ada")
    records.change(seen, who="Ada", remarks="left ear sore")
    with pytest.raises(RecordError) as caught:
        records.change(seen, who="Grace", remarks="all well")
    assert caught.value.code == "changed_meanwhile"
    assert records.get(Dog, seen.id).remarks == "left ear sore"
    assert records.change(seen, who="Grace", breed="briard").remarks == "left ear sore"  # another field: no quarrel


def test_writers_at_once_wait_for_each_other(place) -> None:
    """Four threads add a kilogram each, ten times; none is lost."""
    dog = place.open().add(Dog(name="Bramble", weight_kg=1), who="Ada")
    records = place.open()

    def feed() -> None:
        for _ in range(10):
            with records.write("Ada") as writer:
                now = writer.get(Dog, dog.id)
                writer.change(now, weight_kg=now.weight_kg + 1)

    threads = [threading.Thread(target=feed) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert records.get(Dog, dog.id).weight_kg == 41


def test_a_reader_sees_one_moment(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with records.read() as reader:
        before = reader.get(Dog, dog.id)
        records.change(dog, who="Grace", name="Other")
        assert reader.get(Dog, dog.id) == before
    assert records.get(Dog, dog.id).name == "Other"


def test_what_belongs_to_nothing_is_refused(records: Records) -> None:
    for orphan in (
        Dog(name="Bramble", client_id="0" * 32),
        Measurement(dog_id="0" * 32, length_mm=9, measured_on=date.today()),
    ):
        with pytest.raises(RecordError) as caught:
            records.add(orphan, who="Ada")
        assert caught.value.code == "conflict"


def test_a_record_to_which_others_belong_can_not_be_removed(records: Records) -> None:
    client = records.add(Client(name="Zoë"), who="Ada")
    records.add(Dog(name="Bramble", client_id=client.id), who="Ada")
    with pytest.raises(RecordError), records.write("Ada") as writer:
        writer.remove(client)
    assert records.get(Client, client.id) == client


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        (Dog, {"name": ""}),
        (Dog, {"name": "Bramble", "weight_kg": -3}),
        (Finding, {"dog_id": "0" * 32, "by": "Ada", "category": "fluffy"}),
        (Finding, {"dog_id": "0" * 32, "by": "Ada", "category": "fur", "lengths_mm": {"trunk": 0}}),
        (
            Finding,
            {
                "dog_id": "0" * 32,
                "by": "Ada",
                "category": "fur",
                "lengths_mm": dict.fromkeys(("trunk", "legs", "ears", "tail"), 9),
            },
        ),
        (Appointment, {"dog_id": "0" * 32, "starts_at": datetime(2026, 1, 1)}),  # no time zone
        (Client, {"name": "Zoë", "colour": "red"}),
    ],
)
def test_values_that_can_not_be_are_refused_in_words(kind: type, fields: dict) -> None:
    with pytest.raises(RecordError) as caught:
        valid(kind, **fields)
    assert caught.value.code == "bad_value"


def test_a_change_to_what_can_not_be_is_refused(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    for fields in ({"weight_kg": -1}, {"colour": "red"}, {"id": "1" * 32}):
        with pytest.raises(RecordError) as caught:
            records.change(dog, who="Ada", **fields)
        assert caught.value.code == "bad_value"


def test_nobody_changes_anything_without_a_name(records: Records) -> None:
    with pytest.raises(RecordError) as caught:
        records.add(Dog(name="Bramble"), who=" ")
    assert caught.value.code == "nobody"


def test_what_is_not_there_is_said(records: Records) -> None:
    with pytest.raises(RecordError) as caught:
        records.get(Dog, "0" * 32)
    assert caught.value.code == "not_found"


names = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\x00"), min_size=1, max_size=60)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=names, remarks=names, weight=st.floats(0.01, 150))
def test_any_words_and_numbers_survive(records: Records, name: str, remarks: str, weight: float) -> None:
    dog = records.add(Dog(name=name, remarks=remarks, weight_kg=weight), who="Ada")
    assert records.get(Dog, dog.id) == dog


def test_a_zero_character_is_refused_or_kept_but_never_a_traceback(records: Records) -> None:
    try:
        dog = records.add(Dog(name="Bram\x00ble"), who="Ada")
    except RecordError:
        return
    assert records.get(Dog, dog.id) == dog


def test_a_broken_character_is_refused_in_words(records: Records) -> None:
    for ask in (lambda: search_dogs(records, "x\ud800"), lambda: records.get(Dog, "x\ud800")):
        with pytest.raises(RecordError) as caught:
            ask()
        assert caught.value.code == "bad_value"


@pytest.mark.parametrize("content", [{"x": float("nan")}, {"x": float("-inf")}, {"x": object()}, {"x": "\ud800"}])
def test_what_json_can_not_hold_is_refused(content: dict) -> None:
    with pytest.raises(RecordError) as caught:
        valid(AnswerSheet, dog_id="0" * 32, content=content)
    assert caught.value.code == "bad_value"


def test_tuples_come_back_as_they_were_kept(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add(AnswerSheet(dog_id=dog.id, content={"parents": ("briard", "pug")}), who="Ada")
    assert records.get(AnswerSheet, kept.id) == kept


def test_peoples_data_are_for_nobody_else(tmp_path: Path, picture: Callable[..., bytes]) -> None:
    with open_records(f"sqlite:///{tmp_path / 'salon' / 'records.sqlite'}") as records:
        dog = records.add(Dog(name="Bramble"), who="Ada")
        kept = records.add_photo(dog.id, picture(), who="Ada")
        places = (tmp_path / "salon", records.store.folder, records.store.path(kept.sha256))
        assert [oct(place.stat().st_mode)[-2:] for place in places] == ["00", "00", "00"]


# --- photos ---------------------------------------------------------------------------------------------------------


def test_a_kept_photo_has_lost_place_and_device(records: Records, picture: Callable[..., bytes]) -> None:
    exif = Image.Exif()
    exif[271], exif[272] = "A maker", "A model"
    exif.get_ifd(0x8825)[2] = (59.0, 20.0, 0.0)
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add_photo(dog.id, picture(exif=exif), who="Ada", taken_on=date(2026, 1, 2))
    data = records.store.read(kept.sha256)
    assert b"maker" not in data and b"Exif" not in data
    with Image.open(BytesIO(data)) as image:
        assert (image.format, image.size, dict(image.getexif())) == ("JPEG", (kept.width, kept.height), {})


def test_the_same_photo_twice_is_one_file(records: Records, picture: Callable[..., bytes]) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    first = records.add_photo(dog.id, picture(), who="Ada")
    second = records.add_photo(dog.id, picture(), who="Ada")
    assert first.sha256 == second.sha256 and first.id != second.id
    assert len(list(records.store.names())) == 1


def test_what_is_no_photo_is_refused_and_leaves_nothing(records: Records) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with pytest.raises(PhotoError):
        records.add_photo(dog.id, b"not a photo", who="Ada")
    assert list(records.store.names()) == []


def test_a_damaged_or_lost_file_is_said(records: Records, picture: Callable[..., bytes]) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add_photo(dog.id, picture(), who="Ada")
    path = records.store.path(kept.sha256)
    path.write_bytes(path.read_bytes()[:-9] + b"scribbled")
    with pytest.raises(RecordError) as caught:
        records.store.read(kept.sha256)
    assert caught.value.code == "damaged"
    path.unlink()
    with pytest.raises(RecordError) as caught:
        records.store.read(kept.sha256)
    assert caught.value.code == "missing"


def test_while_the_folder_is_away_no_photo_is_kept_elsewhere_and_none_is_called_lost(place, picture) -> None:
    """As when a shared folder is not mounted any more: what lies under its name is another, empty one."""
    records = place.open()
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add_photo(dog.id, picture(), who="Ada")
    away = place.photos.with_name("away")
    place.photos.rename(away)
    place.photos.mkdir()
    for act in (
        lambda: records.add_photo(dog.id, picture("black"), who="Ada"),
        lambda: records.store.read(kept.sha256),
    ):
        with pytest.raises(RecordError) as caught:
            act()
        assert caught.value.code == "unavailable"
    assert list(place.photos.iterdir()) == [] and len(records.find(Photo)) == 1
    place.photos.rmdir()
    away.rename(place.photos)
    assert records.store.read(kept.sha256)


def test_opening_sweeps_what_a_kill_left_behind(place, picture: Callable[..., bytes]) -> None:
    records = place.open()
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add_photo(dog.id, picture(), who="Ada")
    loose = records.store.put(picture("black"))
    half = records.store.path(kept.sha256).with_name(".half.part")
    half.write_bytes(b"half a picture")
    place.open()
    assert not half.exists() and not records.store.path(loose).exists()
    assert records.store.read(kept.sha256)


def test_another_salons_photo_folder_is_never_swept(place, picture: Callable[..., bytes]) -> None:
    records = place.open()
    dog = records.add(Dog(name="Bramble"), who="Ada")
    kept = records.add_photo(dog.id, picture(), who="Ada")
    with pytest.raises(RecordError) as caught:
        open_records(place.another().url, photo_folder=place.photos)
    assert caught.value.code == "foreign_photos"
    assert records.store.read(kept.sha256)


def test_a_folder_of_other_files_is_not_taken_for_a_photo_store(place, tmp_path: Path) -> None:
    folder = tmp_path / "holiday"
    folder.mkdir()
    (folder / "beach.jpg").write_bytes(b"...")
    with pytest.raises(RecordError) as caught:
        open_records(place.url, photo_folder=folder)
    assert caught.value.code == "foreign_photos"
    assert (folder / "beach.jpg").exists()
