"""Why a tool is in a kit or not, what a tool is, and every rule, said for people."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from coatclass.contract import CoatSituation, Role, Specification
from coatclass.resources import read_csv
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand, MatState, Texture, Undercoat, band_of_mm
from coatclass.toolkit.coats import Cell, ToolView, cells
from coatclass.toolkit.tables import (
    FOLDER,
    PARTS,
    HarmCell,
    LengthRange,
    PossibleCoat,
    RuleRecord,
    ToolRule,
    catalogue,
    message,
    rule_file,
    texts,
    tool_rules,
)
from coatclass.triage import rules as triage_rules


def rule_sentence(rule: ToolRule, language: str) -> str:
    """Why a rule says what it says."""
    return texts(language).say(f"rule.{rule.why}")


def triage_sentence(rule: str, language: str) -> str:
    """Why a rule of the triage keeps a tool away from the dog."""
    return texts(language).say(f"triage.{rule}")


def harm_sentence(cell: HarmCell, language: str) -> str:
    """Why a tool harms a coat or does nothing there."""
    return texts(language).say(f"reason.{cell.reason}") if cell.reason else ""


def _whys(rules: Iterable[ToolRule], language: str) -> str:
    """At most two reasons; nobody reads a third."""
    return " ".join(list(dict.fromkeys(rule_sentence(rule, language) for rule in rules))[:2])


def right_sentence(view: ToolView, situation: CoatSituation, language: str) -> str:
    """Why a tool is wanted, and for which of the possible coats if not for all."""
    condition = _condition(view, situation, language)
    why = _whys(view.wanted, language)
    return message(language, "right_for_some", coats=condition, why=why) if condition else why


def unsure_sentence(view: ToolView, situation: CoatSituation, language: str) -> str:
    """Why a harmless tool that few of the possible coats want has to wait."""
    condition = _condition(view, situation, language)
    why = _whys(view.wanted, language)
    return message(language, "unsure" if condition else "unsure_open", coats=condition, why=why)


def undercoat_sentence(view: ToolView, language: str) -> str:
    """Why a harmless tool waits until somebody has parted the hair and looked for undercoat."""
    down = _undercoats(view.only_over, language)
    return message(language, "unsure_undercoat", undercoat=down, why=_whys(view.wanted, language))


def _undercoats(some: Iterable[Undercoat], language: str) -> str:
    """Undercoats as alternatives; where only none at all is left out, simply undercoat."""
    words, named = texts(language), set(some)
    if named == set(Undercoat) - {Undercoat.NONE}:
        return words.say("word.undercoat")
    return words.either(words.word("undercoat", one) for one in Undercoat if one in named)


def later_sentence(view: ToolView, language: str) -> str:
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
    if not texture:
        return phrase
    return message(language, "textured", coat=phrase, texture=words.word("texture", coat.texture))


def _condition(view: ToolView, situation: CoatSituation, language: str) -> str:
    """What must be true of the coat for the tool to be right; empty if it is right for every possible coat."""
    words = texts(language)
    possible = cells(situation)
    coats = _coats(view.right_cells, possible, language) if len(view.right_cells) < len(possible) else ""
    parts = [coats] if coats else []
    # Where coats differ in what they need, the rules' own sentences say it; one list for all of them would be wrong.
    textures, undercoats = next(iter(view.only_if)) if len(view.only_if) == 1 else (frozenset(), frozenset())
    if textures:
        hair = words.either(words.word("texture", texture) for texture in Texture if texture in textures)
        parts.append(message(language, "if_texture", texture=hair))
    if undercoats:
        parts.append(message(language, "if_undercoat", undercoat=_undercoats(undercoats, language)))
    return message(language, "and").join(parts)


@lru_cache(maxsize=4096)
def _coats(some: tuple[Cell, ...], possible: tuple[Cell, ...], language: str) -> str:
    """The categories and bands of some cells, saying only what tells them from the possible ones; empty if nothing."""
    words = texts(language)
    categories, bands = _ordered(some)
    all_categories, all_bands = _ordered(possible)
    if categories == all_categories and bands == all_bands:
        # Each coat wants it at some length: say at which lengths all of them do.
        bands = [band for band in bands if {coat for coat, mm in some if band_of_mm(mm) is band} == set(categories)]
    if categories == all_categories and bands != all_bands:
        return message(language, "if_length", length=words.either(map(words.band, bands))) if bands else ""
    parts = [words.either(words.coat(category, phrase=True) for category in categories)]
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


def specification_words(specification: Specification, *, tool: str = "", language: str = "en") -> tuple[str, ...]:
    """What to look for in a shop, one short phrase for each feature; lengths in mm with inches beside them."""
    words = texts(language)
    known = catalogue().get(tool)
    part = words.say(f"word.{known.part if known else PARTS[0]}")
    phrases = []
    for name in ("pin_length_mm", "tooth_length_mm", "tooth_gap_mm"):
        limits = getattr(specification, name)
        if limits is not None:
            phrases.append(message(language, name, part=part, range=words.mm_range(*limits)))
    if specification.stiffness is not None:
        stiffness = words.say(f"word.{specification.stiffness}")
        phrases.append(message(language, "stiffness", part=part, stiffness=stiffness))
    if specification.tip is not None:
        phrases.append(words.say(f"word.{specification.tip}"))
    if specification.size is not None:
        phrases.append(words.say(f"word.{specification.size}"))
    return tuple(phrases)


# --- every rule with its provenance --------------------------------------------------------------------------------


def rules(*, language: str = "en") -> tuple[RuleRecord, ...]:
    """Every rule that shapes a kit with its provenance, for people to read: tools first, then what puts them off."""
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
    records += [
        RuleRecord(rule.id, "", Role.LATER.value, "", triage_sentence(rule.id, language), rule.source)
        for rule in triage_rules()
    ]
    policy = rule_file()["policy"]
    share = message(language, "policy", percent=round(100 * policy["share_of_possible_coats"]))
    records.append(RuleRecord("uncertain-coat", "", Role.HELPFUL.value, "", share, policy["source"]))
    return tuple(records)


def harm_records() -> tuple[RuleRecord, ...]:
    """Every row of the harm table with its provenance, as written: lists and `any` are not written out."""
    return tuple(
        RuleRecord(
            id=f"harm-{number}",
            tool=row["tool"],
            role=row["effect"],
            when=" ".join(part for part in (row["category"], row["texture"], row["condition"]) if part),
            why=", ".join(f"{band}: {row[band]}" for band in BANDS),
            source=row["source"],
        )
        for number, row in enumerate(read_csv(FOLDER / "harm.csv"), start=2)
    )


_ORDER: dict[str, tuple[str, ...]] = {"texture": tuple(Texture), "undercoat": tuple(Undercoat)}
_FLAGS = ("yes", "no", "unknown")


def _when(rule: ToolRule, language: str) -> str:
    words = texts(language)
    parts = [_range(rule.length, language)] if rule.length is not None else []
    for name, allowed in rule.conditions.items():
        if name == "category":
            parts.insert(0, ", ".join(words.coat(coat, phrase=True) for coat in CATEGORIES if coat in allowed))
        elif name in _ORDER:
            parts.append(", ".join(words.word(name, word) for word in _ORDER[name] if word in allowed))
        else:
            flags = ", ".join(words.say(f"flag.{word}") for word in _FLAGS if word in allowed)
            parts.append(f"{words.say(f'condition.{name}')}: {flags}")
    if rule.mats:
        states = ", ".join(words.word("mat_state", state) for state in MatState if state in rule.mats)
        parts.append(f"{words.say('condition.mats')}: {states}")
    return "; ".join(parts) or message(language, "rule_all")


def _range(length: LengthRange, language: str) -> str:
    low = message(language, "from" if length.low_included else "above", mm=texts(language).mm(length.low))
    if length.high == float("inf"):
        return low
    high = message(language, "up_to" if length.high_included else "below", mm=texts(language).mm(length.high))
    return high if length.low == 0 else f"{low}, {high}"
