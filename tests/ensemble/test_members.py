"""The released files are the ones that were released, and loading them costs nothing heavy."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from coatclass.ensemble import Members, load
from coatclass.ensemble import members as members_module
from coatclass.errors import ModelFilesError


def test_members_survive_a_round_trip_through_json():
    released = load()
    again = Members.from_json(json.loads(json.dumps(released.to_json())))
    assert again.to_json() == released.to_json()


@pytest.mark.parametrize(
    "damage", [{"category_bias": [0.0]}, {"prior": None}, {"category_weights": [[float("nan")] * 25] * 7}]
)
def test_damaged_members_are_refused_in_plain_words(damage):
    with pytest.raises(ModelFilesError, match="Install coatclass again"):
        Members.from_json(load().to_json() | damage)


def test_a_file_with_another_checksum_is_refused(monkeypatch):
    manifest = members_module.read_manifest()
    manifest["files"]["ensemble_members.json"] = "0" * 64
    monkeypatch.setattr(members_module, "read_manifest", lambda: manifest)
    with pytest.raises(ModelFilesError, match="SHA-256"):
        members_module.read_checked("ensemble_members.json")


def test_run_time_needs_no_scikit_learn():
    program = (
        "import sys; from coatclass.ensemble import combine; from coatclass.decision import decide;"
        "decide(combine()); import coatclass.ensemble.members as m; m.load();"
        "print([n for n in ('sklearn', 'mapie', 'scipy', 'torch', 'pandas', 'onnxruntime') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
