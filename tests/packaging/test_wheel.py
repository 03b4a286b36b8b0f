"""A wheel holds all that an installed copy needs: it assesses a dog from an empty folder, and says what is in it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from coatclass.words import LANGUAGES

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def coatclass(unpacked, tmp_path, *arguments):
    environment = {**os.environ, "PYTHONPATH": str(unpacked)}
    command = [sys.executable, "-P", "-m", "coatclass", *arguments]
    return subprocess.run(command, cwd=tmp_path, env=environment, check=True, capture_output=True, text=True).stdout


def test_the_installed_copy_assesses_from_its_own_files(unpacked, tmp_path):
    said = json.loads(coatclass(unpacked, tmp_path, "assess", "--breed", "beagle", "--json"))
    assert said["category"]["best"] == "fur"
    assert said["kit"]
    code = "import coatclass.resources as r; print(r.released('models/manifest.json'))"
    command = [sys.executable, "-P", "-c", code]
    environment = {**os.environ, "PYTHONPATH": str(unpacked)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, check=True, capture_output=True)
    assert done.stdout.decode().startswith(str(unpacked))


def test_the_installed_copy_finds_itself_whole(unpacked, tmp_path):
    assert "fault" not in coatclass(unpacked, tmp_path, "check")


def test_every_language_travels_whole(unpacked):
    for language in LANGUAGES:
        here = {path.name for path in (ROOT / "coatclass" / "words" / language).glob("*.toml")}
        assert {path.name for path in (unpacked / "coatclass" / "words" / language).glob("*.toml")} == here
        assert "vocabulary.toml" in here


def test_no_photo_travels_in_the_wheel(unpacked):
    pictures = [path.name for path in unpacked.rglob("*") if path.suffix.lower() in {".jpg", ".jpeg", ".webp", ".heic"}]
    assert pictures == []
