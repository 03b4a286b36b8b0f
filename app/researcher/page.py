"""The researcher's pages, ``/researcher`` and ``/workbench``; groomers may look as well.

Whether the care models hold in this salon is told in anonymous totals over the dogs whose owners agreed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import Response

from app import accounts, cases, guard, sign_in
from app.api.research import HOW, evaluation_files
from app.design import render
from app.groomer import table
from app.language import languages_of, words
from app.researcher.mounting import OpenedLate
from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.care import Level, MatRisk
from coatclass.contract import CoatSituation, VisitNote
from coatclass.errors import AnswersError
from coatclass.intake import FinishedVisit
from coatclass.presentation.visits import risk_chart
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Dog,
    Finding,
    Measurement,
    Reader,
    Records,
    User,
    UserRole,
    visit_notes,
)
from coatclass.reports.evaluation.salon import (
    LEAST_DOGS,
    Measured,
    ZoneOutcome,
    growth_holds,
    next_measurements,
    risk_holds,
    time_holds,
)
from coatclass.taxonomy import BANDS, MatState, band_of_mm

router = APIRouter(include_in_schema=False)


def researcher_page(app: FastAPI) -> None:
    """Serve it under ``/researcher``."""
    app.include_router(router)
    if app.state.settings.workbench:
        app.state.workbench = OpenedLate(partial(_workbench, app.state), sign_in.may_enter_workbench)
        app.mount(guard.PAGES[0], app.state.workbench)


def _workbench(state: Any) -> FastAPI:
    """Its framework takes as long to load as all the rest of a start."""
    from app.researcher.workbench import workbench

    return workbench(state, languages_of(guard.PAGES[0]))


@router.get("/researcher")
@router.get("/researcher/")
async def page(request: Request) -> Response:
    """Findings without names, and how well the release does."""
    return await sign_in.salon_page(request, accounts.RESEARCHERS, _view)


def _view(state: Any, user: User) -> str:
    findings = state.records.find(Finding)
    return render(
        "research.html",
        side="groomer",
        user=user,
        findings=len(findings),
        dogs=len({one.dog_id for one in findings}),
        files=evaluation_files(),
        how=HOW,
        workbench=state.settings.workbench,
        salon=user.role is UserRole.GROOMER,
        holds=holding_values(state.records, invented=state.settings.demo),
    )


def holding_values(salon: Records, *, invented: bool) -> dict[str, Any]:
    """What ``research.html`` shows of it."""
    zones, lengths = outcomes(salon)
    risk, growth, say = risk_holds(zones), growth_holds(lengths), words()
    return {
        "risk": [(say.title(say.word("risk", one.level)), one) for one in risk.levels],
        "risk_chart": risk_chart([(one.level, *one.share[:3]) for one in risk.levels], say) if risk.levels else None,
        "auc": risk.auc,
        "growth": growth,
        "time": time_holds(_visits(salon)),
        "least": LEAST_DOGS,
        "invented": invented,
    }


def _visits(salon: Records) -> list[tuple[int, FinishedVisit]]:
    """Finished visits of the dogs that count, with a number for each dog."""
    learned = table.finished_visits(salon)
    counted = {dog.id: number for number, dog in enumerate(_counted(salon.find(Dog)))}
    return [(counted[dog], visit) for dog, visit in zip(learned.dogs, learned.usable, strict=True) if dog in counted]


def _counted(dogs: Iterable[Dog]) -> list[Dog]:
    """Dogs whose owners agreed, without those that were taken back."""
    return [dog for dog in dogs if dog.counted_since and dog.sharing.seen_by_salon]


def outcomes(salon: Records) -> tuple[list[ZoneOutcome], list[Measured]]:
    """What the models said of every dog that counts before a visit or a measurement, and what was found then."""
    zones: list[ZoneOutcome] = []
    lengths: list[Measured] = []
    with salon.read() as reader:
        for number, dog in enumerate(_counted(reader.find(Dog))):
            notes = visit_notes(reader, dog.id)
            for place, note in enumerate(notes):
                known = _known_before(reader, dog, note.on, notes[:place])
                if known is not None:
                    zones += _zones(number, known, note)
            known = _known_before(reader, dog, date.max, ())
            if known is not None:
                lengths += _lengths(reader, number, dog, known)
    return zones, lengths


def _known_before(reader: Reader, dog: Dog, day: date, notes: tuple[VisitNote, ...]) -> CoatSituation | None:
    """The dog as it was known before a day, without the knots that were told: they are what the model is asked for."""
    sheets = [one for one in reader.find(AnswerSheet, dog_id=dog.id) if one.given_at.astimezone().date() <= day]
    if not sheets:
        return None
    try:
        told = questionnaire.parse({**sheets[-1].content, "mats": None})
    except AnswersError:
        return None
    found = [one for one in reader.find(Finding, dog_id=dog.id) if one.found_at.astimezone().date() < day]
    categories = {found[-1].category} if found else _estimated(told)
    measured = cases.dated([one for one in reader.find(Measurement, dog_id=dog.id) if one.measured_on <= day])
    if not categories:
        return None
    mm = measured[-1].mm if measured else told.measured_mm
    bands = frozenset({band_of_mm(mm)}) if mm is not None else frozenset(BANDS)
    at = questionnaire.situation(told, categories=frozenset(categories), bands=bands)
    return replace(at, measured_mm=mm, notes=notes)


def _estimated(told: Answers) -> set[Any]:
    found = cases.assess([], told, cases.Truth(None, None))
    return set() if found.category is None else set(found.category.set)


def _zones(number: int, known: CoatSituation, note: VisitNote) -> Iterator[ZoneOutcome]:
    """Every zone that was combed or felt at a visit: what was said of it, and whether there was a knot."""
    passed = set(note.check.passed) if note.check else set()
    stopped = set(note.check.stopped) if note.check else set()
    felt = {zone for zone, state in note.mats.items() if state is not MatState.NONE}
    looked = passed | stopped | set(note.mats)
    for row in MatRisk(known).today:
        if row.zone in looked:
            level: Level = row.level
            yield ZoneOutcome(number, level, row.score, row.zone in stopped | felt)


def _lengths(reader: Reader, number: int, dog: Dog, known: CoatSituation) -> tuple[Measured, ...]:
    done = [one for one in reader.find(Appointment, dog_id=dog.id) if one.state == "done"]
    cuts = [one.starts_at.astimezone().date() for one in done]
    return next_measurements(number, known, cases.dated(reader.find(Measurement, dog_id=dog.id)), cuts)
