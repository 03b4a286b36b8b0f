"""``python -m training scale``: what many photos and many rows cost on one machine.

Memory of ``coatclass score`` while it goes through many photos (the photo set repeated under other names), here and on
Ray; rates of both with one and two processes as ratios to one local process, in rounds that take all four in turn;
memory and time of ``coatclass evaluate`` on a made-up table of scores. Writes ``models/scale.json`` and the line of
README that quotes it. ``--only`` measures a part anew and keeps the rest; each part says how busy the machine was.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from PIL import Image

from coatclass.errors import InputError
from coatclass.scoring import COLUMNS
from coatclass.taxonomy import BANDS, CATEGORIES
from training.evaluation.tables import put_between
from training.places import ROOT

BEGIN, END = "<!-- figures of models/scale.json: begin -->", "<!-- figures of models/scale.json: end -->"
FIGURES = ROOT / "models" / "scale.json"
_TICKS = os.sysconf("SC_CLK_TCK")
_EVERY_S = 0.25
_PARTS = ("rates", "memory", "evaluate")
_FEW = 16
_ENGINE = ("raylet", "gcs_server")  # processes of Ray that are told apart


@dataclass(frozen=True)
class Watched:
    """A command and all processes that it started.

    Attributes:
        seconds: from start to exit. cpu_seconds: of processor time, of all processes.
        quarter_mb, peak_mb: most resident memory of all together, MB: within the first quarter of the time, and ever.
            Memory that processes share is counted for each.
        own_mb: most memory of a role's own (anonymous), MB, within each quarter of the time, by role: a process may be
            the command itself, an actor, or one of the engine's. What processes share of memory stands as "shared".
    """

    seconds: float
    cpu_seconds: float
    quarter_mb: float
    peak_mb: float
    own_mb: dict[str, list[float]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--pictures", type=Path, default=Path(os.environ.get("COATCLASS_PHOTOS", "../shared/photos")))
    parser.add_argument("--photos", type=int, default=20_000, help="photos while memory is watched (default 20000)")
    parser.add_argument(
        "--memory-of", nargs="+", choices=("local", "ray"), default=("local", "ray"), help="keep others"
    )
    parser.add_argument("--shrunk", type=int, metavar="PX", help="watch memory on photos no larger than this on a side")
    parser.add_argument("--minutes", type=float, help="watch memory on Ray no longer; the figures say how far it got")
    parser.add_argument("--part", type=int, default=64, help="photos of a part on Ray while memory is watched")
    parser.add_argument("--rate", type=int, default=256, help="photos of each timing (default 256)")
    parser.add_argument("--rounds", type=int, default=3, help="timings of each (default 3)")
    parser.add_argument("--only", nargs="+", choices=_PARTS, default=_PARTS, help="measure these, keep the others")
    parser.add_argument("--rows", type=int, default=1_000_000, help="rows of the table that is evaluated")
    parser.add_argument("--price", type=float, default=0.05, help="of a core for an hour: an assumption (default 0.05)")
    parser.add_argument("--json", type=Path, default=FIGURES, help="where the figures go")


def run(args: argparse.Namespace) -> int:
    """Measure, print, and quote the figures in README."""
    pictures = sorted(args.pictures.glob("**/*.jpg"))
    if not pictures:
        raise InputError(str(args.pictures), "holds no photos.", "Name them with --pictures or COATCLASS_PHOTOS.")
    measured: dict[str, Any] = json.loads(args.json.read_text()) if args.json.exists() else {}
    parts: dict[str, Callable[[Path], dict[str, Any]]] = {
        "rates": lambda folder: _rates(_repeated(pictures, args.rate, folder / "few"), args.rate, args.rounds, folder),
        "memory": lambda folder: _memory(pictures, args, measured.get("memory", {}).get("engines", {}), folder),
        "evaluate": lambda folder: _evaluating(args.rows, folder),
    }
    for name in args.only:
        with TemporaryDirectory() as place:
            busy = {"cores": os.cpu_count(), "load_before": round(os.getloadavg()[0], 1)}
            measured[name] = busy | parts[name](Path(place))
        args.json.write_text(json.dumps(measured, indent=1) + "\n")  # at once: a later part may fail
    if missing := set(_PARTS) - set(measured):
        raise InputError(str(args.json), f"lacks {', '.join(sorted(missing))}.", "Measure without --only.")
    rate = measured["rates"]["engines"]["local, 1 process"]
    measured["million"] = {
        "core_hours": round(1e6 * rate["cpu_ms_a_photo"] / 3.6e6, 1),
        "price_of_a_core_hour": args.price,
        "price": round(1e6 * rate["cpu_ms_a_photo"] / 3.6e6 * args.price, 2),
    }
    args.json.write_text(json.dumps(measured, indent=1) + "\n")
    print(told(measured))
    if args.json == FIGURES:
        put_between(ROOT / "README.md", BEGIN, END, f"\n{told(measured)}\n")
    return 0


def told(measured: dict[str, Any]) -> str:
    """The figures in one line of Markdown."""
    rates = "; ".join(
        f"{name} {row['ratio']:.2f} (processor time a photo {row['cpu_ratio']:.2f})"
        for name, row in measured["rates"]["engines"].items()
    )
    memory = "; ".join(
        f"{name}, {row['photos']:,} photos{_size(row)}: {row['peak_mb']:.0f} MB ({row['quarter_mb']:.0f} within the "
        "first quarter)"
        for name, row in measured["memory"]["engines"].items()
    )
    rows, million, rated = measured["evaluate"], measured["million"], measured["rates"]
    if rated["load_before"] > rated["cores"]:  # rates then tell more of scheduling than of the work
        rates += ". The machine was too busy for these rates to mean much; processor time does"
    busy = ", ".join(f"{name} {measured[name]['load_before']}" for name in _PARTS)
    return (
        f"- Many photos, measured on {rows['cores']} cores that others used too (load before: {busy}): rates as ratios "
        f"to one local process, starting left out: {rates}. Memory of all processes: {memory}. A million photos take "
        f"{million['core_hours']:.0f} core-hours; at an assumed {million['price_of_a_core_hour']:g} for one that is "
        f"{million['price']:g}. `evaluate` on {rows['rows']:,} made-up rows with 1,000 resamples: "
        f"{rows['all']['cpu_seconds']:.0f} s of processor time, {rows['all']['seconds']:.0f} s in all, "
        f"{rows['all']['peak_mb']:.0f} MB (a quarter of the rows: {rows['quarter']['peak_mb']:.0f} MB)."
    )


def _size(row: dict[str, Any]) -> str:
    longest = row.get("longest_side_px")
    return f" shrunk to {longest} px beforehand" if longest else ""


def _repeated(pictures: Sequence[Path], many: int, folder: Path) -> Path:
    """So many links to the pictures, in folders of a thousand."""
    for number in range(many):
        place = folder / f"{number // 1000:05d}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{number:08d}.jpg").symlink_to(pictures[number % len(pictures)].absolute())
    return folder


# --- watching a command -----------------------------------------------------------------------------------------------


def _watched(*arguments: str, every_s: float = _EVERY_S, at_most_s: float = math.inf) -> Watched:
    """Run ``coatclass`` and look at it every so often; one that takes longer than it may is interrupted."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "coatclass", *arguments]
    started = time.monotonic()
    held: list[tuple[float, float, Counter[str]]] = []
    interrupted = False
    cpu: dict[int, float] = {}
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        while process.poll() is None:
            if interrupted := time.monotonic() - started > at_most_s:
                process.send_signal(signal.SIGINT)
                process.wait()
                break
            total, own = 0.0, Counter[str]()
            for pid in _below(process.pid):
                if found := _used(pid):
                    total += found.resident_mb
                    cpu[pid] = found.cpu_s
                    own[_role(pid, process.pid)] += found.own_mb  # type: ignore[assignment]
                    own["shared"] = max(own["shared"], found.shared_mb)  # type: ignore[assignment]
            held.append((time.monotonic() - started, total, own))
            time.sleep(every_s)
        said = process.stderr.read().decode(errors="replace") if process.stderr else ""
    seconds = time.monotonic() - started
    if process.returncode and not interrupted:
        raise InputError(" ".join(command), f"failed: {said[-500:]}", "Run it by itself.")
    early = max((mb for at, mb, _ in held if at <= seconds / 4), default=0.0)
    peak = max(mb for _, mb, _ in held)
    return Watched(round(seconds, 1), round(sum(cpu.values()), 1), round(early, 1), round(peak, 1), _by(held, seconds))


