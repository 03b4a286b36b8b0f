"""What the pages of one dog show: its file, the bench, the finding, the look on arrival, and the end of a visit."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, get_args

from app import cases
from app.groomer import dog_file as files
from app.groomer import table
from app.groomer.day import who_noted
from app.groomer.touches import bench_of, finding_of
from app.language import spoken, words
from coatclass import answers as questionnaire
from coatclass import toolkit
from coatclass.care.coat import data
from coatclass.contract import Assessment, Fault, Regime, Verdict
from coatclass.genetics import touches
from coatclass.intake import WORKS, Ears, Health, Nails, Sign, View
from coatclass.presentation.blocks import Bars, Note
from coatclass.presentation.intake import offer_lines, place_name, rests_on
from coatclass.presentation.pictures import zones_in
from coatclass.presentation.wording import percent
from coatclass.records import (
    Appointment,
    Dog,
    Intake,
    PlacePhoto,
    StoredAssessment,
)
from coatclass.taxonomy import (
    CATEGORIES,
    ZONES,
    BodyZone,
    MatState,
    Patience,
    Texture,
    Undercoat,
)
from coatclass.words import catalogue

_LENGTH_ZONES = (BodyZone.TRUNK, BodyZone.LEGS, BodyZone.EARS)
_USUAL_WEEKS = 6  # between visits, while nobody knows the dog's own (common practice, no source)
_BESIDE = ("verdict", "stops", "sure", "growth", "remarks")
"""Sections that have a place of their own on the page."""


def dog_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """Everything that ``dog.html`` needs."""
    assessment = _as_it_stands(state, file)
    plan = files.presented(file, assessment, language=spoken())
    today = cases.today()
    return {
        "file": file,
        "assessment": assessment,
        "plan": plan,
        "told": [part for part in plan.on_screen() if part.id not in _BESIDE] if plan.entries else [],
        "photos": list(zip(file.photos, assessment.photos, strict=True)),
        "stops": _stops(file, assessment),
        "answers": _answers(file),
        "checks": checks_of(file),
        "paper": cases.paper_of(state.records),
        "history": [_told(one) for one in reversed(file.assessments)],
        "works": WORKS,
        **_arrivals(state, file.dog.id),
        "visits": _visits(state, file),
        "links": [one for one in file.links if one.expires_at.date() >= today],
    }


def _visits(state: Any, file: files.DogFile) -> list[tuple[Appointment, str]]:
    """The dog's visits, the latest first, each with who noted it."""
    latest_first = sorted(file.appointments, key=lambda one: one.starts_at, reverse=True)
    with state.records.read() as reader:
        return [(one, who_noted(reader, one)) for one in latest_first]


def _arrivals(state: Any, dog_id: str) -> dict[str, Any]:
    """What was signed on arrival, and whether a look was begun."""
    with state.records.read() as reader:
        signed = table.intakes_of(reader, dog_id)
        begun = table.draft_of(reader, dog_id, spoken()).kept is not None
    shown = [(one, table.summary(one)) for one in signed]
    return {"signed": shown, "begun": begun, "agreed": table.agreed_work(signed)}


def _as_it_stands(state: Any, file: files.DogFile) -> Assessment:
    """The dog with what hands found and what was learned."""
    return files.assess(state.records, state.looks, file, learned=cases.learned(state.records))


def _stops(file: files.DogFile, assessment: Assessment) -> list[str]:
    """What must be said before hands are laid on."""
    section = files.presented(file, assessment, language=spoken()).section("stops")
    notes = (block for block in section.blocks if isinstance(block, Note)) if section else ()
    return [f"{one.text} {one.where}".strip() for one in notes]


def _answers(file: files.DogFile) -> list[tuple[str, str]]:
    """(question, answer in words) of everything the owner answered."""
    given = file.answers.model_dump(mode="json", exclude_none=True)
    rows = []
    for spec in questionnaire.questions(spoken()):
        if spec.id in given:
            rows.append((spec.text, _in_words(spec, given[spec.id])))
    return rows


def _in_words(spec: Any, value: Any) -> str:
    labels: dict[str, str] = {str(option.value): option.label for option in spec.choices}
    if isinstance(value, bool):
        return labels.get(str(value), words("groomer").say("dog.yes" if value else "dog.no"))
    if isinstance(value, dict):
        zones = set(BodyZone)
        names = {name: words().zone(name) if name in zones else _plain(name) for name in value}
        return ", ".join(f"{names[name]}: {labels.get(str(said), _plain(said))}" for name, said in value.items())
    if isinstance(value, list):
        return ", ".join(_item(one, labels) for one in value) or words("groomer").say("dog.nothing_of_it")
    if isinstance(value, float):
        return words().mm(value) if spec.id.endswith("_mm") else f"{words().number(value, 2)} {spec.unit_word or ''}"
    return labels.get(str(value), _plain(value))


