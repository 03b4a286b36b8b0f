"""Opening the app: on a free port, with the demo apart from one's own records, and in plain words when it can't."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from app import start
from app.passing import Passing
from app.server import create_app
from app.settings import Settings
from app.sign_in import PATH
from coatclass.cli import main
from coatclass.errors import InputError

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_the_command_prints_an_address_that_answers_the_first_accounts_code_in_german_and_stops_when_told(tmp_path):
    command = [sys.executable, "-m", "coatclass", "serve", "--language", "de", "--no-browser"]
    command += ["--data", str(tmp_path / "salon")]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, cwd=ROOT, stdout=pipe, stderr=pipe, text=True) as process:
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert address, line
        said = next(line for line in process.stderr if "Konto" in line)
        assert re.search(rf"{address[0][:-1]}{PATH} .*: [A-Z2-9]{{4}}-[A-Z2-9]{{4}}-[A-Z2-9]{{4}} ", said)
        answer = httpx.get(address[0], follow_redirects=True, timeout=60)
        assert answer.status_code == httpx.codes.OK
        assert "coatclass" in answer.text
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) in (0, 130)
    assert (tmp_path / "salon" / "records.sqlite").is_file()


def test_a_port_that_is_taken_is_refused_in_words(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        code = main(["serve", "--no-browser", "--port", port, "--data", str(tmp_path)])
    assert code == 3
    assert "Choose another" in capsys.readouterr().err


def test_without_the_web_apps_libraries_the_command_says_what_to_install(monkeypatch, capsys):
    monkeypatch.setattr("coatclass.errors.find_spec", lambda name: None)
    assert main(["serve"]) == 2
    assert "[web]" in capsys.readouterr().err


def test_the_demo_never_lies_among_ones_own_records(tmp_path, monkeypatch):
    monkeypatch.setenv("COATCLASS_DATA", str(tmp_path))
    own = Settings.chosen(data=None, database_url=None, demo=False)
    demo = Settings.chosen(data=None, database_url=None, demo=True)
    assert own.data == tmp_path
    assert demo.data == tmp_path / "demo"
    assert Settings.chosen(data=None, database_url="postgresql://ada:secret@db/x", demo=False).where.find("secret") < 0


@pytest.mark.parametrize(
    ("arguments", "extras", "command"),
    [
        ([], ["web"], ["serve", "--demo"]),
        (["--no-browser"], ["web"], ["serve", "--demo", "--no-browser"]),
        (["--port=8080"], ["web"], ["serve", "--demo", "--port=8080"]),
        (["dog.jpg"], [], ["assess", "dog.jpg"]),
        (["--json", "dog.jpg"], [], ["assess", "--json", "dog.jpg"]),
        (["--text"], [], ["assess", "--answers", str(start.DEMO_ANSWERS)]),
    ],
)
def test_photos_need_only_the_base_and_the_app_its_own_part(arguments, extras, command):
    assert start.plan(arguments) == (extras, command)


def test_an_environment_that_holds_more_than_is_needed_is_used_as_it_is(tmp_path, monkeypatch):
    from app import start

    installed = []
    monkeypatch.setattr(start, "ROOT", tmp_path)
    monkeypatch.setattr(start, "CONSTRAINTS", tmp_path / "constraints.txt")
    monkeypatch.setattr(start, "_install", lambda python, extras: installed.append(extras))
    (tmp_path / "pyproject.toml").write_text("")
    (tmp_path / "constraints.txt").write_text("")
    python = tmp_path / "env" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    python.parent.mkdir(parents=True)
    python.write_text("")
    for extras in ([], ["web"], [], ["web"], ["train"]):
        start.prepare("env", extras)
    assert installed == [[], ["web"], ["train", "web"]]


@pytest.mark.parametrize(
    ("name", "said", "code"),
    [
        ("COATCLASS_HOSTS", "https://salon.example/", "host"), ("COATCLASS_HOSTS", "salon.example:8080", "host"),
        ("COATCLASS_HOSTS", "*", "host"), ("COATCLASS_PROXIES", "*", "proxy"), ("COATCLASS_PROXIES", "proxy", "proxy"),
        ("COATCLASS_PROXIES", "10.0.0.2:80", "proxy"), ("COATCLASS_PROXIES", "10.0.0.2/99", "proxy"),
    ],
)  # fmt: skip
def test_a_name_that_would_never_be_met_or_believe_everybody_is_refused(name, said, code):
    with pytest.raises(InputError) as refused:
        Settings.from_environment({name: f"good.example {said}" if code == "host" else said})
    assert (refused.value.source, refused.value.code) == (said, code)


def test_what_the_environment_may_say_is_understood():
    kept = Settings.from_environment({
        "COATCLASS_HOSTS": "salon.example, xn--mnchen-3ya.example 192.0.2.7 fd00::7",
        "COATCLASS_PROXIES": "172.30.7.2,10.0.0.0/24 fd00::1",
    })  # fmt: skip
    assert len(kept.hosts) == 4 and kept.proxies == ("172.30.7.2", "10.0.0.0/24", "fd00::1")
    for said, secure in (("", False), ("0", False), ("False", False), ("off", False), ("1", True), ("true", True)):
        assert Settings.from_environment({"COATCLASS_HTTPS": said}).secure_cookies is secure
    assert Settings.from_environment({"COATCLASS_DATABASE_URL": ""}).database_url is None


def test_what_passed_through_a_server_that_was_killed_goes_at_its_next_start(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    of_it, of_another = (Passing(tmp_path / name).folder() for name in ("salon", "other"))
    for left in (of_it, of_another):
        (left / "salon.zip").write_bytes(b"names")
    create_app(Settings(data=tmp_path / "salon", workbench=False)).state.records.close()
    assert not of_it.exists() and of_another.exists()
    assert of_another.stat().st_mode & 0o777 == 0o700
