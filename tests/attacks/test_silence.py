"""Nothing calls home, and nothing is written outside the program's own folders: seen from outside, by strace."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys

import pytest
from PIL import Image

import coatclass
from coatclass.records import UserRole, add_user, open_records
from tests.attacks.serving import PASSWORD, ROOT
from tests.attacks.silence import NAME, STRACE, watch

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(STRACE is None and os.environ.get("CI") != "true", reason="strace is not installed"),
]


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "dog.jpg"
    Image.effect_noise((200, 200), 60).convert("RGB").save(path)
    return path


LIBRARY = """
from coatclass.assessing import assess
print(assess([{photo!r}]).verdict)
"""
SPAWNED = "from coatclass.cli import main; main(['score', {folder!r}, '--out', {out!r}, '--workers', '2'])"


def test_the_library_the_commands_and_their_workers_call_nobody(tmp_path, photo):
    home = tmp_path / "home"
    (tmp_path / "dogs").mkdir()
    for number in range(2):
        (tmp_path / "dogs" / f"{number}.jpg").write_bytes(photo.read_bytes())
    table = tmp_path / "table.csv"
    script = tmp_path / "score.py"
    script.write_text(
        "if __name__ == '__main__':\n    " + SPAWNED.format(folder=str(tmp_path / "dogs"), out=str(table))
    )
    commands = {
        "assess": ["-m", "coatclass", "assess", str(photo)],
        "library": ["-c", LIBRARY.format(photo=str(photo))],
        "workers": [str(script)],
        "check": ["-m", "coatclass", "check"],
    }
    for name, command in commands.items():
        seen = watch(command, home)
        assert seen.code in (0, 3), name
        assert seen.calls == [], name
        assert [path for path in seen.written if not path.startswith(str(table))] == [], name
    assert not [path for path in home.rglob("*") if path.is_file()]


def test_a_running_web_app_calls_nobody_and_writes_into_its_own_folder(tmp_path):
    data = tmp_path / "salon"
    with open_records(f"sqlite:///{data / 'records.sqlite'}") as salon:
        add_user(salon, NAME, PASSWORD, UserRole.RESEARCHER)
    command = ["-m", "coatclass", "serve", "--no-browser", "--data", str(data)]
    seen = watch(command, tmp_path / "home", until="coatclass is open at")
    assert seen.calls == []
    temporary = str(tmp_path / "home" / "tmp")  # uploads over a megabyte pass through here
    # gradio keeps a random number beside its own code, once after it was installed
    strange = [path for path in seen.written if not path.startswith((str(data), temporary))]
    assert [path for path in strange if not path.endswith("gradio/hash_seed.txt")] == []
    assert not [path for path in (tmp_path / "home").rglob("*") if path.is_file()]
    assert (data / "records.sqlite").is_file()


def test_whatever_makes_a_session_imports_coatclass_first():
    """The switch must be set before onnxruntime is imported, and coatclass sets it."""
    for folder in ("coatclass", "training", "app"):
        for path in (ROOT / folder).rglob("*.py"):
            tree = ast.parse(path.read_text("utf-8"))
            names = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
            if "onnxruntime" not in names:
                continue
            first = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
            modules = {getattr(node, "module", None) or node.names[0].name for node in first}
            assert folder == "coatclass" or any(module.startswith("coatclass") for module in modules), path
            assert "onnxruntime" not in {getattr(node, "module", "") for node in first}, path


def test_the_switches_are_set_whoever_imports_the_program():
    """In a process of its own, whatever the tests before have set."""
    told = "import os, json, coatclass; print(json.dumps({name: os.environ.get(name) for name in coatclass.SILENT}))"
    environment = {name: value for name, value in os.environ.items() if name not in coatclass.SILENT}
    done = subprocess.run([sys.executable, "-c", told], cwd=ROOT, env=environment, capture_output=True, check=True)
    assert json.loads(done.stdout) == coatclass.SILENT
    assert coatclass.SILENT["ORT_DISABLE_TELEMETRY"] == "1"
