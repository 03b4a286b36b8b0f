"""``coatclass evaluate``: how well the released program does on a researcher's own photos."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments, and list the columns of the table below them."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _columns()
    parser.add_argument("data", type=Path, metavar="DATA.csv", help="one row a photo; its columns are listed below")
    parser.add_argument("--out", type=Path, required=True, help="folder for evaluation.json and evaluation.html")
    parser.add_argument(
        "--robustness", type=_count, default=0, metavar="N", help="also repeat N photos with worse pictures"
    )
    parser.add_argument("--gallery", type=_count, default=24, metavar="N", help="how many errors to show (default 24)")
    parser.add_argument(
        "--resamples", type=_count, default=1000, metavar="N", help="bootstrap resamples (default 1000)"
    )


def _columns() -> str:
    from coatclass.reports.evaluation import COLUMNS

    width = max(map(len, COLUMNS)) + 4
    rows = (
        textwrap.fill(meaning, 100, initial_indent=f"  {name}".ljust(width), subsequent_indent=" " * width)
        for name, meaning in COLUMNS.items()
    )
    return "\n".join(["columns of DATA.csv (UTF-8, their names in the first row; others are not read):", *rows])


def _count(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"must be a whole number of at least 0, not {text!r}")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Evaluate with a progress bar and say where the report is."""
    from coatclass.errors import require

    require("Evaluation", "evaluate", "matplotlib", "scipy")
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from coatclass.reports.evaluation import evaluate_table, read_table

    columns = (TextColumn("Looking at photos"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task("look", total=len(read_table(args.data)))
        evaluate_table(
            args.data,
            args.out,
            robustness_photos=args.robustness,
            gallery=args.gallery,
            resamples=args.resamples,
            advance=lambda: progress.advance(task),
        )
    print(f"Written: {args.out / 'evaluation.html'} and evaluation.json")
    return 0
