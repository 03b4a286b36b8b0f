"""Why a tool is in a kit or not, what a tool is, and every rule, said for people."""

from __future__ import annotations

import csv
from collections.abc import Iterable

from coatclass.contract import CoatSituation, Role, Specification
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    CoatCategory,
    LengthBand,
    MatState,
    Texture,
    Undercoat,
    band_of_mm,
    describe_mm,
)
from coatclass.toolkit.coats import Cell, View, cells
from coatclass.toolkit.model import HarmCell, LengthRange, PossibleCoat, Rule, RuleRecord
from coatclass.toolkit.tables import FOLDER, message, rule_file, say, texts, tool_rules


def rule_sentence(rule: Rule, language: str) -> str:
    """Why a rule says what it says."""
    return say(language, "rule", rule.why)


def triage_sentence(rule: str, language: str) -> str:
    """Why a rule of the triage keeps a tool away from the dog."""
    return say(language, "triage", rule)


def harm_sentence(cell: HarmCell, language: str) -> str:
    """Why a tool harms a coat or does nothing there."""
    return say(language, "reason", cell.reason) if cell.reason else ""


def whys(rules: Iterable[Rule], language: str) -> str:
    """At most two reasons; a third is not read."""
    return " ".join(list(dict.fromkeys(rule_sentence(rule, language) for rule in rules))[:2])


def right_sentence(view: View, situation: CoatSituation, language: str) -> str:
    """Why a tool is wanted, and for which of the possible coats if not for all."""
    condition = _condition(view, situation, language)
    why = whys(view.wanted, language)
    return message(language, "right_for_some", coats=condition, why=why) if condition else why


def unsure_sentence(view: View, situation: CoatSituation, language: str) -> str:
    """Why a harmless tool that few of the possible coats want has to wait."""
    condition = _condition(view, situation, language)
    why = whys(view.wanted, language)
    return message(language, "unsure", coats=condition, why=why) if condition else why


def later_sentence(view: View, language: str) -> str:
    """Why a wanted tool has to wait: a possible coat that it would harm, or that it would harm this one."""
    why, harm = whys(view.wanted, language), harm_sentence(view.harm, language)
    if view.cells == 1 and not view.harm_varies:
        return message(language, "later_here", why=why, harm=harm)
    coat = coat_phrase(view.harmed, language, texture=view.harm_varies)
    return message(language, "later", why=why, coat=coat, harm=harm)


def coat_phrase(coat: PossibleCoat, language: str, *, texture: bool = False) -> str:
    """One coat in a few words: category, length, and texture if wished."""
    words = texts(language)
    phrase = f"{words['category'][coat.category]} {words['band'][coat.band]}"
    return f"{phrase}, {words['texture'][coat.texture]}" if texture else phrase


def _condition(view: View, situation: CoatSituation, language: str) -> str:
    """What must be true of the coat for the tool to be right; empty if it is right for every possible coat."""
    words = texts(language)
    possible = cells(situation)
    parts = [_coats(view.right_cells, possible, language)] if len(view.right_cells) < len(possible) else []
    # Where coats differ in what they need, the rules' own sentences say it; one list for all of them would be wrong.
    textures, undercoats = next(iter(view.only_if)) if len(view.only_if) == 1 else (frozenset(), frozenset())
    if textures:
        hair = _either([words["texture"][texture] for texture in Texture if texture in textures], language)
        parts.append(message(language, "if_texture", texture=hair))
    if undercoats:
        down = _either([words["undercoat"][undercoat] for undercoat in Undercoat if undercoat in undercoats], language)
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
        parts.append(_either([words["category"][category] for category in categories], language))
    if bands != all_bands:
        parts.append(_either([words["band"][band] for band in bands], language))
    return message(language, "if_coat", coat=" ".join(parts))


def _ordered(part: tuple[Cell, ...]) -> tuple[list[CoatCategory], list[LengthBand]]:
    categories, bands = {cell[0] for cell in part}, {band_of_mm(length) for length in {cell[1] for cell in part}}
    return [c for c in CATEGORIES if c in categories], [b for b in BANDS if b in bands]


def _either(words: list[str], language: str) -> str:
    if len(words) == 1:
        return words[0]
    return f"{', '.join(words[:-1])} {message(language, 'or')} {words[-1]}"


