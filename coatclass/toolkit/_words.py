"""Sentences for people, put together from the text files."""

from __future__ import annotations

from collections.abc import Iterable

from coatclass.contract import CoatSituation, Specification
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, Texture, Undercoat, band_of_mm
from coatclass.toolkit._coats import Cell, cells
from coatclass.toolkit._data import message, texts
from coatclass.toolkit._model import HarmCell, PossibleCoat, Rule
from coatclass.toolkit._views import View


def rule_sentence(rule: Rule, language: str) -> str:
    """Why a rule says what it says."""
    return texts(language).say(f"rule.{rule.why}")


def harm_sentence(cell: HarmCell, language: str) -> str:
    """Why a tool harms a coat or does nothing there."""
    return texts(language).say(f"reason.{cell.reason}") if cell.reason else ""


def _whys(rules: Iterable[Rule], language: str) -> str:
    """At most two reasons; a third is not read."""
    return " ".join(list(dict.fromkeys(rule_sentence(rule, language) for rule in rules))[:2])


def right_sentence(view: View, situation: CoatSituation, language: str) -> str:
    """Why a tool is wanted, and for which of the possible coats if not for all."""
    condition = _condition(view, situation, language)
    why = _whys(view.wanted, language)
    return message(language, "right_for_some", coats=condition, why=why) if condition else why


def unsure_sentence(view: View, situation: CoatSituation, language: str) -> str:
    """Why a harmless tool that few of the possible coats want has to wait."""
    condition = _condition(view, situation, language)
    why = _whys(view.wanted, language)
    return message(language, "unsure", coats=condition, why=why) if condition else why


def later_sentence(view: View, language: str) -> str:
    """Why a wanted tool has to wait: a possible coat that it would harm, or that it would harm this one."""
    why, harm = _whys(view.wanted, language), harm_sentence(view.harm, language)
    if view.cells == 1 and not view.harm_varies:
        return message(language, "later_here", why=why, harm=harm)
    coat = coat_phrase(view.harmed, language, texture=view.harm_varies)
    return message(language, "later", why=why, coat=coat, harm=harm)


def coat_phrase(coat: PossibleCoat, language: str, *, texture: bool = False) -> str:
    """One coat in a few words: category, length, and texture if wished."""
    words = texts(language)
    phrase = f"{words.coat(coat.category, phrase=True)} {words.band(coat.band, phrase=True)}"
    return f"{phrase}, {words.word('texture', coat.texture)}" if texture else phrase


def _condition(view: View, situation: CoatSituation, language: str) -> str:
    """What must be true of the coat for the tool to be right; empty if it is right for every possible coat."""
    words = texts(language)
    possible = cells(situation)
    parts = [_coats(view.right_cells, possible, language)] if len(view.right_cells) < len(possible) else []
    # Where coats differ in what they need, the rules' own sentences say it; one list for all of them would be wrong.
    textures, undercoats = next(iter(view.only_if)) if len(view.only_if) == 1 else (frozenset(), frozenset())
    if textures:
        hair = words.either(words.word("texture", texture) for texture in Texture if texture in textures)
        parts.append(message(language, "if_texture", texture=hair))
    if undercoats:
        down = words.either(words.word("undercoat", one) for one in Undercoat if one in undercoats)
        parts.append(message(language, "if_undercoat", undercoat=down))
    return message(language, "and").join(parts)


def _coats(some: Iterable[Cell], possible: Iterable[Cell], language: str) -> str:
    """The categories and bands of some cells, saying only what tells them from the possible ones."""
    some, possible = tuple(some), tuple(possible)
    words = texts(language)
    categories, bands = _ordered(some)
    all_categories, all_bands = _ordered(possible)
    parts = []
    if categories != all_categories or bands == all_bands:
        parts.append(words.either(words.coat(category, phrase=True) for category in categories))
    if bands != all_bands:
        parts.append(words.either(words.band(band, phrase=True) for band in bands))
    return message(language, "if_coat", coat=" ".join(parts))


def _ordered(part: tuple[Cell, ...]) -> tuple[list[CoatCategory], list[LengthBand]]:
    categories, bands = {cell[0] for cell in part}, {band_of_mm(length) for length in {cell[1] for cell in part}}
    return [c for c in CATEGORIES if c in categories], [b for b in BANDS if b in bands]


# --- a tool in words -----------------------------------------------------------------------------------------------


def tool_name(tool: str, *, language: str = "en") -> str:
    """The name of a tool of the catalogue."""
    return texts(language).tool(tool)


def describe(tool: str, *, plain: bool = True, language: str = "en") -> str:
    """What a tool is and does: plainly for owners, or precisely for groomers."""
    return texts(language).say(f"tool.{tool}.{'plain' if plain else 'precise'}")


def specification_words(specification: Specification, *, language: str = "en") -> tuple[str, ...]:
    """What to look for in a shop, one short phrase for each feature; lengths in mm with inches beside them."""
    words = texts(language)
    phrases = []
    for name in ("pin_length_mm", "tooth_length_mm", "tooth_gap_mm"):
        limits = getattr(specification, name)
        if limits is not None:
            phrases.append(message(language, name, range=words.mm_range(*limits)))
    if specification.stiffness is not None:
        phrases.append(message(language, "stiffness", stiffness=words.say(f"word.{specification.stiffness}")))
    if specification.tip is not None:
        phrases.append(words.say(f"word.{specification.tip}"))
    if specification.size is not None:
        phrases.append(words.say(f"word.{specification.size}"))
    return tuple(phrases)
