"""``python -m tests.attacks``: attack a server of one's own on loopback, and say what came of it.

Exit code 0 when nothing got through, else 1. Everything is bounded; ``--full`` is the size quoted in app/SECURITY.md.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests import postgresql
from tests.attacks import access, archives, chain, floods, kills, load, pictures, uploads
from tests.attacks.serving import Serving


def _access(folder: Path, full: bool) -> Counter[str]:
    with Serving(folder / "salon") as server:
        return access.attack(server, rounds=5 if full else 1)


def _uploads(folder: Path, full: bool) -> Counter[str]:
    with Serving(folder / "salon") as server:
        return uploads.attack(server)


def _archives(folder: Path, full: bool) -> Counter[str]:
    with Serving(folder / "salon") as server:
        return archives.attack(server, folder)


def _floods(folder: Path, full: bool) -> Counter[str]:
    with Serving(folder / "salon", relaxed=False) as server:
        return floods.attack(server, connections=200 if full else 60)


def _kills(folder: Path, full: bool) -> Counter[str]:
    return kills.attack([Serving(folder / "salon")], kills=30 if full else 4)


def _two_servers(folder: Path, full: bool) -> Counter[str]:
    return kills.attack([Serving(folder / "salon"), Serving(folder / "salon")], kills=10 if full else 3)


def _load(folder: Path, full: bool) -> Counter[str]:
    outcomes: Counter[str] = Counter()
    with Serving(folder / "salon") as server:
        for owners in (1, 5, 20, 50) if full else (1, 5):
            for line in load.attack(server, owners):
                outcomes[line] += 1
    return outcomes


def _chain(folder: Path, full: bool) -> Counter[str]:
    """One port, three processes, one PostgreSQL; then what one, two and three of them get done."""
    with postgresql.running() as new_database:
        with Serving(folder / "salon", database=new_database(), workers=3) as server:
            outcomes = chain.attack(server, owners=50 if full else 12, kills=3 if full else 1) + chain.hang(server)
        outcomes[chain.writers_at_once(new_database(), folder)] += 1
        first = 0.0
        for workers in (1, 2, 3):
            (folder / str(workers)).mkdir()
            with Serving(folder / str(workers) / "salon", database=new_database(), workers=workers) as server:
                done = chain.requests_per_second(server, seconds=20 if full else 5)
            first = first or done.per_second
            outcomes[f"{workers} processes: {_said(done, workers, first)}"] += 1
    return outcomes


def _said(done: chain.Done, processes: int, first: float) -> str:
    """What so many processes got done, and what their processor time would allow where nothing else runs."""
    used = f"web {done.web_ms:.1f}, database {done.database_ms:.1f}, whoever asks {done.asking_ms:.1f} ms of processor"
    waits = (
        f"statements {done.statements_ms:.1f}, another writer {done.lock_ms:.1f} ms, {done.connects:.2f} connections"
    )
    most = ", ".join(f"{done.at_most(processes, cores):.0f} on {cores} cores" for cores in (2, 4, 8))
    here = f"{done.per_second:.0f} requests per second, {done.per_second / first:.2f} of one process"
    return f"{here}; each: {used}; waits for {waits}; by processor time alone {most}"


ATTACKS: dict[str, Callable[[Path, bool], Counter[str]]] = {
    "pictures": lambda folder, full: pictures.attack(3000 if full else 1000),
    "uploads": _uploads,
    "access": _access,
    "archives": _archives,
    "floods": _floods,
    "kills": _kills,
    "two servers": _two_servers,
    "load": _load,
    "chain": _chain,
}


def main(arguments: list[str]) -> int:
    """Run the attacks that are named, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.attacks", description=__doc__)
    parser.add_argument("attacks", nargs="*", metavar="ATTACK", help=f"which of: {', '.join(ATTACKS)} (default: all)")
    parser.add_argument(
        "--full", action="store_true", help="the sizes that are quoted; takes about a quarter of an hour"
    )
    chosen = parser.parse_args(arguments)
    if unknown := set(chosen.attacks) - set(ATTACKS):
        parser.error(f"there is no attack called {sorted(unknown)[0]}")
    faults = 0
    for name in chosen.attacks or ATTACKS:
        started = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="coatclass-attack-") as folder:
            outcomes = ATTACKS[name](Path(folder), chosen.full)
        print(f"{name}: {sum(outcomes.values())} in {time.monotonic() - started:.0f} s")
        for outcome, number in sorted(outcomes.items(), key=lambda one: (-one[1], one[0])):
            print(f"  {number:6}  {outcome}", flush=True)
            faults += outcome.startswith("FAULT") or ": FAULT" in outcome
    print("Something got through." if faults else "Nothing got through.")
    return min(faults, 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
