"""Sentences for people, put together from the text files."""

from __future__ import annotations

from collections.abc import Iterable

from coatclass.contract import CoatSituation
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, band_of_mm
from coatclass.toolkit._coats import Cell, cells
from coatclass.toolkit._data import message, texts
from coatclass.toolkit._model import HarmCell, PossibleCoat, Rule
from coatclass.toolkit._views import View


def rule_sentence(rule: Rule, language: str) -> str:
    """Why a rule says what it says."""
    return str(texts(language)["rule"][rule.why])


def harm_sentence(cell: HarmCell, language: str) -> str:
    """Why a tool harms a coat or does nothing there."""
    return str(texts(language)["reason"][cell.reason]) if cell.reason else ""


def _whys(rules: Iterable[Rule], language: str) -> str:
    """At most two reasons; a third is not read."""
    return " ".join(list(dict.fromkeys(rule_sentence(rule, language) for rule in rules))[:2])


def right_sentence(view: View, situation: CoatSituation, language: str) -> str:
    """Why a tool is wanted, and for which of the possible coats if not for all."""
    why = _whys(view.wanted, language)
    possible = cells(situation)
    if len(view.right_cells) == len(possible):
        return why
    return message(language, "right_for_some", coats=_coats(view.right_cells, possible, language), why=why)


def later_sentence(view: View, language: str) -> str:
    """Why a wanted tool has to wait: a possible coat that it would harm."""
    return message(
        language,
        "later",
        why=_whys(view.wanted, language),
        coat=coat_phrase(view.harmed, language),
        harm=harm_sentence(view.harm, language),
    )


def coat_phrase(coat: PossibleCoat, language: str) -> str:
    """One coat in a few words: category and length."""
    category = texts(language)["category"][coat.category]
    return f"{category} {texts(language)['band'][coat.band]}"


def _coats(some: Iterable[Cell], possible: Iterable[Cell], language: str) -> str:
    """The categories and bands of some cells, saying only what tells them from the possible ones."""
    some, possible = tuple(some), tuple(possible)
    words = texts(language)
    categories, bands = _ordered(some)
    all_categories, all_bands = _ordered(possible)
    parts = []
    if categories != all_categories or bands == all_bands:
        parts.append(_either([words["category"][category] for category in categories], language))
    if bands != all_bands:
        parts.append(_either([words["band"][band] for band in bands], language))
    return " ".join(parts)


def _ordered(part: tuple[Cell, ...]) -> tuple[list[CoatCategory], list[LengthBand]]:
    categories, bands = {cell[0] for cell in part}, {band_of_mm(cell[1]) for cell in part}
    return [c for c in CATEGORIES if c in categories], [b for b in BANDS if b in bands]


def _either(words: list[str], language: str) -> str:
    if len(words) == 1:
        return words[0]
    return f"{', '.join(words[:-1])} {message(language, 'or')} {words[-1]}"
