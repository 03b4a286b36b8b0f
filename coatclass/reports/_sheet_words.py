"""Small sentences of the sheet: where, how often, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from coatclass import care
from coatclass.contract import Caution, Verdict
from coatclass.reports._blocks import Note
from coatclass.reports._sheet import Sheet
from coatclass.taxonomy import BodyZone, CoatCategory

__all__ = ["coat_facts", "how_often", "note", "sheet_texts", "source", "where"]

_DATA = Path(__file__).with_name("data")
_NEARLY_ALL = 11


def sheet_texts(language: str) -> care.Catalogue:
    """What the sheet says in a language."""
    return care.Catalogue(_DATA, "sheet", language)


def where(zones: Sequence[BodyZone], texts: care.Catalogue, language: str) -> str:
    """Zones in words: the whole dog, nearly the whole dog, or a list."""
    words = care.care_texts(language)

    def names(some: Sequence[BodyZone]) -> str:
        return texts.joined(words.say(f"zone.{zone}").split(",")[0] for zone in some)

    others = [zone for zone in BodyZone if zone not in zones]
    if not zones or not others:
        return texts.say("step.everywhere")
    if len(zones) >= _NEARLY_ALL:
        return texts.say("step.except", zones=names(others))
    return names(zones)


def how_often(times: float, texts: care.Catalogue) -> str:
    """``once a week``, ``3 times a week``, ``every day``."""
    n = round(times)
    return texts.say({1: "week.once", 2: "week.twice", 7: "week.daily"}.get(n, "week.times"), n=n)


def source(caution: Caution, texts: care.Catalogue) -> str:
    """Where a caution comes from."""
    words, written = sheet_texts(care.LANGUAGES[0]), caution.source
    for key in ("common", "summary", "abstract", "read", "opinion", "practice"):
        written = written.replace(words.say(f"source.{key}"), texts.say(f"source.{key}"))
    return written


def note(caution: Caution, texts: care.Catalogue, language: str) -> Note:
    """A caution as a block."""
    zones = texts.say("caution.where", zones=where(caution.zones, texts, language)) if caution.zones else ""
    return Note(
        level=caution.level,
        word=texts.say(f"level.{caution.level}"),
        text=caution.text,
        where=zones,
    )


def coat_facts(sheet: Sheet, texts: care.Catalogue) -> tuple[tuple[str, str], ...]:
    """The dog's coat, length and how sure that is."""
    situation = sheet.plan.case.situation
    mm = situation.measured_mm
    length = (
        texts.say("coat.measured", mm=texts.mm(mm))
        if mm is not None
        else texts.say("coat.likely", mm=texts.mm(sheet.plan.growth.now_mm))
    )
    pairs = [(texts.say("coat.kind"), _coat(sheet, texts)), (texts.say("coat.length"), length)]
    pairs.append((texts.say("coat.sure"), _how_sure(sheet, texts)))
    if sheet.breed:
        pairs.insert(0, (texts.say("coat.breed"), sheet.breed))
    if situation.weight_kg is not None:
        weight = texts.say("coat.kg", kg=texts.number(situation.weight_kg))
        pairs.append((texts.say("coat.weight"), weight))
    return tuple(pairs)


def _names(categories: Sequence[CoatCategory], texts: care.Catalogue, language: str) -> str:
    either = care.care_texts(language).say("trial.or")
    return texts.joined((texts.say(f"category.{category}") for category in categories), either)


def _possible(sheet: Sheet) -> list[CoatCategory]:
    estimate = sheet.assessment.category if sheet.assessment else None
    if estimate is not None and set(estimate.set) == set(sheet.plan.case.situation.categories):
        return list(estimate.set)  # most probable first
    return [category for category in CoatCategory if category in sheet.plan.case.situation.categories]


def _coat(sheet: Sheet, texts: care.Catalogue) -> str:
    return _names(_possible(sheet), texts, sheet.plan.language)


def _how_sure(sheet: Sheet, texts: care.Catalogue) -> str:
    names = _coat(sheet, texts)
    found = sheet.assessment
    if found is None or found.category is None:
        return texts.say("coat.no_estimate")
    if found.verdict is Verdict.SETTLED:
        percent = texts.number(min(99, round(100 * found.category.probabilities[found.category.best])), 0)
        return texts.say("coat.settled", coat=names, percent=percent)
    key = "coat.narrowed" if found.verdict is Verdict.NARROWED else "coat.hands_on"
    return texts.say(key, coats=names)
