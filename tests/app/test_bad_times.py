"""The disk full, the database locked, the server killed while somebody answers: nothing that was entered is lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from owner_walk import open_step
from PIL import Image

from tests.attacks.serving import LINKS, PASSWORD, Serving

IN_CI = os.environ.get("CI") == "true"
SENT = (
    "() => { const k = Object.keys(localStorage).find(k => k.includes('pending')); "
    "return !k || localStorage.getItem(k) === 'null'; }"
)
WAITS = "() => document.querySelector('[data-status]').textContent.includes('No connection')"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 8 MB of its own; skips where none may be made."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=8m", "none", str(folder)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
        message = "a file system can't be made here: needs the right to mount"
        pytest.fail(message) if IN_CI else pytest.skip(message)
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Take all the room there is."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as stream:
        for size in (65_536, 512):
            try:
                while True:
                    stream.write(bytes(size))
            except OSError:
                continue
    return filler


def noise(path: Path) -> Path:
    Image.effect_noise((700, 500), 60).convert("RGB").save(path)
    return path


@pytest.mark.slow
def test_on_a_full_disk_every_write_is_told_to_come_back_and_none_is_called_wrong(small_disk, tmp_path):
    with Serving(small_disk / "salon", log=tmp_path / "log") as server, server.client() as web:
        server.make_known()
        token = server.start_dog(web)
        filler = fill(small_disk)
        photo = ("dog.jpg", noise(tmp_path / "dog.jpg").read_bytes())
        asked = {
            "answers": lambda: web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky", "breed": "x" * 60}),
            "start": lambda: web.post(LINKS, json={"name": "Clover"}),
            "sign-in": lambda: web.post("/api/v1/sign-in", data={"name": "Ada", "password": PASSWORD}),
            "photo": lambda: web.post(f"{LINKS}/{token}/photos", files=[("photos", photo)]),
        }
        seen = {
            name: [ask() for _ in range(8)][-1] for name, ask in asked.items()
        }  # the journal may have had some room
        for name in ("start", "sign-in"):
            assert seen[name].status_code == 503, (name, seen[name].text)
        for name, answer in seen.items():
            assert answer.status_code in (200, 503), (name, answer.text)
            if answer.status_code == 503:
                assert int(answer.headers["retry-after"]) >= 1
                assert "room" in answer.text or "disk" in answer.text
        assert web.get(f"{LINKS}/{token}").status_code == 200  # reading goes on
        filler.unlink()
        assert asked["answers"]().status_code == 200
        assert asked["sign-in"]().status_code == 200
        assert asked["photo"]().status_code == 200
    with server.open_records() as salon, salon.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"


@pytest.mark.browser
@pytest.mark.slow
def test_an_owner_who_answers_while_the_disk_is_full_loses_nothing(small_disk, tmp_path, visitor):
    with Serving(small_disk / "salon", log=tmp_path / "log") as server, server.client() as web:
        token = server.start_dog(web)
        page = visitor()
        open_step(page, server.url, token, "q/feel")
        lock = _write_locked(small_disk)
        filler = fill(small_disk)
        page.check('input[value="silky"]')
        page.click("[data-form=card] button[type=submit]")
        page.wait_for_function(WAITS)
        assert web.get(f"{LINKS}/{token}").json()["answers"] == {}
        filler.unlink()
        lock.rollback()
        lock.close()
        page.wait_for_function(SENT)
        assert web.get(f"{LINKS}/{token}").json()["answers"] == {"feel": "silky"}


def _write_locked(disk: Path) -> sqlite3.Connection:
    """Somebody else's transaction, held open, so that not even the journal's spare room can be used."""
    connection = sqlite3.connect(disk / "salon" / "records.sqlite", isolation_level=None)
    connection.execute("BEGIN IMMEDIATE")
    return connection


@pytest.mark.slow
def test_a_locked_database_is_no_wrong_entry(tmp_path):
    with Serving(tmp_path / "salon") as server, server.client() as web:
        token = server.start_dog(web)
        lock = sqlite3.connect(tmp_path / "salon" / "records.sqlite", isolation_level=None)
        lock.execute("BEGIN IMMEDIATE")
        answer = web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"})
        assert (answer.status_code, answer.json()["code"]) == (503, "unavailable")
        assert int(answer.headers["retry-after"]) >= 1
        lock.rollback()
        assert web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"}).status_code == 200


@pytest.mark.browser
@pytest.mark.slow
def test_an_owner_who_answers_and_sends_a_photo_while_the_server_is_killed_loses_nothing(tmp_path, visitor):
    server = Serving(tmp_path / "salon")
    server.start()
    try:
        with server.client() as web:
            token = server.start_dog(web)
        page = visitor()
        open_step(page, server.url, token, "photos")
        other = visitor()
        open_step(other, server.url, token, "q/feel")
        server.kill()
        page.set_input_files("#files", noise(tmp_path / "dog.jpg"))
        page.wait_for_selector("[data-words] .note:has-text('dog.jpg')")
        other.check('input[value="silky"]')
        other.click("[data-form=card] button[type=submit]")
        other.wait_for_function(WAITS)
        server.start()
        other.wait_for_function(SENT)
        # noise is no dog: that the server says so shows that the photo came
        page.wait_for_function(
            "() => document.querySelector('[data-words]').textContent.includes('Not kept') "
            "|| document.querySelectorAll('.pictures figure').length",
        )
        assert httpx.get(f"{server.url}{LINKS}/{token}", timeout=60).json()["answers"] == {"feel": "silky"}
    finally:
        server.stop()
