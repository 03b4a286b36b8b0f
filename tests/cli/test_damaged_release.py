"""A released file that is damaged or from elsewhere ends in one line and exit code 4, whatever the damage."""

from __future__ import annotations

import functools
import json
import shutil
import sys
from datetime import date
from pathlib import Path

import pytest
from PIL import Image

from coatclass import resources
from coatclass.cli import main

ROOT = Path(__file__).resolve().parents[2]
FILES = [
    "models/manifest.json",
    "models/coat.onnx",
    "models/ensemble.json",
    "models/ensemble_members.json",
    "models/ensemble_thresholds.json",
    "datasets/breeds.csv",
    "datasets/breed_aliases.csv",
]


def other_release(content: bytes) -> bytes:
    """The same file with another version and other numbers."""
    try:
        values = json.loads(content)
    except ValueError:
        return content.replace(b"wire", b"wyre").replace(b"id", b"key", 1) + b"\0"
    values = {key: value for key, value in values.items() if key not in ("files",)}
    return json.dumps({**values, "version": "other", "model_version": "other", "image_model": "other"}).encode()


DAMAGES = {
    "missing": None,
    "empty": lambda content: b"",
    "cut": lambda content: content[: len(content) // 2 - 7],
    "braces": lambda content: b"{}",
    "list": lambda content: b"[1, 2]",
    "number": lambda content: b"7",
    "null": lambda content: b"null",
    "not UTF-8": lambda content: b"\xff\xfe" + content[2:],
    "deep": lambda content: b"[" * 200_000,
    "other release": other_release,
}


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    path = tmp_path_factory.mktemp("photo") / "dog.jpg"
    Image.effect_noise((200, 200), 60).convert("RGB").save(path)
    return path


@pytest.fixture
def release(tmp_path, monkeypatch):
    for folder in ("models", "datasets"):
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("*.npz", "labels.csv", "*.md"))
    monkeypatch.setattr(resources, "_ROOT", tmp_path)
    forget()
    yield tmp_path
    forget()


# A room that reads no other released files than these; whatever else is damaged, it need not read them again.
READS = {"coatclass.breeds": "datasets/", "coatclass.vision": ("models/manifest.json", "models/coat.onnx")}


def forget(damaged=""):
    """Whatever a process keeps of the released files, or of those that a damaged one may change."""
    untouched = tuple(room for room, files in READS.items() if damaged and not damaged.startswith(files))
    for name, module in list(sys.modules.items()):
        if name.startswith("coatclass.") and not name.startswith(untouched):
            for kept in vars(module).values():
                if isinstance(kept, functools._lru_cache_wrapper):
                    kept.cache_clear()


@pytest.mark.slow
@pytest.mark.parametrize("file", FILES)
def test_every_damage_to_every_released_file_ends_in_exit_code_4(release, photo, capsys, file):
    whole = (release / file).read_bytes()
    for damage, change in DAMAGES.items():
        if change is None:
            (release / file).unlink()
        else:
            (release / file).write_bytes(change(whole))
        forget(file)
        code = main(["assess", str(photo), "--breed", "Airedale Terrier", "--json"])
        printed = capsys.readouterr()
        assert code == 4, (damage, printed.err)
        assert printed.err.startswith(("coatclass: models/", "coatclass: datasets/")), (damage, printed.err)
        assert printed.out == ""
        forget(file)
        assert main(["check"]) == 4, damage
        capsys.readouterr()


def test_an_ensemble_that_was_fitted_for_another_network_is_refused(release, photo, capsys):
    manifest = json.loads((release / "models/manifest.json").read_text())
    (release / "models/manifest.json").write_text(json.dumps({**manifest, "model_version": "another"}))
    forget()
    assert main(["assess", str(photo)]) == 4
    assert "another image model" in capsys.readouterr().err


def test_what_is_kept_of_a_data_file_is_never_out_of_date(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    monkeypatch.setattr("sys.pycache_prefix", None)
    read, file = resources.read_toml.__wrapped__, tmp_path / "rules.toml"
    for content, says in (("a = 1", {"a": 1}), ("a = 2", {"a": 2}), ("a = 2020-01-01", {"a": date(2020, 1, 1)})):
        file.write_text(content)
        assert read(file) == read(file) == says
    file.write_text("a = 2")
    kept = tmp_path / "__pycache__" / "rules.toml.json"
    for damage in ("", "[", "1", "{}", '["", {"a": 3}]', "[1]"):
        kept.write_text(damage)
        assert read(file) == {"a": 2}
    assert json.loads(kept.read_text())[1] == {"a": 2} and [path.name for path in kept.parent.iterdir()] == [kept.name]
    kept.write_text(kept.read_text().replace('"a": 2', '"a": 4'))
    assert read(file) == {"a": 4}  # it is what is read, as long as its digest fits
