"""``coatclass sheet``: a home-care sheet to print, or its dates for a calendar."""

from __future__ import annotations

import argparse
import hashlib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from coatclass.cli._dog import add_dog_arguments, answers_of
from coatclass.errors import InputError

if TYPE_CHECKING:
    from coatclass.reports import Sheet

_SUFFIXES = (".pdf", ".html", ".ics")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    parser.add_argument("--name", default="", help="the dog's name")
    parser.add_argument("--remarks", default="", help="a groomer's remarks")
    parser.add_argument("--language", choices=["en", "de"], default="en")
    parser.add_argument("--paper", choices=["A4", "Letter"], default="A4")
    parser.add_argument("--today", type=date.fromisoformat, metavar="YYYY-MM-DD", help="the plan's first day")
    parser.add_argument("--out", type=Path, required=True, help="the file to write: .pdf, .html or .ics")


def run(args: argparse.Namespace) -> int:
    """Assess the dog, plan its care, and write the sheet whole or not at all."""
    if args.out.suffix not in _SUFFIXES:
        raise InputError(str(args.out), "is no sheet.", f"Name a file that ends in {', '.join(_SUFFIXES)}.")
    from coatclass.durable import write_whole

    content = _content(args, _sheet(args))
    try:
        write_whole(args.out, content)
    except OSError as error:
        problem = f"can't be written ({error.strerror})."
        raise InputError(str(args.out), problem, "Name a folder you may write to.") from error
    print(f"Written to {args.out}")
    return 0


def _sheet(args: argparse.Namespace) -> Sheet:
    from coatclass import answers as questionnaire
    from coatclass import care
    from coatclass.assessing import assess
    from coatclass.reports import Sheet

    given = answers_of(args)
    found = assess(args.photos, given)
    if found.category is None or found.length_band is None:
        why = (
            " ".join(reason.text for photo in found.photos for reason in photo.reasons) or "There is nothing to go by."
        )
        raise InputError("the sheet", f"can't be made. {why}", "Give a photo that can be used, or answers.")
    situation = questionnaire.situation(given, categories=found.category.set, bands=found.length_band.set)
    today = args.today or datetime.now(UTC).astimezone().date()
    plan = care.plan(situation, found.kit, today=today, keeps_growing=given.keeps_growing, language=args.language)
    return Sheet(dog_name=args.name, plan=plan, assessment=found, breed=given.breed or "", remarks=args.remarks)


def _content(args: argparse.Namespace, sheet: Sheet) -> bytes:
    from coatclass import care, reports

    if args.out.suffix == ".ics":
        # The same dog keeps its calendar entries from one export to the next.
        dog_id = hashlib.sha256(f"{args.name}/{sheet.breed}".encode()).hexdigest()[:32]
        return care.calendar_ics(sheet.plan, dog_id=dog_id, dog_name=args.name, stamp=datetime.now(UTC))
    if args.out.suffix == ".html":
        return reports.sheet_html(sheet, args.language).encode()
    return reports.sheet_pdf(sheet, args.language, paper=args.paper)
