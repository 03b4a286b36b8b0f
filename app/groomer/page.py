"""The groomer's pages at ordinary addresses, ``/groomer/STEP``; HTML out of the records, nothing is changed here."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import Response

from app import cases, sign_in
from app.design import render
from app.groomer import day as days
from app.groomer import dog_file as files
from app.groomer import table
from app.groomer._dog_pages import (
    bench_values,
    check_values,
    dog_values,
    end_values,
    finding_values,
    intake_values,
    offers_values,
    signed_values,
    visit_values,
)
from app.language import spoken, words
from app.owner.dog import WHO
from app.owner.page import breed_names
from coatclass.contract import Guard
from coatclass.errors import RecordError
from coatclass.genetics import touches
from coatclass.intake import fit
from coatclass.presentation.intake import model_lines, time_words
from coatclass.records import (
    Change,
    Client,
    Dog,
    Finding,
    Measurement,
    User,
    UserRole,
    Visit,
    comb_stopped,
    search_clients,
    search_dogs,
    visits,
    waiting_list,
)

_ID = re.compile(r"^[0-9a-f]{32}$")
_MOST_TRAIL = 200
_MOST_TOLD = 60  # characters of a value in a line of the trail
_TELLS_WHICH = ("name", "category", "length_mm", "starts_at")  # of a new record: which one it is
_MOMENTS = ("born_on", "starts_at", "put_away_at", "counted_since")
_WORDS_OF = {"state": "visit", "sex": "dog_form"}  # where the texts hold the words of a field
_ROWS = 12  # lines for guards


@dataclass(frozen=True)
class GroomerRequest:
    """What a page asks for: ``name/rest`` of the address, and what stands behind its question mark.

    Attributes:
        touches: touches made on the bench, in the order of making.
        sought: text to look for.
        by: name of whoever asks.
    """

    name: str = "today"
    rest: str = ""
    touches: Mapping[str, str] = field(default_factory=dict)
    sought: str = ""
    by: str = ""

    @classmethod
    def read(cls, step: str, query: Mapping[str, str]) -> GroomerRequest:
        """From an address; whatever is not what it should be counts as not sent."""
        name, _, rest = (step if len(step) < 700 else "").partition("/")
        known = {touch.id: touch.outcomes for touch in touches()}
        kept = {touch: said for touch, said in query.items() if touch in known and said in known[touch]}
        return cls(name or "today", rest, kept, query.get("sought", "")[:200].strip())

    @property
    def id(self) -> str:
        """The id in the step.

        Raises:
            RecordError: ``not_found`` if there is none.
        """
        if not _ID.match(self.rest):
            raise _nothing()
        return self.rest


def _view(state: Any, user: User, asked: GroomerRequest) -> str:
    """HTML of the step that is asked for.

    Raises:
        RecordError: if there is nothing of that name.
    """
    show = STEPS.get(asked.name)
    if show is None:
        raise _nothing()
    template, values = show(state, replace(asked, by=user.name))
    step = f"{asked.name}/{asked.rest}" if asked.rest else asked.name
    return render(template, side="groomer", user=user, step=step, here=asked.name, today=cases.today(), **values)


def _nothing() -> RecordError:
    return RecordError("this page", "is not there.", "Go back to today's list.", code="not_found")


Shown = tuple[str, dict[str, Any]]


# --- the day ----------------------------------------------------------------------------------------------------------


def _today(state: Any, asked: GroomerRequest) -> Shown:
    day = _day(asked.rest)
    begins, ends = files.day_bounds(day)
    found = visits(state.records, begins, ends)
    near = days.around(state.records, begins, ends + timedelta(days=1))
    return "today.html", {
        "day": day,
        "before": day - timedelta(days=1),
        "after": day + timedelta(days=1),
        "visits": [_visit(state, one, near) for one in found],
        "printable": days.taking_place(found),
        "paper": cases.paper_of(state.records),
        "waiting": waiting_list(state.records),
        "stopped": comb_stopped(state.records),
        "counts": _counts(state),
    }


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text) if text else cases.today()
    except ValueError as error:
        raise _nothing() from error


def _visit(state: Any, one: Visit, near: Sequence[Visit]) -> dict[str, Any]:
    findings = state.records.find(Finding, dog_id=one.dog.id)
    with state.records.read() as reader:
        by = days.who_noted(reader, one.appointment)
    at = one.appointment.starts_at.astimezone()
    beside = days.beside(one.appointment, near) if days.taking_place([one]) else []
    return {
        "visit": one,
        "at": at,
        "finding": findings[-1] if findings else None,
        "by": by,
        "beside": days.beside_words(beside, spoken()),
    }


def _week(state: Any, asked: GroomerRequest) -> Shown:
    return "week.html", days.week_values(state, _day(asked.rest))


def _counts(state: Any) -> dict[str, int]:
    with state.records.read() as reader:
        kinds = {"dogs": Dog, "clients": Client, "findings": Finding}
        hidden = sum(not dog.sharing.seen_by_salon for dog in reader.find(Dog))
        found = {name: reader.count(kind) for name, kind in kinds.items()}
        return found | {"dogs": found["dogs"] - hidden}


def _search(state: Any, asked: GroomerRequest) -> Shown:
    return "search.html", {
        "sought": asked.sought,
        "dogs": search_dogs(state.records, asked.sought),
        "clients": search_clients(state.records, asked.sought),
    }


# --- one dog ----------------------------------------------------------------------------------------------------------


def _dog(state: Any, asked: GroomerRequest) -> Shown:
    return "dog.html", dog_values(state, files.read(state.records, asked.id))


def _finding(state: Any, asked: GroomerRequest) -> Shown:
    return "finding.html", finding_values(state, files.read(state.records, asked.id), asked.touches)


def _bench(state: Any, asked: GroomerRequest) -> Shown:
    return "bench.html", bench_values(state, files.read(state.records, asked.id), asked.touches)


def _intake(state: Any, asked: GroomerRequest) -> Shown:
    return "intake.html", intake_values(state, files.read(state.records, asked.id))


def _offers(state: Any, asked: GroomerRequest) -> Shown:
    return "offers.html", offers_values(state, asked.id, asked.by)


def _signed(state: Any, asked: GroomerRequest) -> Shown:
    return "signed.html", signed_values(state, asked.id)


def _check(state: Any, asked: GroomerRequest) -> Shown:
    return "check.html", check_values(state, files.read(state.records, asked.id))


def _end(state: Any, asked: GroomerRequest) -> Shown:
    return "end.html", end_values(state, files.read(state.records, asked.id))


def _visit_form(state: Any, asked: GroomerRequest) -> Shown:
    return "visit.html", visit_values(files.read(state.records, asked.id))


def _edit_dog(state: Any, asked: GroomerRequest) -> Shown:
    file = files.read(state.records, asked.id)
    clients = search_clients(state.records, "", limit=500)
    return "dog_form.html", {"dog": file.dog, "client": file.client, "clients": clients, "breeds": breed_names()}


def _new_dog(state: Any, asked: GroomerRequest) -> Shown:
    client = state.records.get(Client, asked.id) if asked.rest else None
    clients = search_clients(state.records, "", limit=500)
    return "dog_form.html", {"dog": None, "client": client, "clients": clients, "breeds": breed_names()}


def _merge_dog(state: Any, asked: GroomerRequest) -> Shown:
    file = files.read(state.records, asked.id)
    others = [one for one in search_dogs(state.records, "", limit=500) if one.dog.id != file.dog.id]
    others.sort(key=lambda one: (_unlike(one.dog.name, file.dog.name), one.dog.name))
    return "merge.html", {"kept": file.dog, "kind": "dogs", "others": [(o.dog, o.client) for o in others[:40]]}


def _unlike(one: str, other: str) -> float:
    from rapidfuzz.distance import JaroWinkler

    return float(JaroWinkler.distance(one.casefold(), other.casefold()))


def _delete_dog(state: Any, asked: GroomerRequest) -> Shown:
    dog = files.read(state.records, asked.id).dog
    return "delete.html", {"value": dog, "kind": "dogs", "dogs": (), "back": f"dog/{dog.id}"}


def _trail(state: Any, asked: GroomerRequest) -> Shown:
    changes = files.trail(state.records)
    dog = None
    if asked.rest:
        dog = files.read(state.records, asked.id).dog
        changes = tuple(change for change in changes if dog.id in (change.record_id, change.about))
    newest = list(reversed(changes))[:_MOST_TRAIL]
    return "trail.html", {"dog": dog, "changes": newest, "most": _MOST_TRAIL, "by_link": WHO, "told": _change_told}


def _change_told(change: Change) -> str:
    """What changed in words; numbers of records, digests and hashes tell people nothing, so only fields with a name."""
    say, after, before = words("groomer"), change.after or {}, change.before or {}
    if change.action == "added":
        return "; ".join(_value_told(name, after[name]) for name in _TELLS_WHICH if after.get(name) not in (None, ""))
    if change.action != "changed":
        return ""
    named = [(name, value) for name, value in after.items() if say.has(f"trail.fields.{name}")]
    return "; ".join(
        f"{say.say(f'trail.fields.{name}')}: {_value_told(name, before.get(name))} → {_value_told(name, value)}"
        for name, value in named
    )


def _value_told(name: str, value: Any) -> str:
    """A value of a record as people say it."""
    say = words("groomer")
    word = next((f"{room}.{value}" for room in (f"trail.words.{name}", _WORDS_OF.get(name, name))
                 if say.has(f"{room}.{value}")), "")  # fmt: skip
    if word:
        return say.say(word)
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return say.say("dog.yes" if value else "dog.no")
    if isinstance(value, int | float):
        return say.number(value)
    if name == "category":
        return say.coat(str(value)) if say.has_word("coat", str(value)) else str(value)
    return _moment_told(str(value)) if name in _MOMENTS else _short(str(value))


def _moment_told(text: str) -> str:
    """A day, or a moment by the salon's clock, out of the trail's JSON."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return _short(text)
    if "T" not in text:
        return words().day(at.date())
    return f"{words().day(at.astimezone().date())}, {at.astimezone():%H:%M}"


