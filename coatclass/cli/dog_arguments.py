"""What commands about one dog share: its photos, the answers, the breed."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from coatclass.words import catalogue

if TYPE_CHECKING:
    from coatclass.answers import Answers
    from coatclass.contract import Assessment, VisitNote
    from coatclass.presentation import Presentation


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

    answers = parse(args.answers) if args.answers else Answers()
    if args.breed and (understood := breed_understood(args.breed, args.language)):
        print(f"coatclass: {understood}", file=sys.stderr)
    return answers.model_copy(update={"breed": args.breed}) if args.breed else answers


def visits_of(args: argparse.Namespace) -> tuple[VisitNote, ...]:
    """What earlier visits left behind, the oldest first; none without a file.

    Raises:
        InputError: ``visits`` if the file can't be used.
    """
    from pydantic import TypeAdapter, ValidationError

    from coatclass.contract import VisitNote
    from coatclass.errors import InputError

    if args.visits is None:
        return ()
    try:
        notes = TypeAdapter(tuple[VisitNote, ...]).validate_json(args.visits.read_bytes())
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
    return tuple(sorted(notes, key=lambda note: note.on))


def breed_understood(text: str, language: str = "en") -> str:
    """How a breed's name was read, or that it was not; empty if it was read as it was written."""
    from coatclass.breeds import find, says_cross, table

    say = terminal(language)

    def name(breed: str | None) -> str:
        return table()[breed].name if breed else say("breed.unknown")

    match = find(text)
    if not match.known and says_cross(text):
        return say("breed.cross_of_unknown", name=text)
    if not match.known:
        likest = ", ".join(name(breed) for breed, _ in match.candidates[:3])
        ask = f" {say('breed.did_you_mean', breeds=likest)}" if likest else ""
        return say("breed.not_known", name=text) + ask
    parents = " x ".join(name(parent) for parent in match.parents)
    read = name(match.id) if match.id else parents
    if match.id and parents:
        read = f"{read} ({parents})"
    generation = re.search(r"\bf[123]b{0,2}\b", text.casefold())
    if generation is None:
        return "" if text.strip().casefold() == read.casefold() else say("breed.read_as", name=text, breed=read)
    return say("breed.generation", name=text, breed=read, generation=generation[0].upper())


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
    from coatclass import answers as questionnaire
    from coatclass.planning import plan
    from coatclass.presentation import present

    planned = None
    if found.category is not None and found.length_band is not None:
        situation = questionnaire.situation(given, categories=found.category.set, bands=found.length_band.set)
        situation = replace(situation, notes=tuple(visits))
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
