"""Whom a command talks to and which files it writes, as the system sees it (strace)."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from tests.attacks.serving import PASSWORD, ROOT

NAME = "Rosalind"
"""Who looks round a web app that is watched; a researcher's or groomer's account, with the password of all attacks."""
STRACE = shutil.which("strace")
_CALLS = "connect,sendto,sendmsg,sendmmsg,open,openat,creat,mkdir,mkdirat,rename,renameat,renameat2,link,symlink"
_ADDRESS = re.compile(r'sin6?_addr=inet_(?:addr|pton)\((?:AF_INET6, )?"([^"]+)"|inet_pton\(AF_INET6, "([^"]+)"')
_WRITES = re.compile(r"O_CREAT|O_WRONLY|O_RDWR|creat\(|mkdir|rename|link\(")
_PATH = re.compile(r'"((?:[^"\\]|\\.)*)"')
_LOOPBACK = ("127.", "::1")


@dataclass
class Seen:
    """What a command did.

    Attributes:
        code: its exit code.
        calls: every attempt to reach an address, a name server or a resolver's socket, loopback left out.
        written: files and folders that it made or opened for writing, but for terminals and the null device.
    """

    code: int
    calls: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)


def watch(command: list[str], home: Path, *, until: str = "", seconds: float = 300) -> Seen:
    """Run a command of this program under strace with a home of its own.

    Args:
        until: stop it as a person would (Ctrl+C) once its output holds this.
    """
    assert STRACE is not None
    home.mkdir(parents=True, exist_ok=True)
    trace, out = home.parent / "trace.txt", home.parent / "out.txt"
    plain = {
        name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "ORT_", "GRADIO_", "HF_"))
    }
    environment = {
        **plain,
        "HOME": str(home),
        "TMPDIR": str(home / "tmp"),
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
        "OMP_NUM_THREADS": "1",
    }
    (home / "tmp").mkdir(exist_ok=True)
    traced = [STRACE, "-f", "-qq", "-e", f"trace={_CALLS}", "-o", str(trace), sys.executable, *command]
    with out.open("wb") as stream:
        process = subprocess.Popen(
            traced, cwd=home, env=environment, stdout=stream, stderr=stream, start_new_session=True
        )
        if until:
            deadline = time.monotonic() + seconds
            while until not in out.read_text(errors="replace") and process.poll() is None:
                if time.monotonic() > deadline:
                    break
                time.sleep(0.2)
            _visit(out.read_text(errors="replace"))
            os.killpg(process.pid, signal.SIGINT)
        code = process.wait(timeout=seconds)
    seen = Seen(code)
    for line in trace.read_text(errors="replace").splitlines():
        _read(line, seen)
    return seen


def _visit(said: str) -> None:
    """Open the pages once, the workbench too, and let a dog be looked at, so that everything is loaded."""
    import httpx

    found = re.search(r"http://127\.0\.0\.1:\d+", said)
    if found is None:
        return
    with httpx.Client(base_url=found[0], timeout=120) as web:
        web.get("/owner/")
        web.get("/health")
        token = web.post("/api/v1/dogs/by-link", json={"name": "Bramble"}).json()["token"]
        web.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"breed": "beagle"})
        web.get(f"/api/v1/dogs/by-link/{token}/sheet.pdf")
        web.post("/api/v1/sign-in", data={"name": NAME, "password": PASSWORD}).raise_for_status()
        web.get("/workbench/").raise_for_status()  # loaded no earlier


def _read(line: str, seen: Seen) -> None:
    if re.search(r"\b(connect|sendto|sendmsg|sendmmsg)\(", line):
        address = _ADDRESS.search(line)
        reached = next(filter(None, address.groups()), "") if address else ""
        named = "sun_path" in line
        asks_names = "htons(53)" in line or "resolve" in line
        if (reached and not reached.startswith(_LOOPBACK)) or asks_names or (named and "nscd" not in line):
            seen.calls.append(line)
        return
    if _WRITES.search(line) and not line.rstrip().endswith(
        ("ENOENT (No such file or directory)", "EEXIST (File exists)")
    ):
        for path in _PATH.findall(line)[-1:]:
            if not path.startswith(("/dev/", "/proc/", "pipe:")):
                seen.written.append(path)
