"""Writers of one dog follow each other, writers of several dogs do not wait, and nothing of either is lost."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest

from coatclass.errors import RecordError
from coatclass.records import (
    AnswerSheet,
    Dog,
    Link,
    Photo,
    PreparedPicture,
    Records,
    Session,
    User,
    UserRole,
    add_link,
    database,
    delete_dog,
    make_link,
    open_records,
    session_user,
    set_disabled,
    set_password,
    start_session,
)

LONG = 300.0  # s; far more than anything here takes: a limit for what would never end


@pytest.fixture
def several(postgres: Callable[[], str], tmp_path) -> Records:
    """Records on PostgreSQL, where several may write."""
    with open_records(postgres(), photo_folder=tmp_path / "photos") as kept:
        yield kept


def test_a_writer_of_one_dog_lets_writers_of_others_go_on(several: Records) -> None:
    first, second = (several.add(Dog(name=name), who="Ada") for name in ("Bramble", "Clover"))
    with several.write("Ada", only=first.id) as writer:
        writer.change(first, remarks="left ear sore")
        assert several.change(second, who="Grace", remarks="all well").remarks == "all well"
        assert several.add(AnswerSheet(dog_id=second.id, content={"feel": "silky"}), who="Grace")
        new = several.add(Dog(name="Fennel"), who="Grace")
        assert make_link(several, new.id, valid_for=timedelta(days=1), who="Grace")
    assert several.get(Dog, first.id).remarks == "left ear sore"


@pytest.mark.parametrize("how", ["beside others", "alone"])
def test_whoever_writes_of_the_same_dog_waits_and_sees_what_was_kept(several: Records, how: str) -> None:
    dog = several.add(Dog(name="Bramble", weight_kg=1), who="Ada")
    begun = threading.Event()

    def feed() -> float:
        begun.set()
        with several.write("Grace", only=dog.id if how == "beside others" else None) as writer:
            present = writer.get(Dog, dog.id)
            return writer.change(present, weight_kg=present.weight_kg * 10).weight_kg

    with ThreadPoolExecutor(1) as threads:
        with several.write("Ada", only=dog.id) as writer:
            fed = threads.submit(feed)
            assert begun.wait(LONG)
            writer.change(dog, weight_kg=5)
        assert fed.result(LONG) == 50
    assert several.get(Dog, dog.id).weight_kg == 50


def test_a_picture_is_not_swept_away_before_its_record_is_there(several: Records, picture) -> None:
    dog = several.add(Dog(name="Bramble"), who="Ada")
    kept = PreparedPicture(picture(), 200, 200)
    begun = threading.Event()

    def sweep() -> int:
        begun.set()
        return several.sweep_photos() + several.sweep_photos([kept.sha256])

    with ThreadPoolExecutor(1) as threads:
        with several.write("Ada", only=dog.id) as writer:
            several.store.put(kept.data)
            swept = threads.submit(sweep)
            assert begun.wait(LONG)
            writer.add_photo(dog.id, kept)
        assert swept.result(LONG) == 0
    assert several.store.read(kept.sha256) == kept.data


def test_a_program_starts_while_somebody_else_holds_a_transaction_open(place, picture) -> None:
    """Nothing has to be swept, so nobody has to be waited for."""
    salon = place.open()
    dog = salon.add(Dog(name="Bramble"), who="Ada")
    kept = salon.add_photo(dog.id, picture(), who="Ada")
    with salon.write("somebody at lunch") as writer:
        writer.change(dog, remarks="half done")
        started = place.open()
        assert started.get(Dog, dog.id).remarks == "" and started.store.read(kept.sha256)


def test_a_machine_that_stands_still_while_it_writes_loses_the_lock_and_keeps_nothing(
    several: Records, monkeypatch
) -> None:
    monkeypatch.setitem(database._LIMITS, "frozen_s", 1)
    dog = several.add(Dog(name="Bramble"), who="Ada")
    with pytest.raises(RecordError) as caught, several.write("Ada", only=dog.id) as standing_still:
        standing_still.change(dog, weight_kg=5)
        several.change(dog, who="Grace", weight_kg=6)  # waits until the lock is free
        standing_still.get(Dog, dog.id)
    assert caught.value.code == "unavailable"
    assert several.get(Dog, dog.id).weight_kg == 6


def test_a_transaction_about_one_dog_changes_no_other(records: Records) -> None:
    """Otherwise two of them could change the same record at once."""
    mine, other = (records.add(Dog(name=name), who="Ada") for name in ("Bramble", "Clover"))
    sheet = records.add(AnswerSheet(dog_id=other.id, content={}), who="Ada")
    user = records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="hash"), who="Ada")
    for change in (
        lambda writer: writer.add(Dog(name="Fennel")),
        lambda writer: writer.add(AnswerSheet(dog_id=other.id, content={})),
        lambda writer: writer.change(other, name="Mine"),
        lambda writer: writer.change(writer.latest(AnswerSheet, other.id), dog_id=mine.id),
        lambda writer: writer.remove(sheet),
        lambda writer: writer.erase(sheet),
        lambda writer: writer.change(user, disabled=True),
        lambda writer: add_link(writer, other.id, valid_for=timedelta(days=1)),
    ):
        with pytest.raises(ValueError, match="this transaction is about"), records.write("Ada", only=mine.id) as writer:
            writer.change(mine, remarks="goes back with the rest")
            change(writer)
    assert records.get(Dog, mine.id) == mine and records.get(Dog, other.id) == other
    assert records.find(AnswerSheet) == (sheet,) and records.find(Link) == ()


def test_nothing_is_lost_whoever_writes_at_once(place, picture: Callable[..., bytes]) -> None:
    """Six threads at four dogs, in an order drawn anew each time; what each was told is there, and nothing else."""
    records = place.open()
    dogs = [records.add(Dog(name=f"dog {number}", weight_kg=1), who="Ada").id for number in range(4)]
    shared = [PreparedPicture(picture(colour), 200, 200) for colour in ("tan", "white")]
    confirmed: list[tuple[str, str]] = []

    def feed(dog: str, who: str) -> None:
        with records.write(who, only=dog) as writer:
            present = writer.get(Dog, dog)
            writer.change(present, weight_kg=present.weight_kg + 1)

    def answer(dog: str, who: str) -> None:
        records.add(AnswerSheet(dog_id=dog, content={"remark": who}), who=who)

    def photograph(dog: str, who: str) -> None:
        with records.write(who, only=dog) as writer:
            writer.add_photo(dog, shared[len(who) % 2])

    def throw_away(dog: str, who: str) -> None:
        """A picture that other dogs have too."""
        with records.write(who, only=dog) as writer:
            photo = writer.add_photo(dog, shared[0])
            writer.erase(photo)
        records.sweep_photos(writer.loose)

    def come_and_go(dog: str, who: str) -> None:
        own = records.add(Dog(name=who), who=who)
        records.add(AnswerSheet(dog_id=own.id, content={}), who=who)
        delete_dog(records, own.id, who=who)

    jobs = (feed, answer, photograph, throw_away, come_and_go)

    def work(number: int) -> None:
        chance = random.Random(number)
        for turn in range(8):
            job, dog = chance.choice(jobs), chance.choice(dogs)
            job(dog, f"{number}-{turn}")
            confirmed.append((job.__name__, dog))

    with ThreadPoolExecutor(6) as threads:
        list(threads.map(work, range(6)))
    for dog in dogs:
        assert records.get(Dog, dog).weight_kg == 1 + confirmed.count(("feed", dog))
        sheets = records.find(AnswerSheet, dog_id=dog)
        assert len(sheets) == len({one.content["remark"] for one in sheets}) == confirmed.count(("answer", dog))
        assert sheets == tuple(sorted(sheets, key=lambda one: one.given_at))
        photos = records.find(Photo, dog_id=dog)
        assert len(photos) == confirmed.count(("photograph", dog))
        for photo in photos:
            assert records.store.read(photo.sha256)
    assert {dog.id for dog in records.find(Dog)} == set(dogs)
    noted = [change for change in records.trail() if change.kind == "dogs" and change.action == "changed"]
    assert len(noted) == sum(job == "feed" for job, _ in confirmed)


def test_a_session_never_begins_with_a_password_that_was_changed_meanwhile(records: Records) -> None:
    seen = records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="the old one's"), who="Ada")
    set_password(records, seen, "four wet terriers", who="Grace")
    with pytest.raises(RecordError) as caught:
        start_session(records, seen, valid_for=timedelta(hours=1))
    assert caught.value.code == "disabled" and records.find(Session) == ()


def test_a_password_and_the_end_of_its_sessions_are_one_act(records: Records, monkeypatch) -> None:
    """Whoever was let in by the old password is out once there is a new one, also after a power cut between the two."""
    from coatclass.records import Writer

    user = records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="the old one's"), who="Ada")
    token = start_session(records, user, valid_for=timedelta(hours=1))

    def cut(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    for change in (
        lambda: set_password(records, user, "four wet terriers", who="Ada"),
        lambda: set_disabled(records, user, True, who="Ada"),
    ):
        for step in ("remove", "change"):
            with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
                patched.setattr(Writer, step, cut)
                change()
            assert records.get(User, user.id) == user
            assert session_user(records, token) == user


def test_expired_links_go_whosever_they_are_though_somebody_writes_of_that_dog(several: Records) -> None:
    old, new = (several.add(Dog(name=name), who="Ada") for name in ("Bramble", "Clover"))
    make_link(several, old.id, valid_for=timedelta(days=-401), who="Ada")
    with several.write("Ada", only=old.id) as writer:
        writer.change(old, remarks="at it")
        make_link(several, new.id, valid_for=timedelta(days=1), who="Grace")
    assert [link.dog_id for link in several.find(Link)] == [new.id]
