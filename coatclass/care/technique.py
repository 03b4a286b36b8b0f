"""The technique check at a visit: whether it may be done, and what it changes in the plan. ``data/technique.toml``.

The owner brushes as at home, the groomer combs behind. What follows obeys the triage: no zone that is not cleared for
the comb is asked for, and while the dog may not be brushed everything waits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from coatclass.care.coat import data, family, line_brushed, ordered
from coatclass.care.minutes import may_be_cut
from coatclass.care.risk import last_check
from coatclass.contract import (
    CoatSituation,
    Fault,
    KitItem,
    PlanChange,
    Role,
    Specification,
    TechniqueCheck,
    Triage,
    VisitNote,
    Week,
)
from coatclass.taxonomy import BodyZone
from coatclass.words import Catalogue, catalogue

__all__ = ["changes", "kept_short", "kit_after_check", "notes_that_hold", "unchecked", "zones_to_check"]


def zones_to_check(cleared: Triage) -> tuple[BodyZone, ...]:
    """Where the comb may follow the owner's brush; nowhere while the dog must not be brushed.

    A dog in pain, with sores or parasites, felted, or one that can't bear the brush is not checked: that would have it
    brushed for two minutes in front of the groomer.
    """
    if not cleared.session.open:
        return ()
    may = cleared.cleared(comb=True)
    return tuple(zone for name in data("technique")["check"]["zones"] if (zone := BodyZone(name)) in may)


def notes_that_hold(notes: Sequence[VisitNote], today: date) -> tuple[VisitNote, ...]:
    """The same notes; a check that is too old to speak of today's brushing is left out (``data/ageing.toml``)."""
    oldest = today - timedelta(weeks=data("ageing")["check"]["holds_weeks"])
    return tuple(note if note.on >= oldest else note.model_copy(update={"check": None}) for note in notes)


def unchecked(situation: CoatSituation) -> CoatSituation:
    """The same dog without its technique checks."""
    return replace(situation, notes=tuple(note.model_copy(update={"check": None}) for note in situation.notes))


def kept_short(notes: Sequence[VisitNote]) -> bool:
    """Whether the comb stopped at so many checks in a row that the length has to change."""
    return _stops_in_a_row(notes) >= int(data("technique")["repeated"]["checks"])


def _stops_in_a_row(notes: Sequence[VisitNote]) -> int:
    number = 0
    for note in reversed(notes):
        if note.check is not None and not note.check.stopped:
            break
        number += note.check is not None
    return number


def _rules(check: TechniqueCheck) -> Iterator[Mapping[str, Any]]:
    """The rules that this check calls up, in the order of the data file."""
    for rule in data("technique")["rule"]:
        if rule["fault"] in check.faults if "fault" in rule else bool(check.stopped) and not check.faults:
            yield rule


# --- what changes -----------------------------------------------------------------------------------------------------


def kit_after_check(
    kit: Sequence[KitItem], situation: CoatSituation, cleared: Triage, language: str
) -> tuple[KitItem, ...]:
    """The kit after what the check showed: the comb becomes a must, and a brush that does not reach stays behind.

    Nothing is added to what is to be bought, and nothing changes while nothing is to be bought.
    """
    check = last_check(situation.notes)
    if check is None or not cleared.shopping.open:
        return tuple(kit)
    promoted = {name for rule in _rules(check) for name in rule.get("promote", ())}
    items = [
        item.model_copy(update={"role": Role.ESSENTIAL})
        if item.role is Role.HELPFUL and family(item.tool) in promoted
        else item
        for item in kit
    ]
    failed = _failed_tool(check, items)
    if failed is None:
        return tuple(items)
    texts = catalogue(language)
    left = KitItem(
        tool=failed,
        name=texts.tool(failed),
        role=Role.AVOID,
        zones=(),
        order=None,
        why=texts.say("visit.lesson.left_out"),
        rule=("technique-check",),
        specification=Specification(),
    )
    return (*(item for item in items if item.tool != failed), left)


def _failed_tool(check: TechniqueCheck, kit: Sequence[KitItem]) -> str | None:
    """The owner's brush if it is not one for this coat; one that is may only have been worn out or too short."""
    if Fault.WRONG_TOOL not in check.faults or check.tool is None:
        return None
    usable = {item.tool for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)}
    return None if check.tool in usable or not catalogue().has_word("tool", check.tool) else check.tool


