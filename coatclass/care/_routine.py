"""The routine: what to do in which order with this kit, how to know that it is done, how often. Texts: catalogues."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from coatclass.care._cautions import cautions
from coatclass.care._coat import categories, data, length_mm, line_brushed, sessions_for, zones_matted
from coatclass.care._load import RISK_ZONES, load
from coatclass.care._strokes import family, gentleness, stroke
from coatclass.care._time import time_budget
from coatclass.contract import CoatSituation, KitItem, Role, Routine, RoutineStep, ZoneFrequency
from coatclass.taxonomy import BANDS, BodyZone, MatState
from coatclass.words import Catalogue, catalogue

__all__ = ["routine"]

_COMBS = {"comb", "face_comb", "tail_comb"}
_NOT_YET = ("sores", "pain", "parasites")  # what a vet sees before anybody brushes


def routine(situation: CoatSituation, kit: Sequence[KitItem], language: str = "en") -> Routine:
    """What to do with this kit on this dog, in the order of the work.

    Pure and deterministic. Never empty: without a usable tool it still tells to look, to feel and whom to ask. Zones
    with hair tight to the skin or felted get no step with a tool.

    Args:
        situation: what is known of the dog.
        kit: the recommender's items; only essential and helpful ones are used.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    texts = catalogue(language, "care")
    leave = zones_matted(situation, MatState.TIGHT_MATS)
    tools = _in_use(kit, leave)
    applying = {caution.code for caution in cautions(situation, kit, language)}
    steps = (
        _look(texts),
        *_knots(situation, leave, texts),
        *(_tool_step(item, situation, leave, applying, texts) for item in tools),
        *_fingers(situation, tools, texts),
        *_again(situation, tools, leave, texts),
        *_leave(leave, texts),
        _end(situation, leave, texts),
    )
    frequencies = zone_frequencies(situation, texts)
    lined = line_brushed(situation)
    return Routine(
        sessions_per_week=(frequencies[-1].times_per_week, frequencies[0].times_per_week),
        minutes_per_session=_minutes(situation),
        steps=_numbered(steps, texts),
        bath=_bath_rule(situation, texts),
        hold=_hold(situation, leave, texts),
        leave=_ordered(leave),
        zones=frequencies,
        bath_steps=texts.lines("bath.steps" if lined else "bath.steps_short"),
        ladder=_ladder(situation, tools, leave, texts),
        errors=texts.lines("errors.all" if lined else "errors.short"),
        trial=_trial(situation, tools, texts),
        groomer_decides=_groomer_decides(situation, kit, texts),
    )


def _minutes(situation: CoatSituation) -> tuple[float, float] | None:
    """Minutes of one sitting, low and high; None without a weight."""
    budget = time_budget(situation)
    if budget is None:
        return None
    return float(round(0.75 * budget.sitting_minutes)), float(math.ceil(budget.sitting_minutes))


def zone_frequencies(situation: CoatSituation, texts: Catalogue) -> tuple[ZoneFrequency, ...]:
    """How often which zones want the comb, the most frequent first; the last row is the whole dog.

    Zones that wait for the groomer are in no row of their own.
    """
    extra = data("load")["extra_sessions"]
    base = math.ceil(sessions_for(categories(situation), length_mm(situation)) - 0.5)
    leave = zones_matted(situation, MatState.TIGHT_MATS)
    risky = [row for row in load(situation) if row.zone in RISK_ZONES and row.zone not in leave]
    rows = []
    for level in ("high", "moderate"):
        zones = tuple(row.zone for row in risky if row.level == level)
        often = min(extra["most"], base + extra[level])
        if zones and often > base:
            rows.append(ZoneFrequency(zones=zones, times_per_week=often, why=texts.say(f"frequency.{level}")))
    return (*rows, ZoneFrequency(zones=(), times_per_week=base, why=texts.say("frequency.base")))


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


def _in_use(kit: Sequence[KitItem], leave: frozenset[BodyZone]) -> tuple[KitItem, ...]:
    """Essential and helpful items in the order of work that still have a zone to work on."""
    usable = [
        item
        for item in kit
        if item.role in (Role.ESSENTIAL, Role.HELPFUL) and (not item.zones or set(item.zones) - leave)
    ]
    return tuple(sorted(usable, key=lambda item: (item.order is None, item.order or 0)))


def _ordered(zones: Iterable[BodyZone]) -> tuple[BodyZone, ...]:
    chosen = set(zones)
    return tuple(zone for zone in BodyZone if zone in chosen)


def _without(zones: Sequence[BodyZone], leave: frozenset[BodyZone]) -> tuple[BodyZone, ...]:
    """The zones of a step less those that wait for the groomer; no zones means the whole dog."""
    if not leave:
        return _ordered(zones)
    return _ordered(set(zones or BodyZone) - leave)


def _step(texts: Catalogue, name: str, zones: Sequence[BodyZone] = (), key: str | None = None) -> RoutineStep:
    return RoutineStep(
        order=0,
        tool=None,
        zones=tuple(zones),
        title=texts.say(f"step.{name}_title"),
        do=texts.say(f"step.{key or name}"),
        done_when=texts.say(f"step.{key or name}_done"),
        technique=name,
    )


def _look(texts: Catalogue) -> RoutineStep:
    return _step(texts, "look")