def _plain(word: object) -> str:
    return str(word).replace("_", " ")


def _item(one: Any, labels: dict[str, str]) -> str:
    if isinstance(one, dict):
        return " ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in one.values())
    return labels.get(str(one), _plain(one))


def _told(stored: StoredAssessment) -> dict[str, Any]:
    """An earlier answer in one line."""
    coats = stored.probabilities
    best = max(coats, key=lambda one: coats[one], default="")
    return {
        "at": stored.made_at.astimezone(),
        "verdict": stored.verdict if stored.verdict in set(Verdict) else "",
        "best": words().title(words().coat(best)) if best in set(CATEGORIES) else "",
        "share": coats.get(best, 0.0),
        "regime": regime if (regime := str(stored.result.get("regime", ""))) in get_args(Regime) else "none",
        "version": str(stored.result.get("model_version", "")),
    }


# --- touching and finding ---------------------------------------------------------------------------------------------


def bench_values(state: Any, file: files.DogFile, outcomes: Mapping[str, str]) -> dict[str, Any]:
    """What ``bench.html`` needs, after the touches that were made."""
    bench = bench_of(_assessed(state, file), outcomes)
    by_id = {touch.id: touch for touch in touches()}
    say = words()
    likeliest = sorted(bench.probabilities.items(), key=lambda row: -row[1])
    rows = [(say.title(say.coat(one)), share, percent(share, say), share >= 0.05) for one, share in likeliest]
    return {
        "file": file,
        "stops": _stops(file, _as_it_stands(state, file)),
        "bench": bench,
        "share": bench.probabilities[bench.best],
        "bars": Bars("", tuple(rows)),
        "done": [(by_id[touch], outcome) for touch, outcome in outcomes.items()],
        "made": dict(outcomes),
        "found": {"category": bench.best, **finding_of(outcomes)},
    }


def finding_values(state: Any, file: files.DogFile, outcomes: Mapping[str, str]) -> dict[str, Any]:
    """What ``finding.html`` needs; touches that were made (``outcomes``) fill in what they have answered."""
    made = finding_of(outcomes)
    chosen = {
        "category": bench_of(_assessed(state, file), outcomes).best if outcomes else None,
        **_from_answers(file, made),
    }
    say = words()
    return {
        "file": file,
        "stops": _stops(file, _as_it_stands(state, file)),
        "chosen": chosen,
        "categories": [(one, say.definition("coat", one, plain=False)) for one in CATEGORIES],
        "textures": [(one, say.definition("texture", one)) for one in Texture],
        "undercoats": [(one, say.definition("undercoat", one)) for one in Undercoat],
        "patiences": [(one, say.definition("patience", one)) for one in Patience],
        "mat_states": list(MatState),
        "views": [(View.LEFT, words("intake").say("view.left"))],
        "zones": {View.LEFT: zones_in(View.LEFT)},
        "known": {f"left.{zone}": {"mats": state, "signs": []} for zone, state in chosen["mats"].items()},
        "length_zones": list(_LENGTH_ZONES),
        "all_zones": [(one, say.title(say.zone(one, long=True))) for one in BodyZone],
    }


def _from_answers(file: files.DogFile, made: Mapping[str, str]) -> dict[str, Any]:
    """What touches and the owner's answers fill in, the touches first; a finding of before replaces no answer."""
    said = file.answers
    filled = {
        "texture": made.get("texture") or said.feel,
        "undercoat": made.get("undercoat") or said.undercoat_seen,
        "patience": said.patience,
        "trunk_mm": said.measured_mm,
        "mats": dict(said.mats or {}),
    }
    answered = any(filled[name] for name in ("patience", "trunk_mm", "mats")) or bool(said.feel or said.undercoat_seen)
    return {**filled, "answered": answered}


def _assessed(state: Any, file: files.DogFile) -> Assessment:
    """The dog by photos and answers alone, as the touches begin with it."""
    learned = cases.learned(state.records)
    return cases.assess(
        state.looks.readings(state.records, file.photos), file.answers, cases.Truth(None, None), learned=learned
    )


# --- the dog on the table ---------------------------------------------------------------------------------------------


def intake_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """What ``intake.html`` needs: the look as far as it went, and everything that may be found."""
    i = words("intake")
    with state.records.read() as reader:
        draft = table.draft_of(reader, file.dog.id, spoken())
        photos = reader.find(PlacePhoto, dog_id=file.dog.id, intake_id=None)
    return {
        "file": file,
        "stops": _stops(file, _as_it_stands(state, file)),
        "draft": draft,
        "told": table.told_by_owner(file, spoken()),
        "views": [(view, i.say(f"view.{view}")) for view in View],
        "zones": {view: zones_in(view) for view in View},
        "known": {key: place.model_dump(mode="json") for key, place in draft.found.places.items()},
        "signs": [(sign, i.say(f"sign.{sign}")) for sign in Sign],
        "mat_states": list(MatState),
        "photos": [(photo, place_name(photo.place, i)) for photo in photos],
        "ears": [(one, i.say(f"ear.{one}")) for one in Ears],
        "nails": [(one, i.say(f"nail.{one}")) for one in Nails],
        "patiences": [(one, i.word("patience", one)) for one in Patience],
        "healths": [(one, i.say(f"health.{one}")) for one in Health],
    }


