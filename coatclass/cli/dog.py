"""``coatclass assess`` and ``coatclass sheet``: one dog, from its photos, its answers and the visits so far."""

from __future__ import annotations

import argparse
import hashlib
import shlex
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from coatclass.cli.parsing import day
from coatclass.errors import InputError
from coatclass.plain_text import shown_path
from coatclass.words import catalogue

if TYPE_CHECKING:
    from coatclass.answers import Answers
    from coatclass.contract import Assessment, VisitNote
    from coatclass.estimating import Reading
    from coatclass.presentation import Presentation

_SUFFIXES = (".pdf", ".html", ".ics")

# --- assess -----------------------------------------------------------------------------------------------------------


def declare_assess(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    say = terminal(parser.get_default("language"))
    parser.add_argument("--full", action="store_true", help=say("option.full"))
    parser.add_argument("--json", action="store_true", help=say("option.json"))


def run_assess(args: argparse.Namespace) -> int:
    """Assess the dog and print the answer; name every refused photo; exit code 3 if nothing could be told."""
    if not (args.photos or args.answers or args.breed):
        print(f"coatclass: {terminal(args.language)('nothing_given')}", file=sys.stderr)
        return 2
    readings = reading_of(args)
    from coatclass.assessing import assess_readings
    from coatclass.reasons import said

    tell = _teller(args)
    given = answers_of(args)
    visits = visits_of(args)
    assessment = assess_readings(readings(), given, notes=visits)
    tell(assessment, given, visits)
    for photo in assessment.photos:
        if photo.status == "refused":
            why = " ".join(said(reason, args.language) for reason in photo.reasons)
            print(f"coatclass: {photo.file}: {why}", file=sys.stderr)
    return 3 if assessment.category is None else 0


def _teller(args: argparse.Namespace) -> Callable[[Assessment, Answers, Sequence[VisitNote]], None]:
    """What prints the answer; all that it needs is imported now, beside the photos that are being read."""
    if args.json:
        return lambda assessment, given, visits: print(assessment.model_dump_json(indent=2))
    from rich.console import Console

    from coatclass.cli.rendering import print_presentation

    def tell(assessment: Assessment, given: Answers, visits: Sequence[VisitNote]) -> None:
        plan = presented(assessment, given, language=args.language, visits=visits)
        print_presentation(plan, Console(), full=args.full, rest=_how_to_see_the_rest(args))

    return tell


def _how_to_see_the_rest(args: argparse.Namespace) -> str:
    """One line with the command that prints the whole plan."""
    given = [*args.photos]
    given += ["--answers", str(args.answers)] if args.answers else []
    given += ["--breed", args.breed] if args.breed else []
    given += ["--visits", str(args.visits)] if args.visits else []
    command = f"coatclass assess {shown_path(shlex.join(given))} --full"
    return terminal(args.language)("rest", command=command)


# --- sheet ------------------------------------------------------------------------------------------------------------


def declare_sheet(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_dog_arguments(parser)
    say = terminal(parser.get_default("language"))
    parser.add_argument("--name", default="", help=say("option.name"))
    parser.add_argument("--remarks", default="", help=say("option.remarks"))
    parser.add_argument("--paper", choices=["A4", "Letter"], default="A4")
    parser.add_argument("--photo", type=Path, metavar="FILE", help=say("option.photo"))
    parser.add_argument("--link", default="", metavar="URL", help=say("option.link"))
    parser.add_argument("--shop-card", action="store_true", help=say("option.shop_card"))
    parser.add_argument("--today", type=day, metavar="YYYY-MM-DD", help=say("option.today"))
    parser.add_argument("--out", type=Path, required=True, help=say("option.out"))


def run_sheet(args: argparse.Namespace) -> int:
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
    readings = reading_of(args)
    from coatclass.assessing import assess_readings

    given = answers_of(args)
    visits = visits_of(args)
    found = assess_readings(readings(), given, notes=visits, today=args.today)
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


# --- what both share --------------------------------------------------------------------------------------------------


def add_dog_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare photos, ``--answers`` and ``--breed``."""
    say = terminal(parser.get_default("language"))
    parser.add_argument("photos", nargs="*", metavar="PHOTO", help=say("option.photos"))
    parser.add_argument("--answers", type=Path, metavar="FILE", help=say("option.answers"))
    parser.add_argument("--breed", metavar="NAME", help=say("option.breed"))
    parser.add_argument("--visits", type=Path, metavar="FILE", help=say("option.visits"))


def terminal(language: str) -> Callable[..., str]:
    """What the command line says in a language."""
    return catalogue(language, "terminal").say


def answers_of(args: argparse.Namespace) -> Answers:
    """The answers of the file, with the breed that was named beside it.

    Raises:
        AnswersError: if the file can't be used.
    """
    from coatclass.answers import Answers, parse
    from coatclass.breeds import how_read

    answers = parse(args.answers) if args.answers else Answers()
    if args.breed and (understood := how_read(args.breed, args.language)):
        print(f"coatclass: {understood}", file=sys.stderr)
    return answers.model_copy(update={"breed": args.breed}) if args.breed else answers


def reading_of(args: argparse.Namespace) -> Callable[[], list[Reading]]:
    """Start reading the photos in a thread, beside imports and parsing; return a function that waits for the readings.

    The network leaves the interpreter free, so that both together take hardly longer than either.
    """
    if not args.photos:
        return list
    from concurrent.futures import ThreadPoolExecutor

    from coatclass import vision

    vision.large_pages()
    beside = ThreadPoolExecutor(1)
    beside.submit(vision.load_model)  # its errors come up again as soon as a photo is read
    from coatclass.estimating import read_photo

    reading = beside.submit(lambda: [read_photo(photo) for photo in args.photos])
    beside.shutdown(wait=False)
    return reading.result


def visits_of(args: argparse.Namespace) -> tuple[VisitNote, ...]:
    """What earlier visits left behind; none without a file.

    Raises:
        InputError: ``visits`` if the file can't be used.
    """
    from pydantic import TypeAdapter, ValidationError

    from coatclass.contract import VisitNote

    if args.visits is None:
        return ()
    try:
        return TypeAdapter(tuple[VisitNote, ...]).validate_json(args.visits.read_bytes())
    except OSError as error:
        raise InputError(
            str(args.visits), f"can't be read ({error.strerror}).", "Check the name and the folder.", code="visits"
        ) from error
    except ValidationError as error:
        raise InputError(
            str(args.visits),
            f"is no list of visits: {error.errors()[0]['msg']}.",
            "See what is expected with: coatclass schema visits",
            code="visits",
        ) from error


def presented(
    found: Assessment,
    given: Answers,
    *,
    name: str = "",
    remarks: str = "",
    language: str = "en",
    today: date | None = None,
    visits: Sequence[VisitNote] = (),
) -> Presentation:
    """What is told of the dog: its plan from ``today`` on, or only the verdict where nothing can carry a plan."""
    from coatclass.assessing import situation_of
    from coatclass.planning import plan
    from coatclass.presentation import present

    planned = None
    if found.category is not None and found.length_band is not None:
        situation = situation_of(given, found.category, found.length_band, found.reasons, notes=visits)
        day = today or datetime.now(UTC).astimezone().date()
        planned = plan(situation, today=day, keeps_growing=given.keeps_growing, language=language)
    return present(
        planned,
        found,
        dog_name=name,
        breed=given.breed or "",
        parents=given.parents or (),
        remarks=remarks,
        owned=given.owned_tools or (),
        language=language,
    )