def _by(held: Sequence[tuple[float, float, Counter[str]]], seconds: float) -> dict[str, list[float]]:
    quarters = [[own for at, _, own in held if int(4 * at / seconds) == quarter] for quarter in range(4)]
    roles = sorted({role for _, _, own in held for role in own})
    return {role: [round(max((own[role] for own in part), default=0), 1) for part in quarters] for role in roles}


def _role(pid: int, command: int) -> str:
    if pid == command:
        return "command"
    try:
        called = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[0].decode(errors="replace")
    except OSError:
        return "engine"
    name = Path(called).name
    return "actors" if "Scorer" in called or "MapWorker" in called else name if name in _ENGINE else "engine"


def _below(pid: int) -> list[int]:
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = task.read_text().split()
        except OSError:
            continue
        for child in children:
            found += _below(int(child))
    return found


@dataclass(frozen=True)
class _Used:
    resident_mb: float
    own_mb: float
    shared_mb: float
    cpu_s: float


def _used(pid: int) -> _Used | None:
    """Memory and processor time of a process (Linux)."""
    try:
        status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        resident, own, shared = (int(status[name].split()[0]) * 1024 / 1e6 for name in ("VmRSS", "RssAnon", "RssShmem"))
    except (OSError, IndexError, KeyError):  # it has gone
        return None
    return _Used(resident, own, shared, (int(fields[11]) + int(fields[12])) / _TICKS)


