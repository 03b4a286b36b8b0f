"""A real Ray of two nodes, as two sets of processes on loopback: the local table, whatever is lost on the way."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from importlib.util import find_spec
from pathlib import Path

import pytest

from coatclass.cli import main
from coatclass.errors import InputError
from coatclass.scoring import photos_at, score
from coatclass.scoring.cluster import score_on_cluster

pq = pytest.importorskip("pyarrow.parquet")
if find_spec("ray") is None:
    pytest.skip("Ray is not installed", allow_module_level=True)
pytestmark = [pytest.mark.photos, pytest.mark.slow]
ROOT = Path(__file__).resolve().parents[2]
PART = 2
RAY = Path(sys.executable).with_name("ray")
HEAD, OTHER = "127.0.0.2", "127.0.0.3"  # loopback as well (RFC 1122 3.2.1.3); Ray takes 127.0.0.1 for "outside, please"
TOKEN = {"RAY_AUTH_MODE": "token", "RAY_AUTH_TOKEN": "f" * 64}


@pytest.fixture(scope="module")
def folder(photos, tmp_path_factory):
    """Ten real photos and one file that is no picture, listed with a further column; in parts of two."""
    folder = tmp_path_factory.mktemp("cluster") / "dogs"
    folder.mkdir()
    for path in sorted((photos / "open").glob("*.jpg"))[::60][:10]:
        shutil.copy(path, folder)
    (folder / "broken.jpg").write_bytes(b"no picture")
    names = [path.name for path in sorted(folder.iterdir())]
    lines = [f"{name},{place}" for place, name in enumerate([*names, names[0]])]  # one is named twice
    (folder / "list.csv").write_text("\n".join(["file,visit", *lines]))
    return folder


@pytest.fixture(scope="module")
def local(folder):
    """The table of one process on this machine."""
    score(photos_at(folder / "list.csv"), folder.parent / "local.parquet")
    return pq.read_table(folder.parent / "local.parquet")


@pytest.fixture(scope="module")
def monkeypatch_module():
    with pytest.MonkeyPatch.context() as patch:
        yield patch


@pytest.fixture(scope="module")
def nodes(monkeypatch_module):
    """Two nodes of one processor each, and the address of the first."""
    with socket.socket() as free:
        free.bind((HEAD, 0))
        port = free.getsockname()[1]
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "RAY_USAGE_STATS_ENABLED": "0",
        **TOKEN,
        "RAY_health_check_period_ms": "500",  # a machine that is gone is missed sooner than by default
        "RAY_health_check_failure_threshold": "2",
        "RAY_health_check_initial_delay_ms": "0",
        # No worker is started before it is needed: each imports Ray for two seconds.
        "RAY_enable_worker_prestart": "0",
        "RAY_prestart_worker_first_driver": "0",
    }
    environment.pop("RAY_ADDRESS", None)

    def start(host: str, *how: str) -> subprocess.Popen[bytes]:
        command = [RAY, "start", "--block", "--num-cpus=1", f"--node-ip-address={host}", *how]
        command += ["--object-store-memory=80000000", "--disable-usage-stats"]
        command += ["--include-log-monitor=false", "--no-monitor"]  # nobody looks at logs, no machine is ever added
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen(command, env=environment, start_new_session=True, **quiet)

    address = f"{HEAD}:{port}"
    started: list[subprocess.Popen[bytes]] = []
    try:
        started.append(start(HEAD, "--head", f"--port={port}", "--include-dashboard=false"))
        _wait_for(lambda: _listens(port), started[0])
        started.append(start(OTHER, f"--address={address}"))
        _wait_for(lambda: any("raylet/raylet" in command for _, command in _below(started[1].pid)), started[1])
        for name, value in TOKEN.items():
            monkeypatch_module.setenv(name, value)
        yield address, *started
    finally:
        for node in reversed(started):
            _end(node.pid)
            node.wait(60)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((HEAD, port)) == 0


def _wait_for(happens, node: subprocess.Popen[bytes], seconds: float = 300.0) -> None:
    until = time.monotonic() + seconds
    while not happens():
        assert node.poll() is None and time.monotonic() < until, "Ray did not start"
        time.sleep(0.1)


def _below(pid: int) -> list[tuple[int, str]]:
    """Every process that comes from ``pid``, itself last, with its command."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            children.setdefault(parent, []).append(int(entry.name))

    def down(one: int) -> list[int]:
        return [*(found for child in children.get(one, ()) for found in down(child)), one]

    return [(one, _command(one)) for one in down(pid)]