def _short(text: str) -> str:
    return text if len(text) <= _MOST_TOLD else f"{text[:_MOST_TOLD]}…"


def _measure(state: Any, asked: GroomerRequest) -> Shown:
    owners = words("owner")
    return "salon_measure.html", {
        "file": files.read(state.records, asked.id),
        "m": owners.say,
        "how": owners.lines("measure.how"),
    }


# --- clients ----------------------------------------------------------------------------------------------------------


def _client(state: Any, asked: GroomerRequest) -> Shown:
    return "client.html", _client_with_dogs(state, asked.id)


def _edit_client(state: Any, asked: GroomerRequest) -> Shown:
    return "client_form.html", {"client": state.records.get(Client, asked.id)}


def _new_client(state: Any, asked: GroomerRequest) -> Shown:
    return "client_form.html", {"client": None}


def _merge_client(state: Any, asked: GroomerRequest) -> Shown:
    client = state.records.get(Client, asked.id)
    others = [one for one in search_clients(state.records, "", limit=500) if one.id != client.id]
    others.sort(key=lambda one: (_unlike(one.name, client.name), one.name))
    return "merge.html", {"kept": client, "kind": "clients", "others": [(one, None) for one in others[:40]]}


def _delete_client(state: Any, asked: GroomerRequest) -> Shown:
    found = _client_with_dogs(state, asked.id)
    client, dogs = found["client"], found["dogs"]
    return "delete.html", {"value": client, "kind": "clients", "dogs": dogs, "back": f"client/{client.id}"}