# --- photos -----------------------------------------------------------------------------------------------------------

_ENGINES = {"local, {} process": ("--engine", "local"), "Ray, {} process": ("--engine", "ray", "--part", "16")}


def _rates(folder: Path, many: int, rounds: int, place: Path) -> dict[str, Any]:
    """Photos a second and processor time a photo: medians of rounds in which all take turns, and ratios of those.

    The start is taken out by a run of a few photos. A busy machine gives two processes a larger share than one: then
    only processor time is comparable.
    """
    few = place / "start"
    shutil.copytree(next(folder.iterdir()), few / "0", symlinks=True, ignore=_all_but(_FEW))
    cases = {
        name.format(processes) + ("es" if processes > 1 else ""): ("--workers", str(processes), *how)
        for processes in (1, 2)
        for name, how in _ENGINES.items()
    }
    timed = [
        {name: _timed(few, folder, many, how, place / f"{number} {name}") for name, how in cases.items()}
        for number in range(rounds)
    ]
    each_s, each_ms = ({name: median(row[name][of] for row in timed) for name in cases} for of in (0, 1))
    if min(*each_s.values(), *each_ms.values()) <= 0:
        problem = "is too busy: what came before the photos took longer than all of them."
        raise InputError("this machine", problem, "Measure when nothing else runs on it, or raise --rate.")
    first = next(iter(cases))
    engines = {
        name: {
            "cpu_ms_a_photo": round(each_ms[name], 1),
            "photos_a_second": round(1 / each_s[name], 2),
            "ratio": round(each_s[first] / each_s[name], 2),
            "cpu_ratio": round(each_ms[name] / each_ms[first], 2),
        }
        for name in cases
    }
    return {"photos": many, "rounds": rounds, "engines": engines}


