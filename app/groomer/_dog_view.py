"""A dog's file as the page shows it: what stands, where it came from, how it went on."""

from __future__ import annotations

from typing import Any

from app import cases
from app.design import bars, outline
from app.groomer import _file as files
from app.groomer._pictures import lengths_over_time
from coatclass import answers as questionnaire
from coatclass.contract import Assessment, Verdict
from coatclass.records import StoredAssessment
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone, band_label, category_label, describe_mm
from coatclass.words import catalogue


def dog_values(state: Any, file: files.DogFile) -> dict[str, Any]:
    """Everything that ``dog.html`` needs."""
    learned = cases.learned(state.records)
    assessment = files.assess(state.records, state.looks, file, learned=learned)
    plan = files.plan(file, assessment)
    today = cases.today()
    return {
        "file": file,
        "assessment": assessment,
        "waits": assessment.verdict in (Verdict.HANDS_ON, Verdict.NOT_A_DOG, Verdict.UNUSABLE_PHOTO),
        "pictures": _pictures(assessment),
        "photos": list(zip(file.photos, assessment.photos, strict=True)),
        "plan": plan,
        "kit": [item for item in assessment.kit if item.role in ("essential", "helpful")],
        "placeholder": outline({}, title="No photo yet"),
        "stops": [one.text for one in assessment.cautions if one.level == "stop"],
        "growth": _growth(file, plan),
        "answers": _answers(file),
        "history": [_told(one) for one in reversed(file.assessments)],
        "visits": sorted(file.appointments, key=lambda one: one.starts_at, reverse=True),
        "links": [one for one in file.links if one.expires_at.date() >= today],
    }


def _growth(file: files.DogFile, plan: Any) -> Any:
    """The curve of lengths; None while there is nothing to draw."""
    growth = plan.growth if plan else None
    if not file.measurements and not (growth and growth.curve):
        return None
    words = {"today": "today", "mm": "mm"}
    title = _lengths_in_words(file)
    return lengths_over_time(file.measurements, growth, today=cases.today(), title=title, words=words)


def _pictures(assessment: Assessment) -> dict[str, Any]:
    coat, band = assessment.category, assessment.length_band
    if coat is None or band is None:
        return {}
    coats = [(category_label(one), coat.probabilities[one], one in coat.set) for one in CATEGORIES]
    bands = [(band_label(one), band.probabilities[one], one in band.set) for one in BANDS]
    return {"coats": bars(coats, caption="Coat"), "bands": bars(bands, caption="Trunk length")}


def _lengths_in_words(file: files.DogFile) -> str:
    trunk = [one for one in file.measurements if one.zone == "trunk"]
    said = ", ".join(f"{describe_mm(one.length_mm)} on {one.measured_on}" for one in trunk[-5:])
    return f"Trunk length over time. Measured: {said}." if said else "Trunk length over time; nothing measured yet."


def _answers(file: files.DogFile) -> list[tuple[str, str]]:
    """(question, answer in words) of everything the owner answered."""
    given = file.answers.model_dump(mode="json", exclude_none=True)
    rows = []
    for spec in questionnaire.questions():
        if spec.id in given:
            rows.append((spec.text, _in_words(spec, given[spec.id])))
    return rows


def _in_words(spec: Any, value: Any) -> str:
    labels = {str(option.value): option.label for option in spec.choices}
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        words = catalogue()
        zones = set(BodyZone)
        names = {name: words.zone(name) if name in zones else _plain(name) for name in value}
        return ", ".join(f"{names[name]}: {_plain(said)}" for name, said in value.items())
    if isinstance(value, list):
        return ", ".join(_item(one, labels) for one in value) or "none"
    if isinstance(value, float):
        return describe_mm(value) if spec.id.endswith("_mm") else f"{value:g}"
    return labels.get(str(value), str(value).replace("_", " "))


def _plain(word: object) -> str:
    return str(word).replace("_", " ")


def _item(one: Any, labels: dict[str, str]) -> str:
    if isinstance(one, dict):
        return " ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in one.values())
    return labels.get(str(one), str(one).replace("_", " "))


def _told(stored: StoredAssessment) -> dict[str, Any]:
    """An earlier answer in one line."""
    coat = stored.result.get("category") or {}
    best = coat.get("best")
    return {
        "at": stored.made_at.astimezone(),
        "verdict": stored.verdict,
        "best": category_label(best) if best in set(CATEGORIES) else "",
        "share": float((coat.get("probabilities") or {}).get(best, 0.0)) if best else 0.0,
        "regime": str(stored.result.get("regime", "")),
        "version": str(stored.result.get("model_version", "")),
    }
