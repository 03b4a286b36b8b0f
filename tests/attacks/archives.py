"""Import files that are small and unpack to a lot, or hold what they should not."""

from __future__ import annotations

import json
import stat
import threading
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.attacks.serving import LINKS, Serving

TABLES = ("clients", "dogs", "photos", "answers", "assessments", "findings", "measurements", "appointments")


def _manifest(**counts: int) -> str:
    return json.dumps(
        {"format": "coatclass records", "version": 1, "contents": "salon", "missing": [],
         "counts": {**dict.fromkeys(TABLES, 0), **counts}}
    )  # fmt: skip


def _archive(path: Path, manifest: str | None = None, **rows: bytes) -> zipfile.ZipFile:
    archive = zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED)
    archive.writestr("manifest.json", _manifest() if manifest is None else manifest)
    for table in (*TABLES, "changes"):
        archive.writestr(f"records/{table}.jsonl", rows.get(table, b""))
    return archive


def huge_manifest(path: Path) -> None:
    """600 MB of spaces in half a megabyte."""
    with _archive(path, manifest="{}") as archive, archive.open("manifest2.json", "w") as stream:
        stream.write(b" ")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("manifest.json", "w") as stream:
        for _ in range(600):
            stream.write(b" " * 1_000_000)


def huge_rows(path: Path) -> None:
    """400 MB of records in a megabyte."""
    row = json.dumps({"id": "0" * 32, "name": "x" * 150, "remarks": " " * 19_000, "added_at": "2026-01-01T00:00:00Z"})
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("manifest.json", _manifest(clients=20_000))
        with archive.open("records/clients.jsonl", "w") as stream:
            for _ in range(20_000):
                stream.write(row.encode() + b"\n")


def brackets(path: Path) -> None:
    """A manifest of 200,000 brackets."""
    _archive(path, manifest="[" * 200_000).close()


def deep_row(path: Path) -> None:
    """A record of 200,000 brackets."""
    _archive(path, manifest=_manifest(answers=1), answers=b'{"content": ' + b"[" * 200_000 + b"\n").close()


def many_entries(path: Path) -> None:
    """30,000 files."""
    with _archive(path) as archive:
        for number in range(30_000):
            archive.writestr(f"x/{number}", b"")


def lying_sizes(path: Path) -> None:
    """An entry that says it is small."""
    huge_manifest(path)
    data = path.read_bytes().replace((600_000_000).to_bytes(4, "little"), (100).to_bytes(4, "little"))
    path.write_bytes(data)


def slips_and_links(path: Path) -> None:
    """Names that lead out of the folder, and a link to a file of the machine: none of them is ever written."""
    with _archive(path) as archive:
        for name in ("../../evil.txt", "/tmp/evil.txt", "photos/../../evil.jpg", "C:\\evil.txt"):
            archive.writestr(name, b"evil")
        link = zipfile.ZipInfo("photos/" + "0" * 64 + ".jpg")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/passwd")


def encrypted(path: Path) -> None:
    """An entry that claims to need a password."""
    _archive(path).close()
    data = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        data[at + offset] |= 1
    path.write_bytes(bytes(data))


REFUSED: tuple[Callable[[Path], None], ...] = (
    huge_manifest, huge_rows, brackets, deep_row, many_entries, lying_sizes, encrypted,
)  # fmt: skip


def attack(server: Serving, folder: Path, *, longest_wait_s: float = 4.0, most_memory_mb: float = 300) -> Counter[str]:
    """Import each while an owner saves; refused in words, in little memory, and nobody has to wait."""
    outcomes: Counter[str] = Counter()
    server.make_known()
    with closing(server.signed_in("Ada")) as ada, server.client() as owner:
        token = server.start_dog(owner)
        before = server.memory_mb
        waits: list[float] = []
        ended = threading.Event()

        def saving() -> None:
            number = 0
            while not ended.is_set():
                number += 1
                started = time.monotonic()
                answer = owner.patch(f"{LINKS}/{token}/answers", json={"age_months": float(number % 200 + 1)})
                waits.append(time.monotonic() - started)
                if answer.status_code != 200:
                    outcomes[f"FAULT: a save was answered {answer.status_code}"] += 1
                time.sleep(0.1)

        saver = threading.Thread(target=saving)
        saver.start()
        for make in (*REFUSED, slips_and_links):
            path = folder / f"{make.__name__}.zip"
            make(path)
            answer = ada.post("/api/v1/import", files={"file": (path.name, path.read_bytes())})
            path.unlink()
            good = answer.status_code == 200 if make is slips_and_links else 400 <= answer.status_code < 500
            outcomes["answered as it should" if good else f"FAULT: {make.__name__}: {answer.status_code}"] += 1
        ended.set()
        saver.join()
        outcomes[f"longest save {max(waits):.1f} s"] += 1
        outcomes[f"memory grew by {server.memory_mb - before:.0f} MB"] += 1
        if max(waits) > longest_wait_s:
            outcomes["FAULT: somebody had to wait"] += 1
        if server.memory_mb - before > most_memory_mb:
            outcomes["FAULT: too much memory"] += 1
    return outcomes
