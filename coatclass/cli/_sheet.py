"""``coatclass sheet``: a home-care sheet to print, or its dates for a calendar."""

from __future__ import annotations

import argparse
import hashlib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from coatclass.cli.dog_arguments import add_dog_arguments, answers_of, presented, terminal, visits_of
from coatclass.errors import InputError

if TYPE_CHECKING:
    from coatclass.presentation import Presentation

_SUFFIXES = (".pdf", ".html", ".ics")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    say = terminal(parser.get_default("language"))
    parser.add_argument("--name", default="", help=say("option.name"))
    parser.add_argument("--remarks", default="", help=say("option.remarks"))
    parser.add_argument("--paper", choices=["A4", "Letter"], default="A4")
    parser.add_argument("--photo", type=Path, metavar="FILE", help=say("option.photo"))
    parser.add_argument("--link", default="", metavar="URL", help=say("option.link"))
    parser.add_argument("--shop-card", action="store_true", help=say("option.shop_card"))
    parser.add_argument("--today", type=date.fromisoformat, metavar="YYYY-MM-DD", help=say("option.today"))
    parser.add_argument("--out", type=Path, required=True, help=say("option.out"))


def run(args: argparse.Namespace) -> int:
    """Assess the dog, plan its care, and write the sheet whole or not at all."""
    if args.out.suffix not in _SUFFIXES:
        raise InputError(str(args.out), "is no sheet.", f"Name a file that ends in {', '.join(_SUFFIXES)}.")
    if args.shop_card and args.out.suffix != ".pdf":
        raise InputError(str(args.out), "is no shop card.", "Name a file that ends in .pdf; only paper keeps the size.")
    from coatclass.durable import write_whole

    content = _content(args, _plan(args))
    try:
        write_whole(args.out, content)
    except OSError as error:
        problem = f"can't be written ({error.strerror})."
        raise InputError(str(args.out), problem, "Name a folder you may write to.") from error
    print(terminal(args.language)("written", file=args.out))
    return 0


def _plan(args: argparse.Namespace) -> Presentation:
    from coatclass.assessing import assess

    given = answers_of(args)
    visits = visits_of(args)
    found = assess(args.photos, given, notes=visits)
    if found.category is None:
        why = (
            " ".join(reason.text for photo in found.photos for reason in photo.reasons) or "There is nothing to go by."
        )
        raise InputError("the sheet", f"can't be made. {why}", "Give a photo that can be used, or answers.")
    return presented(found, given, name=args.name, remarks=args.remarks, language=args.language, today=args.today,
                     visits=visits)  # fmt: skip


def _content(args: argparse.Namespace, plan: Presentation) -> bytes:
    from coatclass import reports

    if args.out.suffix == ".ics":
        # The same dog keeps its calendar entries from one export to the next.
        breed = args.breed or answers_of(args).breed or ""
        dog_id = hashlib.sha256(f"{args.name}/{breed}".encode()).hexdigest()[:32]
        return reports.calendar_ics(plan, dog_id=dog_id, stamp=datetime.now(UTC))
    if args.shop_card:
        return reports.shop_card_pdf(plan, paper=args.paper)
    photo = reports.small_photo(args.photo) if args.photo else b""
    if args.out.suffix == ".html":
        return reports.sheet_html(plan, link=args.link, photo=photo).encode()
    return reports.sheet_pdf(plan, paper=args.paper, link=args.link, photo=photo)