def _client_with_dogs(state: Any, client_id: str) -> dict[str, Any]:
    with state.records.read() as reader:
        client = reader.get(Client, client_id)
        return {"client": client, "dogs": files.dogs_of(reader, client)}


# --- the salon --------------------------------------------------------------------------------------------------------


def _rates(state: Any, asked: GroomerRequest) -> Shown:
    rates, found = table.rates_of(state.records), table.finished_visits(state.records)
    rows = rates.table if rates else ()
    return "rates.html", {
        "rates": rates,
        "read": rates.model_dump(mode="json") if rates else None,
        "lines_of_table": [*rows, *[None] * max(1, 5 - len(rows))],
        "model_lines": [
            *model_lines(fit(found.usable), found.unusable, spoken(), slips=found.slips),
            *_hindsight(found),
        ],
    }


def _hindsight(found: table.Learned) -> list[str]:
    """How well the minutes held, over the salon's own dogs; nothing for too few."""
    from coatclass.reports.evaluation.salon import time_holds

    by_dog = [(found.dogs.index(dog), visit) for dog, visit in zip(found.dogs, found.usable, strict=True)]
    holds = time_holds(by_dog, least_dogs=3)
    return [time_words(holds.visits, holds.dogs, holds.inside, holds.off, language=spoken())] if holds else []


