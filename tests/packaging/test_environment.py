"""The set-up installs what is missing, once, and keeps what another command has installed."""

from __future__ import annotations

import pytest

from app import start


@pytest.fixture
def installs(tmp_path, monkeypatch):
    """A checkout whose installer only notes what it was asked for."""
    asked: list[list[str]] = []
    monkeypatch.setattr(start, "ROOT", tmp_path)
    monkeypatch.setattr(start, "CONSTRAINTS", tmp_path / "constraints.txt")
    (tmp_path / "pyproject.toml").write_text("[project]")
    (tmp_path / "constraints.txt").write_text("numpy==2.4.6")

    def create(folder, with_pip):
        (folder / "bin").mkdir(parents=True)
        (folder / "bin" / "python").touch()

    monkeypatch.setattr(start.venv, "create", create)
    monkeypatch.setattr(start, "_install", lambda python, extras: asked.append(list(extras)))
    return asked


def test_the_second_run_installs_nothing(installs):
    first = start.prepare("here", ["web"])
    assert start.prepare("here", ["web"]) == first
    assert start.prepare("here", []) == first
    assert installs == [["web"]]


def test_another_part_is_added_to_what_is_there(installs):
    for extras in ([], ["web"], ["fit"], []):
        start.prepare("here", extras)
    assert installs == [[], ["web"], ["fit", "web"]]


def test_changed_requirements_are_installed_again(installs, tmp_path):
    start.prepare("here", [])
    (tmp_path / "constraints.txt").write_text("numpy==2.5.0")
    start.prepare("here", [])
    assert installs == [[], []]


def test_the_constraints_name_no_host():
    text = start.CONSTRAINTS.read_text()
    assert "://" not in text
    assert "--" not in text
    assert "@" not in text