def _timed(few: Path, folder: Path, many: int, how: Sequence[str], out: Path) -> tuple[float, float]:
    """Seconds, and milliseconds of processor time, that each further photo takes."""
    ending = "" if "ray" in how else ".parquet"
    start = _watched("score", str(few), "--out", f"{out} a{ending}", *how)
    whole = _watched("score", str(folder), "--out", f"{out} b{ending}", *how)
    cpu_s = whole.cpu_seconds - start.cpu_seconds
    return (whole.seconds - start.seconds) / (many - _FEW), 1000 * cpu_s / (many - _FEW)


def _all_but(many: int) -> Any:
    return lambda folder, names: set(sorted(names)[many:])


def _memory(pictures: Sequence[Path], args: argparse.Namespace, before: dict[str, Any], place: Path) -> dict[str, Any]:
    how = {
        "local": ("local, 2 processes", ("--out", str(place / "many.csv"))),
        "ray": ("Ray, 2 processes", ("--out", str(place / "parts"), "--engine", "ray", "--part", str(args.part))),
    }
    if args.shrunk:
        pictures = _shrunk(pictures, args.shrunk, place / "small")
    folder = _repeated(pictures, args.photos, place / "many")
    engines = dict(before)
    for engine in args.memory_of:
        name, options = how[engine]
        load = round(os.getloadavg()[0], 1)
        at_most_s = 60 * args.minutes if args.minutes and engine == "ray" else math.inf
        watched = _watched("score", str(folder), *options, "--workers", "2", every_s=1.0, at_most_s=at_most_s)
        engines[name] = {"photos": args.photos, "longest_side_px": args.shrunk, "load_before": load} | asdict(watched)
        if engine == "ray":
            done = len(list((place / "parts").glob("part-*.parquet"))) * args.part
            engines[name] |= {"photos": min(args.photos, done), "part": args.part}
    return {"engines": engines}


def _shrunk(pictures: Sequence[Path], longest: int, folder: Path) -> list[Path]:
    """Copies that take little time to open: what is measured is the work around opening."""
    folder.mkdir()
    made = []
    for number, path in enumerate(pictures):
        with Image.open(path) as picture:
            picture.draft("RGB", (longest, longest))
            picture.thumbnail((longest, longest))
            made.append(folder / f"{number:06d}.jpg")
            picture.convert("RGB").save(made[-1], quality=90)
    return made


# --- rows -------------------------------------------------------------------------------------------------------------


def _evaluating(rows: int, place: Path) -> dict[str, Any]:
    found = {}
    for name, many in (("quarter", rows // 4), ("all", rows)):
        _made_up(place / "rows.csv", many)
        found[name] = asdict(_watched("evaluate", str(place / "rows.csv"), "--out", str(place / "report")))
    return {"rows": rows} | found


def _made_up(path: Path, rows: int) -> None:
    """An invented table of scores: random labels, and probabilities that mostly favour them."""
    rng = np.random.default_rng(5)
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream)
        table.writerow([*COLUMNS, "truth", "truth_band", "group", "source"])
        for start in range(0, rows, 10_000):
            labels, p = _drawn(rng, len(CATEGORIES), min(10_000, rows - start))
            lengths, b = _drawn(rng, len(BANDS), len(labels))
            for row in range(len(labels)):
                number, best = start + row, float(p[row].max())
                verdict = "settled" if best > 0.9 else "narrowed" if best > 0.5 else "hands_on"
                named = " ".join(CATEGORIES[place] for place in np.flatnonzero(p[row] > 0.1))
                said = CATEGORIES[int(p[row].argmax())], BANDS[int(b[row].argmax())]
                labelled = CATEGORIES[labels[row]], BANDS[lengths[row]], f"dog {number * 2 // 5}", "ab"[number % 2]
                scores = *p[row].tolist(), said[0], named, *b[row].tolist(), said[1], verdict
                table.writerow([f"{number}.jpg", "used", 0.99, *scores, *labelled])


def _drawn(rng: np.random.Generator, classes: int, many: int) -> tuple[Any, Any]:
    labels = rng.integers(0, classes, many)
    odds = np.exp(2.5 * np.eye(classes)[labels] + rng.normal(size=(many, classes)))
    return labels, odds / odds.sum(axis=1, keepdims=True)
