"""What to do with which tool, where and in which order, and how to get a dog used to it. Words: the care texts.

Everything here obeys the triage: a zone that is not cleared for a tool is in no step, and while there are no sittings
only hands, training and what to leave alone are left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from coatclass.care.coat import (
    CANNOT_BEAR,
    PUPPY,
    categories,
    data,
    family,
    gentleness,
    line_brushed,
    ordered,
    stroke,
    zones_matted,
)
from coatclass.care.minutes import may_be_cut
from coatclass.contract import (
    CoatSituation,
    KitItem,
    Role,
    Routine,
    RoutineStep,
    Touch,
    TrainingStep,
    Triage,
    Week,
    Who,
    ZoneFrequency,
)
from coatclass.taxonomy import BANDS, BodyZone, MatState
from coatclass.triage import bare, toolless
from coatclass.triage import rules as triage_rules
from coatclass.words import Catalogue, catalogue

__all__ = ["routine", "training", "training_cautions"]

_COMBS = {"comb", "face_comb", "tail_comb"}
_OPENS_KNOTS = {"coated_slicker", "slicker", "firm_slicker", "strong_slicker", "pin_brush"}
_LAST_LOOK = (
    BodyZone.BEHIND_EARS,
    BodyZone.ARMPITS,
    BodyZone.NECK,
    BodyZone.BELLY,
    BodyZone.HARNESS_PATH,
    BodyZone.FEET,
)
_VETS = ("sores", "pain", "parasites", "redness")
"""Troubles that can close the session, in the order in which they are named."""


def routine(
    situation: CoatSituation,
    cleared: Triage,
    kit: Sequence[KitItem],
    week: Week | None,
    *,
    codes: Iterable[str] = (),
    language: str = "en",
) -> Routine:
    """What to do with this kit on this dog, in the order of the work.

    Pure and deterministic. Never empty: without a usable tool it still tells what to leave alone and whom to ask.

    Args:
        situation: what is known of the dog.
        cleared: what may be done with it, where.
        kit: tools whose zones obey the triage; only essential and helpful ones are used.
        week: how often; None while there are no sittings.
        codes: cautions that apply, to be shown at the steps where they matter.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    texts = catalogue(language, "care")
    tools = _in_use(kit) if week else ()
    steps = [
        *_look(cleared, texts),
        *(_sitting(situation, cleared, tools, set(codes), texts) if week else ()),
        *_left_alone(situation, cleared, texts),
        *(_end(situation, cleared, tools, texts) if week else ()),
    ]
    bathes = cleared.bath.open and week is not None
    return Routine(
        sessions_per_week=(float(week.rounds), float(week.sittings + week.touch_ups)) if week else (0.0, 0.0),
        minutes_per_session=_minutes(week),
        steps=_numbered(steps, texts),
        bath=texts.say(f"bath.rule{_bath_rule(situation, tools)}") if bathes else _no_bath(cleared, texts),
        hold=_hold(situation, cleared, texts),
        leave=cleared.left_alone,
        zones=_frequencies(cleared, week, texts),
        bath_steps=texts.lines(f"bath.steps{_of_length(situation)}") if bathes else (),
        ladder=_ladder(situation, cleared, tools, texts),
        errors=_errors(situation, cleared, texts) if week else (),
        trial=_trial(situation, tools, texts) if week else (),
        groomer_decides=_groomer_decides(situation, cleared, kit, texts),
    )


# --- how often --------------------------------------------------------------------------------------------------------


def _minutes(week: Week | None) -> tuple[float, float] | None:
    """Minutes of one sitting, low and high; None without a weight."""
    if week is None or week.sitting_minutes is None:
        return None
    return float(max(1, round(0.75 * week.sitting_minutes))), week.sitting_minutes


