"""A dog's file as the page shows it: what stands, where it came from, how it went on."""

from __future__ import annotations

from typing import Any

from app import cases
from app.groomer import dog_file as files
from app.groomer import table
from app.groomer.day import who_noted
from app.groomer.visit_end import checks_of
from app.language import spoken, words
from coatclass import answers as questionnaire
from coatclass.intake import WORKS
from coatclass.presentation import Presentation
from coatclass.presentation.blocks import Note
from coatclass.records import Appointment, StoredAssessment
from coatclass.taxonomy import CATEGORIES, BodyZone

_BESIDE = ("verdict", "stops", "sure", "growth", "remarks")
"""Sections that have a place of their own on the page."""


def dog_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """Everything that ``dog.html`` needs."""
    learned = cases.learned(state.records)
    assessment = files.assess(state.records, state.looks, file, learned=learned)
    plan = files.presented(file, assessment, language=spoken())
    today = cases.today()
    return {
        "file": file,
        "assessment": assessment,
        "plan": plan,
        "told": [part for part in plan.on_screen() if part.id not in _BESIDE] if plan.entries else [],
        "photos": list(zip(file.photos, assessment.photos, strict=True)),
        "stops": stops(plan),
        "answers": _answers(file),
        "checks": checks_of(file),
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
    return {"signed": [(one, table.summary(one)) for one in signed], "begun": begun}


def stops(plan: Presentation) -> list[str]:
    """What must be said before hands are laid on."""
    section = plan.section("stops")
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
    coat = stored.result.get("category") or {}
    best = coat.get("best")
    return {
        "at": stored.made_at.astimezone(),
        "verdict": stored.verdict,
        "best": words().title(words().coat(best)) if best in set(CATEGORIES) else "",
        "share": float((coat.get("probabilities") or {}).get(best, 0.0)) if best else 0.0,
        "regime": str(stored.result.get("regime", "")),
        "version": str(stored.result.get("model_version", "")),
    }
