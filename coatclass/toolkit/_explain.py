"""Why not the other brush; what to try first on an uncertain coat; the list of every rule."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass

from coatclass.contract import CoatSituation, KitItem, Role
from coatclass.errors import InputError
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone, Texture, Undercoat
from coatclass.toolkit._coats import blocked_zones, cells
from coatclass.toolkit._data import FOLDER, catalogue, demotions, message, rule_file, texts, tool_rules
from coatclass.toolkit._kit import recommend
from coatclass.toolkit._model import DRAGS, Harm, LengthRange, Rule, RuleRecord
from coatclass.toolkit._views import views
from coatclass.toolkit._words import coat_phrase, harm_sentence, rule_sentence


def why_not(tool: str, situation: CoatSituation, *, language: str = "en") -> str:
    """Why a tool of the catalogue is not in the kit, or why it is.

    Raises:
        InputError: if the catalogue has no such tool.
    """
    if tool not in catalogue():
        raise InputError(tool, "is no tool of the catalogue.", f"Choose one of {', '.join(catalogue())}.")
    kit = recommend(situation, language=language)
    item = next((item for item in kit if item.tool == tool), None)
    if item is not None and item.role in (Role.ESSENTIAL, Role.HELPFUL):
        return message(language, "why_in_kit", why=item.why)
    if item is not None and item.role is Role.LATER:
        return message(language, "why_later", why=item.why)
    view = views(situation)[tool]
    if view.harm.harm is Harm.NONE:
        return message(language, "why_not_needed", others=_names(kit, catalogue()[tool].job))
    coat = coat_phrase(view.harmed, language, texture=view.harm_varies)
    key = "why_harm" if view.harm.harm.forbids else "why_useless"
    return message(language, key, coat=coat, harm=harm_sentence(view.harm, language))


def _names(kit: Iterable[KitItem], job: str) -> str:
    usable = [item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]
    same = [item.name for item in usable if catalogue()[item.tool].job == job]
    return ", ".join(same or [item.name for item in usable if item.role is Role.ESSENTIAL])


# --- trial order ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TrialStep:
    """One trial on an uncertain coat. ``tool`` is None on the last line, where only the groomer is left."""

    order: int
    tool: str | None
    comb: str | None
    do: str
    comb_passes: str
    comb_stops: str


def trial_order(situation: CoatSituation, *, language: str = "en") -> tuple[TrialStep, ...]:
    """What to try, gentlest first, while the coat is uncertain; empty when one category and one length are left.

    Every tool comes out of the kit, so none can harm a coat still possible. With tight mats or felt there is nothing
    to try: the only line sends to the groomer.
    """
    if len(cells(situation)) == 1:
        return ()
    kit = [item for item in recommend(situation, language=language) if item.order is not None]
    whole = [item for item in kit if BodyZone.TRUNK in item.zones]
    brushes = sorted(
        (item for item in whole if catalogue()[item.tool].job == "brush"),
        key=lambda item: (DRAGS.index(catalogue()[item.tool].drag), item.role is not Role.ESSENTIAL, item.order),
    )
    comb = next((i for i in whole if catalogue()[i.tool].job == "comb" and i.role is Role.ESSENTIAL), None)
    steps = [] if blocked_zones(situation) else [_trial(n, b, comb, language) for n, b in enumerate(brushes, start=1)]
    last = TrialStep(len(steps) + 1, None, None, message(language, "trial_last"), "", "")
    return (*steps, last)


def _trial(order: int, brush: KitItem, comb: KitItem | None, language: str) -> TrialStep:
    do = message(language, "trial_start" if order == 1 else "trial_next", name=brush.name)
    if comb is not None:
        do = f"{do} {message(language, 'trial_comb', name=comb.name)}"
    return TrialStep(
        order=order,
        tool=brush.tool,
        comb=comb.tool if comb is not None else None,
        do=do,
        comb_passes=message(language, "trial_good"),
        comb_stops=message(language, "trial_bad"),
    )


# --- every rule with its provenance --------------------------------------------------------------------------------


def rules(*, language: str = "en") -> tuple[RuleRecord, ...]:
    """Every rule of the room with its provenance, for people to read: tool rules first, then what puts tools off."""
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
    for demotion in demotions():
        tools = [tool.id for tool in catalogue().values() if tool.drag in demotion.drags]
        why = texts(language).say(f"demotion.{demotion.id}")
        when = message(language, f"when_{demotion.when}", months=demotion.below_months)
        records.append(RuleRecord(demotion.id, ", ".join(tools), Role.LATER.value, when, why, demotion.source))
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


_ORDER: dict[str, tuple[str, ...]] = {"texture": tuple(Texture), "undercoat": tuple(Undercoat)}
_FLAGS = ("yes", "no", "unknown", "none", "tangles", "mats", "tight")


def _when(rule: Rule, language: str) -> str:
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
    return "; ".join(parts) or message(language, "rule_all")


def _range(length: LengthRange, language: str) -> str:
    low = message(language, "from" if length.low_included else "above", mm=texts(language).mm(length.low))
    if length.high == float("inf"):
        return low
    high = message(language, "up_to" if length.high_included else "below", mm=texts(language).mm(length.high))
    return high if length.low == 0 else f"{low}, {high}"
