"""Set everything up and run the whole test suite: ``python3 tests/run.py [PYTEST ARGUMENT ...]``.

``--system-packages`` first installs what the tests meet for real and pip can't bring (a browser, a database server)
with Debian's package manager; without it, tests whose partner is missing skip and say so. ``--audit`` compares the
pinned versions with published advisories instead (needs the internet).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from app.environment import CONSTRAINTS, ROOT, prepare

SYSTEM_PACKAGES = {"chromium": "chromium", "initdb": "postgresql", "pdftoppm": "poppler-utils", "strace": "strace"}
EVERYTHING = ["-n", "auto", "--maxprocesses", "4"]  # a worker for each core; how they share the tests: pyproject.toml
CHECKS = (["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"])


def install_system_packages() -> None:
    """Install the system's packages whose commands are not there yet."""
    missing = [package for command, package in SYSTEM_PACKAGES.items() if not _has(command)]
    if not missing:
        return
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run(["apt-get", "update", "-qq"], check=True, env=quiet)
    subprocess.run(["apt-get", "install", "-y", "-qq", "--no-install-recommends", *missing], check=True, env=quiet)


def _has(command: str) -> bool:
    server_folders = Path("/usr/lib/postgresql").glob("*/bin")  # where Debian keeps a server's own commands
    return bool(shutil.which(command) or any((folder / command).exists() for folder in server_folders))


def audit() -> int:
    """Look for published advisories about the pinned versions, with a tool in an environment of its own."""
    folder = ROOT / ".venv-audit"
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        venv.create(folder, with_pip=True)
    quiet = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "pip-audit>=2.7"]
    subprocess.run(quiet, check=True)
    command = [str(python), "-m", "pip_audit", "--no-deps", "--disable-pip", "-r", str(CONSTRAINTS)]
    return subprocess.run(command, cwd=ROOT, check=False).returncode


def main(arguments: list[str]) -> int:
    """Check style and types, then run the tests; the exit code is the first failure's."""
    if "--system-packages" in arguments:
        arguments.remove("--system-packages")
        install_system_packages()
    if "--audit" in arguments:
        return audit()
    python = prepare(".venv-test", ["test"])
    environment = {**os.environ, "OMP_NUM_THREADS": os.environ.get("OMP_NUM_THREADS", "1")}
    checks = [[str(python), "-m", *check] for check in CHECKS] if not arguments else []
    for command in [*checks, [str(python), "-m", "pytest", *(arguments or EVERYTHING)]]:
        code = subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
