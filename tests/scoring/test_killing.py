"""Scoring killed again and again, without a word, goes on to the very table of a run that nobody disturbed."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

from tests.written import write_csv

pytestmark = pytest.mark.slow
ROOT = Path(__file__).resolve().parents[2]
MANY, KILLS = 3000, 3
LONG = 300.0  # s; a limit for what would never end


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A list of photos, some real pictures and most not there, with two columns to be carried."""
    folder = tmp_path_factory.mktemp("killed")
    for number in range(3):
        Image.effect_noise((300, 260), 60 + number).convert("RGB").save(folder / f"{number}.png")
    rows = [
        {"file": f"{number // 900}.png" if number % 900 == 7 else f"none-{number}.jpg", "dog": f"dog {number // 3}",
         "remark": "Filz, „hinten“" if number % 5 else "=1"}
        for number in range(MANY)
    ]  # fmt: skip
    return write_csv(folder / "list.csv", rows)


def begin(listed: Path, out: Path, workers: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "coatclass", "score", listed, "--out", out, "--workers", str(workers)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    silent = subprocess.DEVNULL
    return subprocess.Popen(command, env=environment, stdout=silent, stderr=silent, stdin=silent)


def below(process: subprocess.Popen[bytes]) -> list[Path]:
    found = []
    for task in Path(f"/proc/{process.pid}/task").glob("*/children"):
        found += [Path(f"/proc/{pid}") for pid in task.read_text().split()]
    return found


def gone(process: Path) -> bool:
    try:
        return (process / "stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.mark.parametrize(("ending", "workers"), [(".csv", 1), (".csv", 2), (".parquet", 1)])
def test_a_run_killed_at_any_moment_ends_in_the_same_table_bit_by_bit(listed, tmp_path, ending, workers):
    whole, out = tmp_path / f"whole{ending}", tmp_path / f"table{ending}"
    assert begin(listed, whole, 1).wait(LONG) == 0
    journal = out.with_name(f"{out.name}.partial")
    chance = random.Random(f"{ending}{workers}")
    left: list[Path] = []
    for _ in range(KILLS):
        process = begin(listed, out, workers)
        more = _size(journal) + chance.randrange(1, 60_000)
        until = time.monotonic() + LONG
        while _size(journal) < more and process.poll() is None and time.monotonic() < until:
            time.sleep(0.001)
        left += below(process)
        process.kill()
        process.wait()
        assert not out.exists() or out.read_bytes() == whole.read_bytes()  # there, and whole, or not there
    assert begin(listed, out, workers).wait(LONG) == 0
    assert out.read_bytes() == whole.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([whole.name, out.name])
    until = time.monotonic() + LONG
    while not all(map(gone, left)) and time.monotonic() < until:
        time.sleep(0.1)
    assert all(map(gone, left))  # no worker waits for a first process that was killed


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0
