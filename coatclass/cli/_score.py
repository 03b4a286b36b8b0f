"""``coatclass score``: many photos into one table, one row per photo; resumable, here or on a cluster."""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coatclass.cli.parsing import whole_number
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    from rich.console import Console

    from coatclass.scoring import Photos

_LINE_EVERY_S = 60.0  # where nobody watches, as in a batch job's log


def declare_score(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    say = catalogue(parser.get_default("language"), "commands").say
    parser.epilog = say("score.epilog")
    parser.add_argument("path", help=say("score.path"))
    parser.add_argument("--out", required=True, help=say("score.out"))
    parser.add_argument("--workers", type=whole_number(1), help=say("score.workers"))
    parser.add_argument("--shard", type=_shard, default=(1, 1), metavar="I/N", help=say("score.shard"))
    parser.add_argument("--skip-existing", action="store_true", help=say("score.skip_existing"))
    parser.add_argument("--engine", choices=("local", "ray"), default="local", help=say("score.engine"))
    parser.add_argument("--address", help=say("score.address"))
    parser.add_argument("--part", type=whole_number(1), default=512, metavar="N", help=say("score.part"))


def run_score(args: argparse.Namespace) -> int:
    """Score, showing progress; an interrupted run goes on where it stopped when called again."""
    from rich.console import Console

    from coatclass.scoring import photos_at

    console = Console(stderr=True)
    if args.engine == "ray":
        return _on_cluster(args, console)
    from coatclass.scoring.local import kind_of, score

    kind_of(Path(args.out))
    photos = photos_at(args.path)
    with _progress(photos, args.shard[1], console, _texts(args)) as (advance, failures):
        counts = score(
            photos,
            Path(args.out),
            shard=args.shard,
            workers=args.workers or 1,
            skip_existing=args.skip_existing,
            advance=advance,
        )
    _report(counts, failures, args, console)
    return 0


def _on_cluster(args: argparse.Namespace, console: Console) -> int:
    from coatclass.errors import InputError
    from coatclass.scoring import photos_at
    from coatclass.scoring.cluster import check, score_on_cluster

    if args.shard != (1, 1) or args.skip_existing:
        problem = "takes neither --shard nor --skip-existing."
        raise InputError("--engine ray", problem, "Parts that are there are kept: call it again with the same folder.")
    check(args.out)
    photos = photos_at(args.path)
    with _progress(photos, 1, console, _texts(args)) as (advance, failures):
        counts = score_on_cluster(
            photos, args.out, part=args.part, workers=args.workers, address=args.address, advance=advance
        )
    _report(counts, failures, args, console)
    return 0


def _report(counts: Counter[str], failures: list[str], args: argparse.Namespace, console: Console) -> None:
    texts = _texts(args)
    said = ", ".join(texts.count(f"score.status.{status}", number) for status, number in sorted(counts.items()))
    photos = texts.count("score.photos", counts.total())
    console.print(texts.say("score.done", photos=photos, said=said, out=args.out), highlight=False, markup=False)
    if failures:
        told = texts.count("score.failed", counts["failed"], first=failures[0])
        console.print(told, highlight=False, markup=False)


def _texts(args: argparse.Namespace) -> Catalogue:
    return catalogue(args.language, "commands")


@contextmanager
def _progress(
    photos: Photos, parts: int, console: Console, texts: Catalogue
) -> Iterator[tuple[Callable[..., None], list[str]]]:
    """A bar with rate and time left, or a line a minute where no terminal shows it; and what failed."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    counted = photos.count()
    total = None if counted is None else -(-counted // parts)
    columns = (
        TextColumn(texts.say("score.scoring")),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
    )
    started = said = time.monotonic()
    made = kept = 0
    failures: list[str] = []
    with Progress(*columns, TimeRemainingColumn(), console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("score", total=total, rate="")

        def advance(row: dict[str, Any] | None, photos: int = 1) -> None:
            nonlocal made, kept, said
            if row is None:
                kept += photos
            else:
                made += photos
                if "problem" in row and not failures:
                    failures.append(f"{row['file']}: {row['problem']}")
            now = time.monotonic()
            rate = made / (now - started) if made else 0.0
            told = texts.say("score.rate", rate=texts.number(rate)) + _there(kept, texts)
            left = None if total is None else max(total - kept, made)
            progress.update(task, completed=made, total=left, rate=told)
            if not console.is_terminal and now - said > _LINE_EVERY_S:
                said = now
                console.print(_line(made, left, rate, texts) + _there(kept, texts), highlight=False)

        yield advance, failures


def _line(made: int, total: int | None, rate: float, texts: Catalogue) -> str:
    per_s = texts.number(rate)
    if total is None or not rate:
        return texts.say("score.so_far", made=made, rate=per_s)
    return texts.say("score.so_far_of", made=made, total=total, rate=per_s, minutes=round((total - made) / rate / 60))


def _there(kept: int, texts: Catalogue) -> str:
    return texts.say("score.there", n=kept) if kept else ""


def _shard(text: str) -> tuple[int, int]:
    part, slash, parts = text.partition("/")
    if not (slash and part.isdecimal() and parts.isdecimal() and 1 <= int(part) <= int(parts)):
        raise argparse.ArgumentTypeError(f"must look like 2/5 (part 2 of 5), not {text!r}")
    return int(part), int(parts)