def offers_values(state: Any, dog_id: str, by: str) -> dict[str, Any]:
    """What ``offers.html`` needs: both ways in the owner's language, as whoever is named (``by``) offers them."""
    laid = table.on_table(state.records, state.looks, dog_id, language=spoken(), by=by)
    language = laid.draft.language
    owners, answer = catalogue(language, "intake"), laid.answer
    ways = [
        (
            one,
            owners.say(f"offer.{one.kind}"),
            owners.say(f"work.{one.work}"),
            offer_lines(one, answer, laid.rates, language),
        )
        for one in (answer.keep, answer.clip)
    ]
    return {
        "file": laid.file,
        "draft": laid.draft,
        "ways": ways,
        "rates": laid.rates,
        "rests": rests_on(answer.visits, spoken()),
        "shown": laid.consent(),
        "options": laid.options,
        "told": laid.told,
        "s": owners,
    }


def signed_values(state: Any, intake_id: str) -> dict[str, Any]:
    """What ``signed.html`` needs: a signed record word for word."""
    with state.records.read() as reader:
        intake = reader.get(Intake, intake_id)
        photos = reader.find(PlacePhoto, intake_id=intake.id)
    table.signed_one(state.records, intake.dog_id, intake.id)
    return {
        "dog": state.records.get(Dog, intake.dog_id),
        "intake": intake,
        "shown": table.signed_consent(intake),
        "photos": [(photo, place_name(photo.place, words("intake"))) for photo in photos],
    }


# --- the end of a visit -----------------------------------------------------------------------------------------------


def check_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """What ``check.html`` needs."""
    assessment = _as_it_stands(state, file)
    say, v = words(), words("visit")
    may = files.zones_to_check(file, assessment)
    having = [one.zone for one in assessment.triage.zones] if assessment.triage else ZONES
    alone = assessment.triage.left_alone if assessment.triage else ()
    planned = [one for one in file.appointments if one.starts_at.astimezone().date() == cases.today()]
    return {
        "file": file,
        "stops": _stops(file, assessment),
        "known": assessment.triage is not None,
        "zones": [(zone, say.title(say.zone(zone))) for zone in may],
        "alone": say.zones(alone, having=having) if alone and may else "",
        "minutes": data("technique")["check"]["minutes"],
        "faults": [(fault, say.title(v.say(f"fault.{fault}"))) for fault in Fault],
        "tools": sorted(((tool, say.tool(tool)) for tool in toolkit.catalogue()), key=lambda pair: pair[1]),
        "visit": planned[-1] if planned else None,
    }


def end_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """What ``end.html`` needs: what was noted today, and the visit to note minutes for."""
    today = cases.today()
    with state.records.read() as reader:
        signed = table.intakes_of(reader, file.dog.id)
    here = [one for one in file.appointments if one.starts_at.astimezone().date() == today and one.state != "cancelled"]
    return {
        "file": file,
        "works": WORKS,
        "found": any(one.found_at.astimezone().date() == today for one in file.findings),
        "checked": any(one.checked_at.astimezone().date() == today for one in file.checks),
        "visit": here[-1] if here else None,
        "agreed": table.agreed_work(signed),
    }


def checks_of(file: files.DogFile) -> list[dict[str, Any]]:
    """The dog's technique checks in one line each, the newest first."""
    say, v = words(), words("visit")
    rows = []
    for one in reversed(file.checks):
        stopped = say.joined(say.zone(zone) for zone in one.stopped)
        faults = [v.say(f"fault.{fault}") for fault in one.faults]
        text = v.say("page.stops_at", zones=stopped) if stopped else v.say("page.all_through")
        rows.append({"record": one, "text": " · ".join([say.title(text), *faults])})
    return rows


def visit_values(file: files.DogFile) -> dict[str, Any]:
    """What ``visit.html`` needs: the next visit after the dog's own weeks, where it has any."""
    usual = files.usual_weeks(file.appointments)
    weeks = usual or _USUAL_WEEKS
    start = datetime.combine(cases.today() + timedelta(weeks=weeks), datetime.min.time()).replace(hour=10)
    return {"file": file, "proposed": start.strftime("%Y-%m-%dT%H:%M"), "weeks": weeks, "usual": usual}
