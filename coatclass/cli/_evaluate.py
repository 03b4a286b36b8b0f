"""``coatclass evaluate``: how well the released program does on a researcher's own photos."""

from __future__ import annotations

import argparse
import os
import textwrap
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from coatclass.cli.parsing import whole_number
from coatclass.words import catalogue


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

    with _progress("reading", None, args) as advance:
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
        with _progress("comparing", None, args) as advance:
            report["comparison"] = compare(args.data, args.against, resamples=args.resamples, advance=advance)
        write_report(report, None, args.out, args.language)


def _photos(args: argparse.Namespace) -> None:
    from coatclass.reports.evaluation import compare, evaluate_table, read_table

    def further(predictions: Path) -> dict[str, Any]:
        if args.against is None:
            return {}
        return {"comparison": compare(predictions, args.against, resamples=args.resamples)}

    with _progress("looking", len(read_table(args.data)), args) as advance:
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
def _progress(doing: str, total: int | None, args: argparse.Namespace) -> Iterator[Callable[[int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    what = catalogue(args.language, "commands").say(f"evaluate.{doing}")
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(what, total=total)
        yield lambda many: progress.advance(task, many)