def _frequencies(cleared: Triage, week: Week | None, texts: Catalogue) -> tuple[ZoneFrequency, ...]:
    """How often which zones want the comb, the most frequent first; the last row is all that may be combed."""
    if week is None:
        return ()
    rows = [ZoneFrequency(zones=ordered(cleared.cleared(comb=True)), times_per_week=week.rounds,
                          why=texts.say("frequency.base"))]  # fmt: skip
    if week.touch_up_zones:
        often = week.sittings + week.touch_ups
        rows.insert(0, ZoneFrequency(zones=week.touch_up_zones, times_per_week=often, why=texts.say("frequency.high")))
    return tuple(rows)


# --- steps ------------------------------------------------------------------------------------------------------------


def _sitting(
    situation: CoatSituation, cleared: Triage, tools: Sequence[KitItem], codes: set[str], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """The steps with a tool in the hand."""
    opened = any(family(item.tool) in _OPENS_KNOTS for item in tools)
    return (
        *_knots(situation, cleared, texts),
        *(_tool_step(item, situation, codes, texts, alone=not opened) for item in tools),
        *_fingers(situation, cleared, tools, texts),
        *_cloth(situation, cleared, tools, texts),
        *_again(situation, tools, codes, texts),
    )


def _numbered(steps: Sequence[RoutineStep], texts: Catalogue) -> tuple[RoutineStep, ...]:
    """Number the steps; a stroke that was explained already is only pointed to."""
    explained: dict[str, int] = {}
    numbered = []
    for number, step in enumerate(steps, start=1):
        change: dict[str, object] = {"order": number}
        if step.technique in explained:
            change |= {"do": texts.say("step.same", order=explained[step.technique]), "errors": ()}
        explained.setdefault(step.technique, number)
        numbered.append(step.model_copy(update=change))
    return tuple(numbered)


def _in_use(kit: Sequence[KitItem]) -> tuple[KitItem, ...]:
    """Essential and helpful items with a zone to work on, in the order of work."""
    usable = [item for item in kit if item.role in (Role.ESSENTIAL, Role.HELPFUL) and item.zones]
    return tuple(sorted(usable, key=lambda item: (item.order is None, item.order or 0)))


def _step(
    texts: Catalogue, name: str, there: Iterable[BodyZone], key: str | None = None, **values: object
) -> RoutineStep:
    return RoutineStep(
        order=0,
        tool=None,
        zones=ordered(there),
        title=texts.say(f"step.{name}_title"),
        do=texts.say(f"step.{key or name}", **values),
        done_when=texts.say(f"step.{key or name}_done"),
        technique=name,
    )


def _touched(cleared: Triage) -> frozenset[BodyZone]:
    """Zones that hands may feel."""
    return frozenset(one.zone for one in cleared.zones if one.touch is not Touch.NOTHING)


def _look(cleared: Triage, texts: Catalogue) -> tuple[RoutineStep, ...]:
    """The look before everything else: with the eyes only where hands have to be trained first."""
    zones = _touched(cleared)
    if not zones:
        return ()
    if CANNOT_BEAR in cleared.rules:
        look = _step(texts, "look", zones, "look_eyes")
        return (look.model_copy(update={"title": texts.say("step.look_eyes_title")}),)
    if zones == cleared.having:
        return (_step(texts, "look", zones),)
    return (_step(texts, "look", zones, "look_some", zones=texts.zones(zones, having=cleared.having)),)


def _loose_knots(situation: CoatSituation, cleared: Triage) -> frozenset[BodyZone]:
    """Knots that may be worked out at home."""
    return zones_matted(situation, MatState.TANGLES) & cleared.knots if cleared.session.open else frozenset()


def _knots(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> tuple[RoutineStep, ...]:
    zones = _loose_knots(situation, cleared)
    return (_step(texts, "knots", zones),) if zones else ()


def _tool_step(
    item: KitItem, situation: CoatSituation, codes: set[str], texts: Catalogue, *, alone: bool
) -> RoutineStep:
    """One tool; ``alone``: no brush of the kit opens a knot, so that a comb that stops can't send back to one."""
    technique = stroke(item.tool, line_brushed(situation))
    way = "do_alone" if alone and technique == "comb_to_skin" else "do"
    at_this_stroke = data("techniques")["stroke_cautions"].get(technique, ())
    return RoutineStep(
        order=0,
        tool=item.tool,
        zones=ordered(item.zones),
        title=item.name,
        do=texts.say(f"technique.{technique}.{way}"),
        done_when=texts.say(f"technique.{technique}.done"),
        technique=technique,
        errors=texts.lines(f"technique.{technique}.errors"),
        cautions=tuple(code for code in (*at_this_stroke, *_at_a_lump(item, situation)) if code in codes),
    )


def _at_a_lump(item: KitItem, situation: CoatSituation) -> tuple[str, ...]:
    """The caution that sends a tool round a lump, where its part of the dog has one or nobody said which part has."""
    there = {zone for zone, trouble in situation.skin.items() if trouble == "lump"}
    unplaced = not there and "lump" in situation.skin_trouble
    return ("round_lump",) if unplaced or there & set(item.zones) else ()


def _has_comb(tools: Sequence[KitItem]) -> bool:
    return any(family(item.tool) in _COMBS for item in tools)


def _fingers(
    situation: CoatSituation, cleared: Triage, tools: Sequence[KitItem], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """Where the coat needs the comb check and the kit has no comb, fingers must do."""
    if _of_length(situation) or _has_comb(tools):
        return ()
    return (_step(texts, "fingers", _touched(cleared)),)


def _cloth(
    situation: CoatSituation, cleared: Triage, tools: Sequence[KitItem], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """Hand and cloth for what no tool reaches: face and top of the head; on a short coat whatever is left."""
    reached = {zone for item in tools for zone in item.zones} | zones_matted(situation, MatState.TANGLES)
    left = cleared.cleared() - reached
    if not _of_length(situation):
        # A top knot is brushed; on other coats the hair of the head is short.
        left &= {BodyZone.FACE} if BodyZone.TOP_KNOT in cleared.having else {BodyZone.FACE, BodyZone.SKULL}
    return (_step(texts, "cloth", left, "cloth" if BodyZone.FACE in left else "cloth_rest"),) if left else ()


def _again(
    situation: CoatSituation, tools: Sequence[KitItem], codes: set[str], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """A wire coat's weekly session ends by going over everything with the slicker once more."""
    rule = data("techniques")["again"]
    if {str(category) for category in situation.categories} != set(rule["categories"]):
        return ()
    slicker = next((item for wanted in rule["families"] for item in tools if family(item.tool) == wanted), None)
    if slicker is None:
        return ()
    return (
        RoutineStep(
            order=0,
            tool=slicker.tool,
            zones=ordered(slicker.zones),
            title=texts.say("step.again_title", tool=_inside(slicker, texts)),
            do=texts.say("step.again"),
            done_when=texts.say("step.again_done"),
            technique="again",
            cautions=tuple(code for code in _at_a_lump(slicker, situation) if code in codes),
        ),
    )


def _left_alone(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> tuple[RoutineStep, ...]:
    """What waits for vet or groomer: sore places, felt, and knots that are no owner's work."""
    tight = zones_matted(situation, MatState.TIGHT_MATS)
    left = {one.zone: one.first for one in cleared.zones if one.touch is Touch.NOTHING}
    vets = {zone for zone, first in left.items() if first is Who.VET}
    groomers = set(left) - vets
    parts = (("leave_vet", vets), ("leave", groomers & tight), ("leave_knots", groomers - tight))
    return tuple(_step(texts, name, zones) for name, zones in parts if zones)


def _of_length(situation: CoatSituation) -> str:
    """The ending of the texts that differ for bare skin, a short coat, and one that is brushed line by line."""
    return "_bare" if bare(situation) else "" if line_brushed(situation) else "_short"


def _bath_rule(situation: CoatSituation, tools: Sequence[KitItem]) -> str:
    """The ending of the bath's rule: whatever is combed is combed through before any water."""
    length = _of_length(situation)
    return "" if length == "_short" and _has_comb(tools) else length


def _end(
    situation: CoatSituation, cleared: Triage, tools: Sequence[KitItem], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """The last check, only where a comb or a hand may go."""
    lined = line_brushed(situation) and not bare(situation)
    combed, touched = cleared.cleared(comb=True) & set(_LAST_LOOK), _touched(cleared)
    if lined and combed and _has_comb(tools):
        return (_step(texts, "end", combed, zones=texts.zones(combed)),)
    if lined:
        felt = touched & set(_LAST_LOOK) or touched
        return (_step(texts, "end", felt, "end_fingers", zones=texts.zones(felt)),)
    return (_step(texts, "end", touched, f"end{_of_length(situation)}"),)


# --- knots, bath, hold ------------------------------------------------------------------------------------------------


def _ladder(situation: CoatSituation, cleared: Triage, tools: Sequence[KitItem], texts: Catalogue) -> tuple[str, ...]:
    """What may be tried on a knot, with tools that are allowed in that place."""
    zones = _loose_knots(situation, cleared) if tools else frozenset()
    if not zones:
        return ()
    limits = data("techniques")["knots"]
    last = "ladder.shorter" if may_be_cut(situation, cleared) else "ladder.brushed_out"
    lines = texts.lines(
        "ladder.steps",
        tool=_knot_tools(zones, cleared, tools, texts),
        knot_minutes=limits["knot_minutes"],
        day_minutes=limits["day_minutes"],
    )
    return (*lines, texts.say(last))


def _knot_tools(zones: frozenset[BodyZone], cleared: Triage, tools: Sequence[KitItem], texts: Catalogue) -> str:
    """The best tool for each knot, one for all of them if there is one: ``firm slicker on legs; wide comb on ears``."""
    ranked = [item for name in data("techniques")["knots"]["families"] for item in tools if family(item.tool) == name]
    left, found = set(zones), []
    for item in sorted(ranked, key=lambda item: not zones <= set(item.zones)):
        if here := left & set(item.zones):
            found.append((_inside(item, texts), ordered(here)))
            left -= here
    if left:
        found.append((texts.say("ladder.fingers"), ordered(left)))
    if len(found) == 1:
        return found[0][0]
    return "; ".join(texts.say("ladder.tool_on", tool=name, zones=texts.zones(here)) for name, here in found)


def _no_bath(cleared: Triage, texts: Catalogue) -> str:
    """Why there is no bath now; the vet's reasons first."""
    if cleared.bath.first is Who.VET:
        return texts.say("bath.vet_first")
    if (rule := toolless(cleared)) in cleared.bath.rules:
        return texts.say(f"bath.{rule}")
    if CANNOT_BEAR in cleared.bath.rules and not {"mats", "tight-mats"} & set(cleared.bath.rules):
        return texts.say("bath.training_first")
    return texts.say("bath.knots_first" if cleared.bath.first is Who.OWNER else "bath.never_now")


def _hold(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> str:
    """Why nobody may brush now; empty while there are sittings."""
    if cleared.session.open:
        return ""
    rules, sentences = cleared.session.rules, []
    trouble = [word for word in _VETS if word in rules]
    if trouble:
        names = texts.joined(texts.say(f"hold.trouble_{word}") for word in trouble)
        sentences.append(texts.say("hold.vet", trouble=names))
    if cleared.comes_off:
        sentences.append(texts.say("hold.groomer"))
    if (rule := toolless(cleared)) in rules and not cleared.comes_off:
        sentences.append(texts.say(f"hold.{rule}"))
    if CANNOT_BEAR in rules:
        sentences.append(texts.say("hold.training" if cleared.training.open else "hold.training_later"))
    return " ".join(sentences)


# --- what usually goes wrong, and what stays open ---------------------------------------------------------------------


def _errors(situation: CoatSituation, cleared: Triage, texts: Catalogue) -> tuple[str, ...]:
    length = _of_length(situation).removeprefix("_") or "all"
    grown = texts.lines("errors.grown") if length == "all" and PUPPY not in cleared.rules else ()
    return (*texts.lines(f"errors.{length}"), *grown)


def _trial(situation: CoatSituation, tools: Sequence[KitItem], texts: Catalogue) -> tuple[str, ...]:
    """While the coat is uncertain: brushes for the flank, the gentlest that is needed first, the comb as judge."""
    if len(categories(situation)) < 2:
        return ()
    tried = data("techniques")["trial"]["families"]
    brushes = [item for item in tools if family(item.tool) in tried and BodyZone.TRUNK in item.zones]
    if not brushes:
        return ()
    brushes.sort(key=lambda item: (gentleness(item.tool), item.role is not Role.ESSENTIAL))
    needed = next((number for number, item in enumerate(brushes) if item.role is Role.ESSENTIAL), 0)
    brushes = brushes[needed:]  # nobody should buy a brush only to try it out
    judge = "comb" if _has_comb(tools) else "fingers"
    lines = [
        texts.say("trial.first" if number == 0 else f"trial.stops_{judge}", tool=_inside(item, texts))
        for number, item in enumerate(brushes)
    ]
    return (*lines, texts.say(f"trial.last_{judge}"))


def _groomer_decides(
    situation: CoatSituation, cleared: Triage, kit: Sequence[KitItem], texts: Catalogue
) -> tuple[str, ...]:
    possible = categories(situation)
    lines = []
    if len(possible) > 1:
        lines.append(texts.say("trial.decide_coat", categories=texts.either(map(texts.coat, possible))))
    if situation.measured_mm is None and len(situation.bands) > 1 and not cleared.comes_off:
        bands = [texts.band(band) for band in BANDS if band in situation.bands]
        lines.append(texts.say("trial.decide_length", bands=texts.either(bands)))
    later = [_inside(item, texts) for item in kit if item.role is Role.LATER and not _stopped(item)]
    if later and cleared.shopping.open:
        lines.append(texts.say("trial.decide_later", tools=texts.joined(later)))
    return tuple(lines)


def _stopped(item: KitItem) -> bool:
    """Whether a tool waits for vet, groomer's work or training, not for what a groomer finds out of the coat."""
    return any(rule.id in item.rule[:1] for rule in triage_rules())


def _inside(item: KitItem, texts: Catalogue) -> str:
    """A tool's name inside a sentence; a tool that only the groomer knows keeps the groomer's."""
    return texts.tool(item.tool, inside=True) if texts.has_word("tool", item.tool) else item.name


# --- training ---------------------------------------------------------------------------------------------------------


def training(cleared: Triage, language: str = "en") -> tuple[TrainingStep, ...]:
    """Getting used to the brush, in seconds that grow; empty for a dog that needs none or must not be trained yet.

    A dog that can't bear the brush goes the whole way before anybody brushes it; a pup goes a shorter one, beside its
    short rounds. Source of the order: common practice, no source; days and seconds are assumptions
    (``data/training.toml``).
    """
    rules = data("training")
    gentle = cleared.cleared("gentle")
    where = next((BodyZone(zone) for zone in rules["where"]["zones"] if zone in gentle), None)
    days = "days" if CANNOT_BEAR in cleared.rules else "puppy_days" if PUPPY in cleared.rules else ""
    if not days or not cleared.training.open or where is None:
        return ()
    texts = catalogue(language, "care")
    place = texts.zone(where)
    return tuple(
        TrainingStep(
            days=row[days],
            seconds=row["seconds"],
            do=texts.say(f"training.{row['id']}.do", place=place, seconds=texts.number(row["seconds"], 0),
                         others=texts.zones(gentle, having=cleared.having)),
            go_on_when=texts.say(f"training.{row['id']}.go_on"),
        )
        for row in rules["step"] if days in row
    )  # fmt: skip


def training_cautions() -> tuple[str, ...]:
    """Codes of the cautions that stand with every training: the signs to stop, and who helps."""
    return tuple(data("training")["says"]["cautions"])
