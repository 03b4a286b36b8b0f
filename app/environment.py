"""A virtual environment of the checkout's own, made once and renewed when the requirements change.

Runs on a bare Python 3.11: nothing but the standard library is imported here.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
import venv
from collections.abc import Sequence
from pathlib import Path

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
    stamp = folder / "installed"
    present, there = _read(stamp) if python.exists() else ("", set())
    requirements = _fingerprint()
    if present == requirements and there.issuperset(extras):
        return python  # more than is needed does no harm
    started = time.monotonic()
    print(f"Setting up {folder.name} (once; this can take some minutes) ...", file=sys.stderr, flush=True)
    if not python.exists():
        venv.create(folder, with_pip=True)
    together = sorted(there.union(extras))
    _install(python, together)
    stamp.write_text(f"{requirements} {','.join(together)}")
    print(f"Set up in {time.monotonic() - started:.0f} s.", file=sys.stderr, flush=True)
    return python


def _fingerprint() -> str:
    content = (ROOT / "pyproject.toml").read_bytes() + CONSTRAINTS.read_bytes()
    return hashlib.sha256(content).hexdigest()


def _read(stamp: Path) -> tuple[str, set[str]]:
    """Which requirements an environment was made for, and with which extras."""
    if not stamp.exists():
        return "", set()
    present, _, extras = stamp.read_text().partition(" ")
    return present, {extra for extra in extras.split(",") if extra}


def _install(python: Path, extras: Sequence[str]) -> None:
    target = f"{ROOT}[{','.join(extras)}]" if extras else str(ROOT)
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    result = subprocess.run([*command, "--constraint", str(CONSTRAINTS), "--editable", target], check=False)
    if result.returncode:
        raise SystemExit("The installation failed (see above). Check the network connection and run this again.")