def _loose_knots(situation: CoatSituation, leave: frozenset[BodyZone]) -> frozenset[BodyZone]:
    return frozenset(zones_matted(situation, MatState.TANGLES) - leave)


def _knots(situation: CoatSituation, leave: frozenset[BodyZone], texts: Catalogue) -> tuple[RoutineStep, ...]:
    zones = _loose_knots(situation, leave)
    return (_step(texts, "knots", _ordered(zones)),) if zones else ()


def _tool_step(
    item: KitItem, situation: CoatSituation, leave: frozenset[BodyZone], applying: set[str], texts: Catalogue
) -> RoutineStep:
    technique = stroke(item.tool, line_brushed(situation))
    at_this_stroke = data("techniques")["stroke_cautions"].get(technique, ())
    return RoutineStep(
        order=0,
        tool=item.tool,
        zones=_without(item.zones, leave),
        title=item.name,
        do=texts.say(f"technique.{technique}.do"),
        done_when=texts.say(f"technique.{technique}.done"),
        technique=technique,
        errors=texts.lines(f"technique.{technique}.errors"),
        cautions=tuple(code for code in at_this_stroke if code in applying),
    )


def _fingers(situation: CoatSituation, tools: Sequence[KitItem], texts: Catalogue) -> tuple[RoutineStep, ...]:
    """Where the coat needs the comb check and the kit has no comb, fingers have to do."""
    if not line_brushed(situation) or any(family(item.tool) in _COMBS for item in tools):
        return ()
    return (_step(texts, "fingers"),)


def _again(
    situation: CoatSituation, tools: Sequence[KitItem], leave: frozenset[BodyZone], texts: Catalogue
) -> tuple[RoutineStep, ...]:
    """The weekly order of a wire coat ends with the slicker over all again."""
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
            zones=_without(slicker.zones, leave),
            title=texts.say("step.again_title", tool=slicker.name),
            do=texts.say("step.again"),
            done_when=texts.say("step.again_done"),
            technique="again",
        ),
    )


def _leave(leave: frozenset[BodyZone], texts: Catalogue) -> tuple[RoutineStep, ...]:
    return (_step(texts, "leave", _ordered(leave)),) if leave else ()


def _end(situation: CoatSituation, leave: frozenset[BodyZone], texts: Catalogue) -> RoutineStep:
    last_look = {BodyZone.BEHIND_EARS, BodyZone.ARMPITS, BodyZone.NECK, BodyZone.BELLY, BodyZone.FEET} - leave
    if not line_brushed(situation):
        return _step(texts, "end", (), "end_short")
    return _step(texts, "end", _ordered(last_look))


def _bath_rule(situation: CoatSituation, texts: Catalogue) -> str:
    worst = situation.worst_mats
    if worst is not None and worst.severity >= MatState.MATS.severity:
        return texts.say("bath.never_now")
    return texts.say("bath.rule")


def _hold(situation: CoatSituation, leave: frozenset[BodyZone], texts: Catalogue) -> str:
    trouble = [word for word in _NOT_YET if word in situation.skin_trouble]
    sentences = []
    if trouble:
        names = texts.joined(texts.say(f"hold.trouble_{word}") for word in trouble)
        sentences.append(texts.say("hold.vet", trouble=names))
    if BodyZone.TRUNK in leave or BodyZone.LEGS in zones_matted(situation, MatState.FELTED):
        sentences.append(texts.say("hold.groomer"))
    return " ".join(sentences)


def _ladder(
    situation: CoatSituation, tools: Sequence[KitItem], leave: frozenset[BodyZone], texts: Catalogue
) -> tuple[str, ...]:
    if not _loose_knots(situation, leave):
        return ()
    wanted = data("techniques")["knots"]
    tool = next((item.name for name in wanted["families"] for item in tools if family(item.tool) == name), None)
    return texts.lines(
        "ladder.steps",
        tool=tool or texts.say("ladder.fingers"),
        knot_minutes=wanted["knot_minutes"],
        day_minutes=wanted["day_minutes"],
    )


def _trial(situation: CoatSituation, tools: Sequence[KitItem], texts: Catalogue) -> tuple[str, ...]:
    """While the coat is uncertain: brushes gentlest first, the comb as judge; none where the flank is matted tight."""
    if len(categories(situation)) < 2 or BodyZone.TRUNK in zones_matted(situation, MatState.TIGHT_MATS):
        return ()
    tried = data("techniques")["trial"]["families"]
    brushes = sorted((item for item in tools if family(item.tool) in tried), key=lambda item: gentleness(item.tool))
    lines = [
        texts.say("trial.first" if number == 0 else "trial.stops", tool=item.name)
        for number, item in enumerate(brushes)
    ]
    return (*lines, texts.say("trial.last"))


def _groomer_decides(situation: CoatSituation, kit: Sequence[KitItem], texts: Catalogue) -> tuple[str, ...]:
    possible = categories(situation)
    lines = []
    if len(possible) > 1:
        names = texts.either(map(texts.coat, possible))
        lines.append(texts.say("trial.decide_coat", categories=names))
    if situation.measured_mm is None and len(situation.bands) > 1:
        bands = [texts.band(band) for band in BANDS if band in situation.bands]
        lines.append(texts.say("trial.decide_length", bands=texts.either(bands)))
    later = [item.name for item in kit if item.role is Role.LATER]
    if later:
        lines.append(texts.say("trial.decide_later", tools=texts.joined(later)))
    return tuple(lines)
