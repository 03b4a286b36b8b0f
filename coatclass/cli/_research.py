"""A researcher's commands: ``coatclass score``, many photos into one table; ``coatclass evaluate``, how good it is."""

from __future__ import annotations

import argparse
import os
import textwrap
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coatclass.cli.parsing import whole_number
from coatclass.words import Catalogue, catalogue

if TYPE_CHECKING:
    from rich.console import Console

    from coatclass.scoring import Photos

_LINE_EVERY_S = 60.0  # without a terminal, as in a batch job's log

# --- score ------------------------------------------------------------------------------------------------------------


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
    """A bar with rate and time left, or a line a minute if there is no terminal; yields also what failed."""
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


# --- evaluate ---------------------------------------------------------------------------------------------------------


def declare_evaluate(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments, and list the columns of the table below them."""
    say = catalogue(parser.get_default("language"), "commands").say
    parser.epilog = _columns(parser.get_default("language"))
    parser.add_argument("data", type=Path, metavar="DATA.csv", help=say("evaluate.data"))
    parser.add_argument("--out", type=Path, required=True, help=say("evaluate.out"))
    parser.add_argument("--against", type=Path, metavar="OTHER", help=say("evaluate.against"))
    parser.add_argument("--by", action="append", default=[], metavar="COLUMN", help=say("evaluate.by"))
    parser.add_argument("--robustness", type=whole_number(0), default=0, metavar="N", help=say("evaluate.robustness"))
    parser.add_argument("--gallery", type=whole_number(0), default=24, metavar="N", help=say("evaluate.gallery"))
    parser.add_argument("--resamples", type=whole_number(0), default=1000, metavar="N", help=say("evaluate.resamples"))


def _columns(language: str) -> str:
    from coatclass.reports.evaluation import column_meanings

    say = catalogue(language, "commands").say
    photos, scored = (column_meanings(language, scored=scored) for scored in (False, True))
    width = max(map(len, photos)) + 4

    def listed(columns: Mapping[str, str]) -> Iterator[str]:
        for name, meaning in columns.items():
            start = f"  {name}".ljust(width) + " " * (len(name) + 2 >= width)
            yield textwrap.fill(meaning, 100, initial_indent=start, subsequent_indent=" " * width)

    heads = (say("evaluate.columns.head"), say("evaluate.columns.scored_head"))
    return "\n".join([heads[0], *listed(photos), "", heads[1], *listed(scored)])


def run_evaluate(args: argparse.Namespace) -> int:
    """Evaluate with a progress bar and say where the report is; what is needed is looked for first."""
    from coatclass.errors import InputError, require
    from coatclass.reports.evaluation import is_table_of_scores

    require("Evaluation", "evaluate", "matplotlib", "scipy")
    _check_folder(args.out)
    if args.against is not None and not is_table_of_scores(args.against):
        problem = "is no table of scores, so there is nothing to compare with."
        raise InputError(str(args.against), problem, "Make one with `coatclass score`, or take a predictions.csv.")
    scored = is_table_of_scores(args.data)
    if scored and args.robustness:
        raise InputError("--robustness", "needs photos, and this is a table of scores.", "Leave it out.")
    if args.by and not scored:
        raise InputError("--by", "takes a table of scores.", "Evaluate first, then OUT/predictions.csv with --by.")
    (_scores if scored else _photos)(args)
    say = catalogue(args.language, "commands").say
    print(say("evaluate.written_scored" if scored else "evaluate.written", file=args.out / "evaluation.html"))
    return 0


def _check_folder(out: Path) -> None:
    """Find out now, and not after the work, whether the report can be written."""
    from coatclass.errors import InputError

    above = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not above.is_dir() or not os.access(above, os.W_OK):
        raise InputError(str(out), "can't be written to.", "Name a folder you may write to.")


def _scores(args: argparse.Namespace) -> None:
    from coatclass.reports.evaluation import compare, report_of_scores, write_report

    with _counting("reading", None, args) as advance:
        report = report_of_scores(
            args.data,
            f"coatclass on {args.data.name}",
            by=args.by,
            resamples=args.resamples,
            gallery=args.gallery,
            advance=advance,
        )
    write_report(report, None, args.out, args.language)  # kept if the comparison fails
    if args.against is not None:
        with _counting("comparing", None, args) as advance:
            report["comparison"] = compare(args.data, args.against, resamples=args.resamples, advance=advance)
        write_report(report, None, args.out, args.language)


def _photos(args: argparse.Namespace) -> None:
    from coatclass.reports.evaluation import compare, evaluate_table, read_table

    def further(predictions: Path) -> dict[str, Any]:
        if args.against is None:
            return {}
        return {"comparison": compare(predictions, args.against, resamples=args.resamples)}

    with _counting("looking", len(read_table(args.data)), args) as advance:
        evaluate_table(
            args.data,
            args.out,
            robustness_photos=args.robustness,
            gallery=args.gallery,
            resamples=args.resamples,
            language=args.language,
            further=further,
            advance=lambda: advance(1),
        )


@contextmanager
def _counting(doing: str, total: int | None, args: argparse.Namespace) -> Iterator[Callable[[int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    what = catalogue(args.language, "commands").say(f"evaluate.{doing}")
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(what, total=total)
        yield lambda many: progress.advance(task, many)
