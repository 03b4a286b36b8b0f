"""``coatclass score``: many photos into one table, one row per photo; resumable, in shards if wished."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("path", type=Path, help="a folder of photos, or a CSV with a column 'file'")
    parser.add_argument("--out", type=Path, required=True, help="the table to write: .csv or .parquet")
    parser.add_argument("--workers", type=_positive, default=1, help="processes to share the work (default 1)")
    parser.add_argument("--shard", type=_shard, default=(1, 1), metavar="I/N", help="only part I of N (default 1/1)")


def run(args: argparse.Namespace) -> int:
    """Score, showing progress; an interrupted run goes on where it stopped when called again."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from coatclass.scoring import photo_list, score

    console = Console(stderr=True)
    files = photo_list(args.path, shard=args.shard)
    columns = (TextColumn("Scoring"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("score", total=len(files))
        counts = score(files, args.out, workers=args.workers, advance=lambda: progress.advance(task))
    said = ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))
    console.print(f"{len(files)} photos: {said}. Written to {args.out}")
    return 0


def _positive(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"must be a whole number of at least 1, not {text!r}")
    return int(text)


def _shard(text: str) -> tuple[int, int]:
    part, slash, parts = text.partition("/")
    if not (slash and part.isdecimal() and parts.isdecimal() and 1 <= int(part) <= int(parts)):
        raise argparse.ArgumentTypeError(f"must look like 2/5 (part 2 of 5), not {text!r}")
    return int(part), int(parts)
