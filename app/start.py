"""Set everything up and run the main job: ``python3 app/start.py [PHOTO ...]``.

With photos of one dog it assesses them. Without, it opens the web app on an invented salon (``--no-browser``: only
prints the address; ``--port N``: on a port of your choice). ``--text`` shows a dog of that salon in the terminal.

Runs on a bare Python 3.11, before anything is installed: only the standard library is imported here, and of coatclass
only its texts, once Python is new enough for them. It speaks the terminal's language, as the other commands do.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import time
import venv
from ast import literal_eval
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
CONSTRAINTS = ROOT / "app" / "constraints.txt"
DEMO_ANSWERS = ROOT / "app" / "demo" / "bramble.json"
WEB = ("--no-browser", "--port")


def plan(arguments: list[str]) -> tuple[list[str], list[str]]:
    """What to install besides the base, and the command to hand over to."""
    if arguments == ["--text"]:
        return [], ["assess", "--answers", str(DEMO_ANSWERS)]
    if not arguments or arguments[0].partition("=")[0] in WEB:
        return ["web"], ["serve", "--demo", *arguments]
    return [], ["assess", *arguments]


def main(arguments: list[str]) -> int:
    """Prepare the environment that the arguments need, then hand over to the command line."""
    _refuse_old_python()
    if {"-h", "--help"} & set(arguments):
        print(_say("help"), end="")
        return 0
    extras, command = plan(arguments)
    python = prepare(".venv", extras)
    try:
        return subprocess.run([str(python), "-m", "coatclass", *command], check=False).returncode
    except KeyboardInterrupt:
        return 130


def prepare(name: str, extras: Sequence[str]) -> Path:
    """Make sure that the environment ``name`` holds coatclass with ``extras``; return its Python.

    Args:
        name: folder of the environment, below the checkout.
        extras: optional parts of pyproject.toml, such as ``web``.
    """
    _refuse_old_python()
    folder = ROOT / name
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamp = folder / "installed.json"
    requirements, there = _requirements(), _installed(stamp)
    if python.exists() and there.get("requirements") == requirements:
        if set(extras) <= set(there["extras"]):
            return python
        extras = sorted({*extras, *there["extras"]})  # what one command needs another keeps
    started = time.monotonic()
    print(_say("setting_up", folder=folder.name), file=sys.stderr, flush=True)
    if not python.exists():
        venv.create(folder, with_pip=True)
    _install(python, extras)
    stamp.write_text(json.dumps({"requirements": requirements, "extras": list(extras)}))
    print(_say("set_up", seconds=round(time.monotonic() - started)), file=sys.stderr, flush=True)
    return python


def _refuse_old_python() -> None:
    """Said in English only: what reads the texts needs that Python too."""
    if sys.version_info < (3, 11):  # noqa: UP036  this runs before any installer has checked it
        raise SystemExit(f"coatclass needs Python 3.11 or later; this is {sys.version.split()[0]}.")


def _say(key: str, **values: object) -> str:
    """A text in the terminal's language."""
    sys.path.insert(0, str(ROOT))  # run as a script, it has only its own folder there
    try:
        from coatclass.cli import language_of
        from coatclass.words import catalogue
    finally:
        sys.path.remove(str(ROOT))
    return catalogue(language_of(()), "commands").say(f"start.{key}", **values)


def _requirements() -> str:
    return hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + CONSTRAINTS.read_bytes()).hexdigest()


def _installed(stamp: Path) -> dict[str, Any]:
    return dict(json.loads(stamp.read_text())) if stamp.exists() else {}


def _install(python: Path, extras: Sequence[str]) -> None:
    target = f"{ROOT}[{','.join(extras)}]" if extras else str(ROOT)
    what = ["--constraint", str(CONSTRAINTS), "--editable", target]
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    if "PYTHONDONTWRITEBYTECODE" not in os.environ:
        command.append("--no-compile")  # a third of the time for modules of which few are ever imported
    if not _installed_quickly(python, command, what) and subprocess.run([*command, *what], check=False).returncode:
        raise SystemExit(_say("failed"))


def _installed_quickly(python: Path, pip: Sequence[str], what: Sequence[str]) -> bool:
    """Let uv install, with half of pip's work and on all cores; whether it could: where not, pip has its turn."""
    pinned = [line for line in CONSTRAINTS.read_text().splitlines() if line.startswith("uv==")]
    if not pinned or subprocess.run([*pip, *pinned], capture_output=True, check=False).returncode:
        return False
    with TemporaryDirectory(dir=python.parents[1]) as kept:  # beside what is installed, so that files are linked
        environment = {**os.environ, "UV_CACHE_DIR": kept, **_told_to_pip(python)}
        command = [str(python), "-m", "uv", "pip", "install", "--quiet", "--python", str(python), *what]
        return subprocess.run(command, env=environment, capture_output=True, check=False).returncode == 0


def _told_to_pip(python: Path) -> dict[str, str]:
    """Where packages come from on this machine, as pip was told, in uv's words."""
    told = subprocess.run([str(python), "-m", "pip", "config", "list"], capture_output=True, text=True, check=False)
    rows = re.findall(
        r"^(?:global|install|:env:)\.(index-url|extra-index-url|find-links)=('.*')$", told.stdout, re.MULTILINE
    )
    places = {row: literal_eval(value).split() for row, value in rows}
    found = {
        "UV_DEFAULT_INDEX": " ".join(places.get("index-url", ())),
        "UV_INDEX": " ".join(one for one in places.get("extra-index-url", ()) if not _is_no_folder(one)),
        "UV_FIND_LINKS": ",".join(places.get("find-links", ())),
    }
    return {"UV_INDEX_STRATEGY": "unsafe-best-match", **{name: value for name, value in found.items() if value}}


def _is_no_folder(place: str) -> bool:
    """Whether it is a folder of this machine's that is not there: pip passes over it."""
    return place.startswith("file://") and not Path(place.removeprefix("file://")).exists()


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