def _guards(state: Any, asked: GroomerRequest) -> Shown:
    with state.records.read() as reader:
        kept = files.guards(reader)
    return "guards.html", {"rows": _guard_rows(kept), "read": {one.name: one.mm for one in kept}}


def _guard_rows(kept: Sequence[Guard]) -> list[Guard | None]:
    """The guards that are kept, with empty lines after them."""
    return [*kept, *[None] * max(3, _ROWS - len(kept))]


def _learn(state: Any, asked: GroomerRequest) -> Shown:
    from app.api.research import listed
    from coatclass.learning import examples, shelf_of
    from coatclass.records import learning_cases
    from coatclass.vision import read_manifest

    usable = examples(learning_cases(state.records), model_version=read_manifest().model_version)
    versions = listed(shelf_of(state.records))
    return "learn.html", {
        "versions": versions,
        "current": next(one for one in versions if one.in_use),
        "newest": versions[-1] if len(versions) > 1 and not versions[-1].in_use else None,
        "dogs": len({case.dog for case in usable}),
        "need": _needed(),
    }


def _needed() -> dict[str, Any]:
    from coatclass.learning.fitting import settings

    return settings()


def _data(state: Any, asked: GroomerRequest) -> Shown:
    most = int(state.settings.limits["upload"]["body_bytes"]) // 1_000_000
    with state.records.read() as reader:
        measurements = reader.count(Measurement)
    return "data.html", {"counts": _counts(state), "most": most, "measurements": measurements}


STEPS: dict[str, Callable[[Any, GroomerRequest], Shown]] = {
    "today": _today,
    "week": _week,
    "search": _search,
    "dog": _dog,
    "finding": _finding,
    "bench": _bench,
    "visit": _visit_form,
    "check": _check,
    "end": _end,
    "guards": _guards,
    "intake": _intake,
    "offers": _offers,
    "signed": _signed,
    "rates": _rates,
    "measure": _measure,
    "edit-dog": _edit_dog,
    "new-dog": _new_dog,
    "merge-dog": _merge_dog,
    "delete-dog": _delete_dog,
    "trail": _trail,
    "client": _client,
    "edit-client": _edit_client,
    "new-client": _new_client,
    "merge-client": _merge_client,
    "delete-client": _delete_client,
    "learn": _learn,
    "data": _data,
}


router = APIRouter(include_in_schema=False)


def groomer_page(app: FastAPI) -> None:
    """Serve them under ``/groomer``."""
    app.include_router(router)


@router.get("/groomer")
@router.get("/groomer/{step:path}")
async def page(request: Request, step: str = "") -> Response:
    """A step of the salon's day, for groomers."""
    asked = GroomerRequest.read(step, request.query_params)
    return await sign_in.salon_page(request, (UserRole.GROOMER,), _view, asked)