def changes(
    situation: CoatSituation,
    cleared: Triage,
    kit: Sequence[KitItem],
    *,
    week: Week | None,
    before: Week | None,
    language: str,
) -> tuple[PlanChange, ...]:
    """What the last check changes, technique first; empty if there was none.

    Args:
        situation: the dog with its visits.
        cleared: what may be done with it.
        kit, week: of the plan after the check.
        before: the week as it would be without the check.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    check = last_check(situation.notes)
    if check is None:
        return ()
    texts = catalogue(language, "visit")
    if week is None or not cleared.session.open:
        return (_change("wait", "wait", texts.say("lesson.wait"), (), "common practice, no source"),)
    stopped = ordered(set(check.stopped) & cleared.cleared(comb=True))
    if check.good:
        return (_change("keep", "keep", texts.say("lesson.keep"), (), "common practice, no source"),)
    found = [
        _change(rule["kind"], rule["id"], text, stopped, rule["source"])
        for rule in _rules(check)
        if (text := _sentence(rule, situation, stopped, kit, texts))
    ]
    found += _oftener(check.faults, stopped, week, before, texts)
    found += _length(situation, cleared, texts)
    return tuple(found)


def _change(kind: Any, rule: str, text: str, zones: tuple[BodyZone, ...], source: str) -> PlanChange:
    return PlanChange(kind=kind, rule=rule, text=text, zones=zones, source=source)


def _sentence(
    rule: Mapping[str, Any],
    situation: CoatSituation,
    stopped: tuple[BodyZone, ...],
    kit: Sequence[KitItem],
    texts: Catalogue,
) -> str:
    """The sentence of a rule; empty where all its places wait for vet or groomer."""
    check = last_check(situation.notes)
    assert check is not None
    if check.stopped and not stopped:
        return ""
    name = rule["id"]
    values = {"zones": texts.zones(stopped)}
    if name == "surface_only":
        return texts.say(f"lesson.surface_only{'' if line_brushed(situation) else '_short'}")
    if name == "skipped_zones":
        return texts.say(f"lesson.skipped_zones{'' if stopped else '_unnamed'}", **values)
    if name == "wrong_tool":
        return _tools_sentence(check, kit, texts)
    if name == "too_seldom":
        return ""  # the week itself says how often
    return texts.say(f"lesson.{name}", **values)


def _tools_sentence(check: TechniqueCheck, kit: Sequence[KitItem], texts: Catalogue) -> str:
    right = [item for item in kit if item.role is Role.ESSENTIAL]
    if not right:
        return ""
    tools = texts.joined(texts.tool(item.tool, inside=True) if texts.has_word("tool", item.tool) else item.name
                         for item in right)  # fmt: skip
    if any(item.tool == check.tool and item.role is Role.AVOID for item in kit):
        return texts.say("lesson.wrong_tool", tools=tools, tool=texts.tool(str(check.tool)))
    return texts.say("lesson.wrong_tool_unnamed", tools=tools)


def _oftener(
    faults: Sequence[Fault], stopped: tuple[BodyZone, ...], week: Week, before: Week | None, texts: Catalogue
) -> Iterator[PlanChange]:
    """Which places want the comb oftener since the check; where no day is left for more, to keep to the week."""
    row = next(rule for rule in data("technique")["rule"] if rule["kind"] == "frequency")
    days = week.sittings + week.touch_ups
    known: tuple[BodyZone, ...] = before.touch_up_zones if before else ()
    longer = before is None or days > before.sittings + before.touch_ups
    more = tuple(zone for zone in stopped if zone in week.touch_up_zones and (longer or zone not in known))
    if more and week.touch_ups:
        key = "oftener_seldom" if Fault.TOO_SELDOM in faults else "oftener"
        text = texts.say(f"lesson.{key}", zones=texts.zones(more), often=texts.often(days))
        yield _change("frequency", row["id"], text, more, row["source"])
    elif Fault.TOO_SELDOM in faults:
        text = texts.say("lesson.too_seldom", often=texts.often(week.sittings))
        yield _change("frequency", row["id"], text, stopped, row["source"])


def _length(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> Iterator[PlanChange]:
    """After several failed checks the length changes, or, where the coat is not cut, who brushes it out."""
    if not kept_short(situation.notes):
        return
    row = data("technique")["repeated"]
    key = "shorter" if may_be_cut(situation, cleared) else "brush_out"
    text = texts.say(f"lesson.{key}", n=_stops_in_a_row(situation.notes), weeks=row["brush_out_weeks"])
    yield _change("length", "repeated", text, (), row["source"])
