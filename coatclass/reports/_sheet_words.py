"""Small sentences of the sheet: cautions, sources, how sure."""

from __future__ import annotations

from coatclass.contract import Caution, Verdict
from coatclass.reports._blocks import Note
from coatclass.reports._sheet import Sheet
from coatclass.taxonomy import CoatCategory
from coatclass.words import LANGUAGES, Catalogue, catalogue

__all__ = ["coat_facts", "note", "source"]


def source(caution: Caution, texts: Catalogue) -> str:
    """Where a caution comes from."""
    words, written = catalogue(LANGUAGES[0], "sheet"), caution.source
    for key in ("common", "summary", "abstract", "read", "opinion", "practice"):
        written = written.replace(words.say(f"source.{key}"), texts.say(f"source.{key}"))
    return written


def note(caution: Caution, texts: Catalogue) -> Note:
    """A caution as a block."""
    zones = texts.say("caution.where", zones=texts.zones(caution.zones)) if caution.zones else ""
    return Note(
        level=caution.level,
        word=texts.word("level", caution.level).upper(),
        text=caution.text,
        where=zones,
    )


def coat_facts(sheet: Sheet, texts: Catalogue) -> tuple[tuple[str, str], ...]:
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


def _possible(sheet: Sheet) -> list[CoatCategory]:
    estimate = sheet.assessment.category if sheet.assessment else None
    if estimate is not None and set(estimate.set) == set(sheet.plan.case.situation.categories):
        return list(estimate.set)  # most probable first
    return [category for category in CoatCategory if category in sheet.plan.case.situation.categories]


def _coat(sheet: Sheet, texts: Catalogue) -> str:
    return texts.either(texts.coat(category, phrase=True) for category in _possible(sheet))


def _how_sure(sheet: Sheet, texts: Catalogue) -> str:
    names = _coat(sheet, texts)
    found = sheet.assessment
    if found is None or found.category is None:
        return texts.say("coat.no_estimate")
    if found.verdict is Verdict.SETTLED:
        percent = texts.number(min(99, round(100 * found.category.probabilities[found.category.best])), 0)
        return texts.say("coat.settled", coat=names, percent=percent)
    key = "coat.narrowed" if found.verdict is Verdict.NARROWED else "coat.hands_on"
    return texts.say(key, coats=names)
