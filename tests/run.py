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
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from app.start import CONSTRAINTS, ROOT, prepare

SYSTEM_PACKAGES = {
    "chromium-headless-shell": "chromium-headless-shell",
    "initdb": "postgresql",
    "pdftoppm": "poppler-utils",
    "strace": "strace",
}
# A worker more than cores, because many tests wait for a server or a browser; each costs half a minute of processor
# time (what it imports, a server, a database server). How they share: pyproject.toml.
EVERYTHING = ["-n", str(min((os.cpu_count() or 1) + 1, 6))]
STYLE = (["ruff", "check", "."], ["ruff", "format", "--check", "."])


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
    """Set up, then check: all, or the tests that the arguments choose; the exit code is the first failure's."""
    if "--audit" in arguments:
        return audit()
    # Modules are compiled when they are first imported: kept, or every process would do it again.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ThreadPoolExecutor() as meanwhile:
        system = "--system-packages" in arguments and meanwhile.submit(install_system_packages)
        python = prepare(".venv-test", ["test"])
        if system:
            arguments.remove("--system-packages")
            system.result()
    run = [str(python), "-m"]
    return _code([*run, "pytest", *arguments]) if arguments else check_everything(run)


def check_everything(run: list[str]) -> int:
    """Style first, then types beside the tests; what is said of the types follows the tests whole."""
    for style in STYLE:
        if code := _code([*run, *style]):
            return code
    with subprocess.Popen(
        [*run, "mypy"], cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    ) as types:
        _compile_once(run)
        tests = _code([*run, "pytest", *EVERYTHING])
        said, _ = types.communicate()
    print(f"mypy: {said}", end="", flush=True)
    return types.returncode or tests


def _compile_once(run: list[str]) -> None:
    """Compile what every worker collects once: they start together, and each would do it all (50 s in place of 39)."""
    if not any((ROOT / "tests").glob("*/__pycache__/*-pytest-*.pyc")):
        # What can't be collected is told by the run itself.
        subprocess.run([*run, "pytest", "--collect-only", "-qq"], cwd=ROOT, stdout=subprocess.DEVNULL, check=False)


def _code(command: list[str]) -> int:
    return subprocess.run(command, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
