"""A program killed in the middle of any write loses nothing that was confirmed, and leaves nothing half-written."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

from sqlalchemy import text

from coatclass.records import AnswerSheet, Client, Dog, Photo

_WRITER = Path(__file__).with_name("_writer.py")
_KILLS = 4


def killed(place, start: int, seconds: float) -> list[list[str]]:
    """Let a child write for a while after its first confirmation, kill it, and return what it had confirmed."""
    child = subprocess.Popen(
        [sys.executable, str(_WRITER), place.url, str(place.photos), str(start)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(seconds)
    child.kill()
    rest = child.stdout.read().splitlines(keepends=True)
    assert child.wait() == -9
    return [line.split() for line in [first, *rest] if line.endswith("\n")]


def test_killed_again_and_again_nothing_confirmed_is_lost_and_nothing_is_half(place) -> None:
    moments = random.Random(3)
    confirmed: list[list[str]] = []
    for _ in range(_KILLS):
        start = int(confirmed[-1][0]) + 2 if confirmed else 0  # the one after the last may have been kept unsaid
        confirmed += killed(place, start, moments.uniform(0.05, 0.4))

    records = place.open()
    assert len(confirmed) >= _KILLS
    for number, client_id, dog_id, sha256 in confirmed:
        assert records.get(Client, client_id).name == f"client {number}"
        dog = records.get(Dog, dog_id)
        assert dog.client_id == client_id
        assert [photo.sha256 for photo in records.find(Photo, dog_id=dog_id)] == [sha256]
        assert records.find(AnswerSheet, dog_id=dog_id)[0].content == {"number": int(number)}
        assert records.store.read(sha256)  # refuses if its content is not what its name says

    clients, dogs, photos = records.find(Client), records.find(Dog), records.find(Photo)
    assert len(clients) == len(dogs) == len(photos) == len(records.find(AnswerSheet)) == len(records.trail()) / 4
    assert len(clients) - len(confirmed) <= _KILLS  # kept, but killed before it could say so
    assert {photo.sha256 for photo in photos} == set(records.store.names())
    assert not list(place.photos.rglob("*.part"))
    if place.engine == "sqlite":
        with records.engine.connect() as connection:
            assert connection.execute(text("PRAGMA integrity_check")).scalar() == "ok"
            assert connection.execute(text("PRAGMA foreign_key_check")).all() == []
