"""The set-up installs what is missing, once, and keeps what another command has installed."""

from __future__ import annotations

import subprocess

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


@pytest.fixture
def commands(tmp_path, monkeypatch):
    """A machine that runs nothing: what it was asked for, and the exit codes of installers that shall fail."""
    asked, fails = [], {}

    def run(command, **how):
        asked.append((*command[2:4], dict(how.get("env") or {})))
        told = (
            ":env:.find-links='/opt/wheels /more'\nglobal.extra-index-url='\\nfile:///not/here\\nhttps://host.test/'\n"
        )
        return subprocess.CompletedProcess(command, fails.get(command[2], 0), told if "config" in command else "")

    monkeypatch.setattr(start.subprocess, "run", run)
    (tmp_path / "env" / "bin").mkdir(parents=True)
    return asked, fails, tmp_path / "env" / "bin" / "python"


def test_the_quick_installer_is_told_where_pip_finds_packages_and_leaves_nothing_of_its_own(commands):
    asked, _, python = commands
    start._install(python, ["web"])
    assert [command[:2] for command in asked] == [("pip", "install"), ("pip", "config"), ("uv", "pip")]
    told = asked[-1][2]
    assert told["UV_FIND_LINKS"] == "/opt/wheels,/more"
    assert told["UV_INDEX"] == "https://host.test/"
    assert [path.name for path in python.parents[1].iterdir()] == ["bin"]


def test_where_the_quick_installer_fails_pip_has_its_turn(commands):
    asked, fails, python = commands
    fails["uv"] = 2
    start._install(python, [])
    assert [command[0] for command in asked] == ["pip", "pip", "uv", "pip"]


def test_what_no_installer_can_do_is_said(commands):
    asked, fails, python = commands
    fails["pip"] = 1
    with pytest.raises(SystemExit, match="installation failed"):
        start._install(python, [])
    assert [command[0] for command in asked] == ["pip", "pip"]


def test_the_constraints_name_no_host():
    text = start.CONSTRAINTS.read_text()
    assert "://" not in text
    assert "--" not in text
    assert "@" not in text