# --- a tool in words -----------------------------------------------------------------------------------------------


def tool_name(tool: str, *, language: str = "en") -> str:
    """The name of a tool of the catalogue."""
    return say(language, "tool", tool, "name")


def describe(tool: str, *, plain: bool = True, language: str = "en") -> str:
    """What a tool is and does: plainly for owners, or precisely for groomers."""
    return say(language, "tool", tool, "plain" if plain else "precise")


def specification_words(specification: Specification, *, language: str = "en") -> tuple[str, ...]:
    """What to look for in a shop, one short phrase for each feature; lengths in mm with inches beside them."""
    words = texts(language)["word"]
    phrases = []
    for name in ("pin_length_mm", "tooth_length_mm", "tooth_gap_mm"):
        limits = getattr(specification, name)
        if limits is not None:
            phrases.append(message(language, name, range=_millimetres(limits, language)))
    if specification.stiffness is not None:
        phrases.append(message(language, "stiffness", stiffness=words[specification.stiffness]))
    if specification.tip is not None:
        phrases.append(words[specification.tip])
    if specification.size is not None:
        phrases.append(words[specification.size])
    return tuple(phrases)


def _millimetres(limits: tuple[float, float], language: str) -> str:
    """A range in mm; inches only from 5 mm up, below which nobody measures in inches."""
    low, high = limits
    figures = message(language, "to", low=_figure(low, language), high=_figure(high, language))
    if low < 5:
        return f"{figures} mm"
    inches = message(language, "to", low=_inches(low), high=_inches(high))
    return f"{figures} mm ({inches} in)"


def _figure(number: float, language: str) -> str:
    return f"{number:g}".replace(".", message(language, "decimal_mark"))


def _inches(length_mm: float) -> str:
    return describe_mm(length_mm).partition("(")[2].removesuffix(" in)")


# --- every rule with its provenance --------------------------------------------------------------------------------


def rules(*, language: str = "en") -> tuple[RuleRecord, ...]:
    """Every rule of the room with its provenance, for people to read."""
    records = [
        RuleRecord(
            id=rule.id,
            tool=rule.tool,
            role=rule.role.value,
            when=_when(rule, language),
            why=rule_sentence(rule, language),
            source=rule.source,
        )
        for rule in tool_rules()
    ]
    policy = rule_file()["policy"]
    share = message(language, "policy", percent=round(100 * policy["share_of_possible_coats"]))
    records.append(RuleRecord("uncertain-coat", "", Role.HELPFUL.value, "", share, policy["source"]))
    return tuple(records)


def harm_records() -> tuple[RuleRecord, ...]:
    """Every row of the harm table with its provenance, as written: lists and `any` are not written out."""
    with (FOLDER / "harm.csv").open(encoding="utf-8", newline="") as stream:
        return tuple(
            RuleRecord(
                id=f"harm-{number}",
                tool=row["tool"],
                role=row["effect"],
                when=" ".join(part for part in (row["category"], row["texture"], row["condition"]) if part),
                why=", ".join(f"{band}: {row[band]}" for band in BANDS),
                source=row["source"],
            )
            for number, row in enumerate(csv.DictReader(stream), start=2)
        )


def _when(rule: Rule, language: str) -> str:
    words = texts(language)
    parts = [_range(rule.length, language)] if rule.length is not None else []
    for name, allowed in rule.conditions.items():
        if name in ("category", "texture", "undercoat"):
            named = ", ".join(text for word, text in words[name].items() if word in allowed)
            parts.insert(0 if name == "category" else len(parts), named)
        else:
            flags = ", ".join(text for word, text in words["flag"].items() if word in allowed)
            parts.append(f"{words['condition'][name]}: {flags}")
    if rule.mats:
        states = ", ".join(words["mats"][state] for state in MatState if state in rule.mats)
        parts.append(f"{words['condition']['mats']}: {states}")
    return "; ".join(parts) or message(language, "rule_all")


def _range(length: LengthRange, language: str) -> str:
    low = message(language, "from" if length.low_included else "above", mm=describe_mm(length.low))
    if length.high == float("inf"):
        return low
    high = message(language, "up_to" if length.high_included else "below", mm=describe_mm(length.high))
    return high if length.low == 0 else f"{low}, {high}"
