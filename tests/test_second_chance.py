"""In CI a browser that was waited for in vain is tried once more; nothing else ever is."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TRIED = """
from inspect import stack
from pathlib import Path

import pytest
from playwright.sync_api import TimeoutError as LostPatience

made = []


@pytest.fixture(scope="module", autouse=True)
def server():
    made.append("server")
    yield
    assert made == ["server"]


def at_first(error, times=1):
    file = Path(__file__).with_suffix(".log")
    name = stack()[1].function
    file.open("a").write(name + "\\n")
    if file.read_text().split().count(name) <= times:
        raise error


@pytest.mark.browser
def test_waits():
    at_first(LostPatience("Page.wait_for_selector: Timeout 120000ms exceeded."))


@pytest.mark.browser
def test_waits_always():
    at_first(LostPatience("Page.wait_for_selector: Timeout 120000ms exceeded."), times=9)


@pytest.mark.browser
def test_asserts():
    at_first(AssertionError("TimeoutError: is only a word here"))


@pytest.mark.browser
def test_asserts_after_waiting():
    try:
        at_first(LostPatience("Timeout 120000ms exceeded."))
    except LostPatience as waited:
        raise AssertionError from waited


@pytest.mark.browser
def test_waits_for_something_else():
    at_first(TimeoutError("no answer"))


def test_has_no_browser():
    at_first(LostPatience("Timeout 120000ms exceeded."))
"""


@pytest.mark.parametrize(("ci", "workers"), [("true", "1"), ("", "0")])
def test_only_a_browser_that_was_waited_for_in_vain_gets_a_second_chance(tmp_path, ci, workers):
    (tmp_path / "test_tried.py").write_text(TRIED)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers = browser\n")
    environment = {**os.environ, "CI": ci, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "pytest", "-p", "tests.conftest", "-p", "no:cacheprovider", "-raR", "-n", workers]
    said = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False).stdout
    tried = (tmp_path / "test_tried.log").read_text().split()
    once = ["test_asserts", "test_asserts_after_waiting", "test_waits_for_something_else", "test_has_no_browser"]
    assert [tried.count(name) for name in once] == [1] * 4
    assert [tried.count(name) for name in ("test_waits", "test_waits_always")] == ([2, 2] if ci else [1, 1])
    told = re.findall(r"^RERUN \S+::(\w+)", said, re.MULTILINE)
    assert told == (["test_waits", "test_waits_always"] if ci else []), said
    assert ("5 failed, 1 passed, 2 rerun" if ci else "6 failed in") in said
