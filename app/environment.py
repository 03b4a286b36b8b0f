"""A virtual environment of the checkout's own, made once and renewed when the requirements change.

Runs on a bare Python 3.11: nothing but the standard library is imported here.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
import venv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
CONSTRAINTS = ROOT / "app" / "constraints.txt"


def prepare(name: str, extras: Sequence[str]) -> Path:
    """Make sure that the environment ``name`` holds coatclass with ``extras``; return its Python.

    Args:
        name: folder of the environment, below the checkout.
        extras: optional parts of pyproject.toml, such as ``web``.
    """
    if sys.version_info < (3, 11):  # noqa: UP036  this runs before any installer has checked it
        raise SystemExit(f"coatclass needs Python 3.11 or later; this is {sys.version.split()[0]}.")
    folder = ROOT / name
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamp = folder / "installed.json"
    requirements, there = _requirements(), _installed(stamp)
    if python.exists() and there.get("requirements") == requirements:
        if set(extras) <= set(there["extras"]):
            return python
        extras = sorted({*extras, *there["extras"]})  # what one command needs another keeps
    started = time.monotonic()
    print(f"Setting up {folder.name} (once; this can take some minutes) ...", file=sys.stderr, flush=True)
    if not python.exists():
        venv.create(folder, with_pip=True)
    _install(python, extras)
    stamp.write_text(json.dumps({"requirements": requirements, "extras": list(extras)}))
    print(f"Set up in {time.monotonic() - started:.0f} s.", file=sys.stderr, flush=True)
    return python


def _requirements() -> str:
    return hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + CONSTRAINTS.read_bytes()).hexdigest()


def _installed(stamp: Path) -> dict[str, Any]:
    return dict(json.loads(stamp.read_text())) if stamp.exists() else {}


def _install(python: Path, extras: Sequence[str]) -> None:
    target = f"{ROOT}[{','.join(extras)}]" if extras else str(ROOT)
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    if "PYTHONDONTWRITEBYTECODE" not in os.environ:
        command.append("--no-compile")  # a third of the time for modules of which few are ever imported
    result = subprocess.run([*command, "--constraint", str(CONSTRAINTS), "--editable", target], check=False)
    if result.returncode:
        raise SystemExit("The installation failed (see above). Check the network connection and run this again.")