def _called(roots: list[int]) -> list[str]:
    """Addresses at the other end of every TCP connection that these processes, and those below them, hold (Linux)."""
    owned = set()
    for pid in (pid for root in roots for pid, _ in _below(root)):
        for entry in Path(f"/proc/{pid}/fd").glob("*"):
            try:
                owned.add(str(entry.readlink()))
            except OSError:
                continue
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            address, _, port = fields[2].partition(":")
            if f"socket:[{fields[9]}]" in owned and int(port, 16):
                found.add(socket.inet_ntoa(bytes.fromhex(address[-8:])[::-1]))  # IPv6 here holds mapped IPv4
    return sorted(found)


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""


def _end(pid: int) -> None:
    for one, _ in reversed(_below(pid)):  # the one that would start others first
        try:
            os.kill(one, signal.SIGKILL)
        except ProcessLookupError:
            continue


def _together(out: Path):
    """The parts one after the other."""
    import pyarrow as pa

    return pa.concat_tables([pq.read_table(part) for part in sorted(out.glob("part-*.parquet"))])


def test_with_a_worker_and_then_a_whole_node_killed_the_parts_are_the_local_table(nodes, folder, local, tmp_path):
    address, head, other = nodes
    lost: list[str] = []
    called: list[str] = []
    seen: list[int] = []

    def kill_on_the_way(row, photos):
        seen.append(photos)
        if len(seen) == 1:
            called.extend(_called([head.pid, other.pid, os.getpid()]))
            workers = [
                pid for pid, command in _below(head.pid) + _below(other.pid) if "ray::" in command and "Map" in command
            ]
            os.kill(workers[0], signal.SIGKILL)
            lost.append("worker")
        if len(seen) == 2:
            _end(other.pid)
            lost.append("node")

    counts = score_on_cluster(
        photos_at(folder / "list.csv"), str(tmp_path), part=PART, address=address, advance=kill_on_the_way
    )
    assert lost == ["worker", "node"]
    assert called and all(address.startswith("127.") for address in called), called  # nobody outside is called
    assert sum(seen) == counts.total() == len(local) > 5 * PART and counts["refused"] >= 1
    assert [path.name for path in tmp_path.glob("*unfinished*")] == []
    made = _together(tmp_path)
    assert made.schema.equals(local.schema, check_metadata=True)
    assert made.to_pylist() == local.to_pylist()  # every float to its last bit, and in the same order
    _goes_on(address, folder, tmp_path, local)


def _goes_on(address: str, folder: Path, out: Path, local) -> None:
    """A part that is missing, or in which a photo failed, is made again and nothing else; runs are not mixed."""
    before = {path.name: path.stat().st_mtime_ns for path in out.glob("part-*")}
    (out / "part-000003.parquet").unlink()
    part = pq.read_table(out / "part-000001.parquet")
    failed = part.set_column(1, part.schema.field(1), [["failed", *part["status"].to_pylist()[1:]]])
    pq.write_table(failed, out / "part-000001.parquet")
    kept, made = [], []
    score_on_cluster(
        photos_at(folder / "list.csv"), str(out), part=PART, address=address,
        advance=lambda row, photos: (kept if row is None else made).append(photos),
    )  # fmt: skip
    assert made == [PART, PART] and sum(kept) == len(local) - 2 * PART
    after = {path.name: path.stat().st_mtime_ns for path in out.glob("part-*")}
    changed = sorted(name for name in before if before[name] != after[name])
    assert changed == ["part-000001.parquet", "part-000003.parquet"]
    assert _together(out).equals(local)
    with pytest.raises(InputError, match=r"holds another run \(other in parts, part, list"):
        score_on_cluster(photos_at(folder), str(out), part=1, address=address)
    assert json.loads((out / "_run.json").read_text())["part"] == PART


def test_what_can_not_be_done_is_said_before_ray_is_started(folder, tmp_path, capsys):
    import zipfile

    with zipfile.ZipFile(tmp_path / "dogs.zip", "w") as packed:
        packed.write(folder / "broken.jpg", "broken.jpg")
    for arguments, says in (
        ([str(folder), "--out", str(tmp_path / "t.csv")], "writes a folder"),
        ([str(tmp_path / "dogs.zip"), "--out", str(tmp_path / "o")], "Unpack it"),
        ([str(folder), "--out", str(tmp_path / "o"), "--skip-existing"], "call it again"),
        ([str(folder), "--out", str(tmp_path / "dogs.zip" / "o")], "can't be written"),
    ):
        assert main(["score", *arguments, "--engine", "ray"]) == 3
        assert says in " ".join(capsys.readouterr().err.split())
    assert "ray" not in sys.modules or not sys.modules["ray"].is_initialized()
