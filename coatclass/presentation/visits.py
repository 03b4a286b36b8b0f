"""What visits left behind and bring: last time against this time, the course, the lengths to come, what to feel."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date

from coatclass.contract import ToFeel, VisitNote
from coatclass.presentation.blocks import Block, Facts, Items, Picture, StepRow, Steps, Table, Text
from coatclass.presentation.drawing import Drawing, Label, Line
from coatclass.presentation.pictures import dog_outline
from coatclass.presentation.wording import Subject, percent
from coatclass.taxonomy import ZONES, BodyZone
from coatclass.words import Catalogue

__all__ = ["checked", "checks", "clips", "course", "course_chart", "feel", "risk_chart", "touch_map"]

_MOST_VISITS = 6  # columns of the chart


# --- last time and this time ------------------------------------------------------------------------------------------


def checks(of: Subject) -> tuple[VisitNote, ...]:
    """The last two visits with a technique check, the newer one last."""
    notes = of.plan.now.situation.notes if of.plan else ()
    return tuple(note for note in notes if note.check is not None)[-2:]


def checked(of: Subject) -> Iterator[Block]:
    """How the comb went last time and this time, and what changes."""
    shown = checks(of)
    if not shown:
        return
    assert of.plan is not None
    words = of.words
    taught = tuple(change.text for change in of.plan.changes if change.kind not in ("keep", "wait"))
    yield from (Text(change.text, "headline") for change in of.plan.changes if change.kind in ("keep", "wait"))
    if taught:
        yield Items(taught)
    tried = {zone for note in shown if note.check for zone in (*note.check.passed, *note.check.stopped)}
    rows = [(words.title(words.zone(zone)), *(_went(note, zone, words) for note in shown))
            for zone in ZONES if zone in tried]  # fmt: skip
    rows.append((words.say("visit.course.faults"), *(_faults(note, words) for note in shown)))
    if any(note.length_mm is not None for note in shown):
        rows.append((words.say("visit.course.length"), *(_length(note, words) for note in shown)))
    head = (words.say("visit.course.zone"), *(words.day(note.on) for note in shown))
    yield Table(head, tuple(rows), (0.4, *(0.6 / len(shown) for _ in shown)))


def _went(note: VisitNote, zone: BodyZone, words: Catalogue) -> str:
    assert note.check is not None
    key = "passed" if zone in note.check.passed else "stopped" if zone in note.check.stopped else "untried"
    return words.say(f"visit.course.{key}")


def _faults(note: VisitNote, words: Catalogue) -> str:
    assert note.check is not None
    named = words.joined(words.say(f"visit.fault.{fault}") for fault in note.check.faults)
    return named or words.say("visit.course.none" if note.check.good else "visit.course.untried")


def _length(note: VisitNote, words: Catalogue) -> str:
    return words.say("visit.course.untried") if note.length_mm is None else words.mm(note.length_mm)


# --- the course -------------------------------------------------------------------------------------------------------


def course(of: Subject) -> Iterator[Block]:
    """Whether it works: the visits side by side."""
    notes = of.plan.now.situation.notes if of.plan else ()
    if len(notes) > 1 and any(note.check is not None for note in notes):
        yield Picture(course_chart(notes, of.words))


def course_chart(notes: Sequence[VisitNote], words: Catalogue) -> Drawing:
    """The last visits as columns: the comb by zone, worst knots, minutes on the table, length; no colour needed.

    Args:
        notes: the oldest first.
        words: the language of the picture.
    """
    shown = notes[-_MOST_VISITS:]
    tried = [zone for zone in ZONES
             if any(note.check and zone in (*note.check.passed, *note.check.stopped) for note in shown)]  # fmt: skip
    left, top, column, row = 178.0, 52.0, 92.0, 24.0
    width = left + column * len(shown) + 8
    shapes: list[Line | Label] = []
    for number, note in enumerate(shown):
        x = left + column * (number + 0.5)
        shapes.append(Label((x, 18), f"{note.on.day}{words.say('plan.chart.day')}{words.month(note.on)}", 13, "middle",
                            bold=True))  # fmt: skip
        if note.on.month > 1:  # January carries its year
            shapes.append(Label((x, 34), str(note.on.year), 11, "middle"))
        for place, zone in enumerate(tried):
            shapes += _mark(note, zone, x, top + row * (place + 0.5))
    y = top
    for zone in tried:
        shapes.append(Label((8, y + row / 2 + 5), words.title(words.zone(zone)), 13))
        y += row
        shapes.append(Line(((8, y), (width - 8, y)), 0.4, grey=0.75))
    for name in ("knots", "minutes", "length"):
        values = [_value(name, note, words) for note in shown]
        if not any(values):
            continue
        shapes.append(Label((8, y + row / 2 + 5), words.say(f"visit.course.{name}"), 13))
        shapes += [Label((left + column * (number + 0.5), y + row / 2 + 5), value or "–", 12, "middle")
                   for number, value in enumerate(values)]  # fmt: skip
        y += row
        shapes.append(Line(((8, y), (width - 8, y)), 0.4, grey=0.75))
    y += 22
    for x, name, filled in ((16.0, "legend_passed", False), (190.0, "legend_stopped", True)):
        shapes += [*_ring(x, y - 5, filled=filled), Label((x + 12, y), words.say(f"visit.course.{name}"), 12)]
    told = " ".join(_told(note, words) for note in shown)
    return Drawing((0, 0, max(width, 620.0), y + 12), tuple(shapes), words.say("visit.course.title"), told)


def _mark(note: VisitNote, zone: BodyZone, x: float, y: float) -> Iterator[Line]:
    if note.check is not None and zone in note.check.passed:
        yield from _ring(x, y, filled=False)
    elif note.check is not None and zone in note.check.stopped:
        yield from _ring(x, y, filled=True)


def _ring(x: float, y: float, *, filled: bool, r: float = 6.5) -> Iterator[Line]:
    turns = [math.tau * part / 24 for part in range(24)]
    edge = tuple((x + r * math.cos(turn), y + r * math.sin(turn)) for turn in turns)
    yield Line(edge, 1.6, closed=True, fill=0.0 if filled else 1.0)


def _value(name: str, note: VisitNote, words: Catalogue) -> str:
    """Worst knots, minutes or length of a visit; empty if nobody noted it."""
    if name == "knots":
        worst = max(note.mats.values(), key=lambda state: state.severity, default=None)
        return "" if worst is None else words.word("mat_state", worst)
    if name == "minutes":
        return "" if note.minutes is None else words.number(note.minutes, 0)
    return "" if note.length_mm is None else f"{words.number(note.length_mm, 0)} mm"


def _told(note: VisitNote, words: Catalogue) -> str:
    """One visit in words, for those who can't see the chart."""
    parts = []
    if note.check is not None and note.check.passed:
        parts.append(words.say("visit.course.went", zones=words.joined(map(words.zone, note.check.passed))))
    if note.check is not None and note.check.stopped:
        parts.append(words.say("visit.course.stood", zones=words.joined(map(words.zone, note.check.stopped))))
    if worst := _value("knots", note, words):
        parts.append(words.say("visit.course.worst", state=worst))
    if note.minutes is not None:
        parts.append(words.say("visit.course.took", minutes=words.minutes(note.minutes)))
    if note.length_mm is not None:
        parts.append(words.say("visit.course.long", mm=words.mm(note.length_mm)))
    return words.say("visit.course.visit", day=words.day(note.on), what="; ".join(parts) or "–")


def risk_chart(rows: Sequence[tuple[str, float, float, float]], words: Catalogue) -> Drawing:
    """Shares of zones with knots by what the model called them, as bars with their intervals.

    Args:
        rows: level, share, low and high end of its interval, [0, 1].
        words: the language of the picture, all rooms.
    """
    left, width, row = 120.0, 420.0, 34.0
    shapes: list[Line | Label] = []
    told = []
    for number, (level, *values) in enumerate(rows):
        y = 20 + row * number
        share, low, high = (left + width * value for value in values)
        box = ((left, y), (share, y), (share, y + 16), (left, y + 16))
        shapes += [Label((left - 8, y + 13), words.word("risk", level), 13, "right"),
                   Line(box, 1.0, closed=True, fill=0.75),
                   Line(((low, y + 8), (high, y + 8)), 2.0),
                   *(Line(((x, y + 3), (x, y + 13)), 2.0) for x in (low, high))]  # fmt: skip
        told.append(f"{words.word('risk', level)}: {percent(values[0], words)}")
    bottom = 20 + row * len(rows)
    shapes.append(Line(((left, 10), (left, bottom), (left + width, bottom)), 1.2))
    for part in range(0, 5):
        x = left + width * part / 4
        shapes += [Line(((x, bottom), (x, bottom + 5)), 1.0), Label((x, bottom + 20), f"{25 * part} %", 12, "middle")]
    view = (0.0, 0.0, left + width + 30, bottom + 28)
    return Drawing(view, tuple(shapes), words.say("visit.holds.picture"), "; ".join(told))


# --- the visits to come -----------------------------------------------------------------------------------------------


def clips(of: Subject) -> Iterator[Block]:
    """At which length the dog leaves each of the coming visits, or what is done instead of clipping."""
    if of.plan is None or not of.plan.clips:
        return
    words, rungs = of.words, of.plan.clips
    kinds = {rung.kind for rung in rungs}
    if kinds & {"clip", "tidy"}:
        mm_six_weeks = 42 * of.plan.growth.rate.mean
        yield Text(words.say("visit.clips.why_clip", grown=words.about_mm(mm_six_weeks)))
        rows = []
        for rung in rungs:
            at = _when(rung.on, of.plan.today, words)
            rows.append((at, "–" if rung.grown_mm is None else words.about_mm(rung.grown_mm), words.title(rung.text)))
        yield Table(words.lines("visit.clips.head"), tuple(rows), (0.24, 0.22, 0.54))
        if of.plan.growth.rate.based_on == "prior":
            yield Text(words.say("visit.clips.assumed"), "quiet")
        return
    yield Text(words.say(f"visit.clips.{'why_strip' if 'strip' in kinds else 'why_uncut'}"))
    if "strip" in kinds and of.plan.routine_phase.situation.weeks_since_stripped is None:
        yield Text(words.say("visit.clips.strip_unknown"))
    yield Facts(tuple((_when(rung.on, of.plan.today, words), words.title(rung.text)) for rung in rungs))


def _when(day: date, today: date, words: Catalogue) -> str:
    return words.title(words.say("visit.clips.now")) if day == today else words.day(day)


# --- what to feel -----------------------------------------------------------------------------------------------------


def feel(of: Subject) -> Iterator[Block]:
    """Where to put the fingers on a doubtful coat, and what each outcome leaves."""
    wanted = of.assessment.feel if of.assessment else ()
    if not wanted:
        return
    from coatclass.genetics import touch_words  # only where hands must decide

    words = of.words
    yield Text(words.say("visit.feel.lead"))
    yield Picture(touch_map(wanted, words))
    rows = []
    for one in wanted:
        ask, how = touch_words(one.touch, words.language)
        rows.append(StepRow(ask, words.zones(one.zones, having=of.having), how, _decides(one, words)))
    yield Steps(tuple(rows), of.say("step.where"), words.say("visit.feel.decides"), of.say("step.errors"))


def _decides(one: ToFeel, words: Catalogue) -> str:
    from coatclass.genetics import outcome_words

    said: Mapping[str, Sequence[str]] = one.says
    return "; ".join(
        words.say("visit.feel.says", outcome=outcome_words(one.touch, outcome, words.language),
                  coats=words.either(words.coat(coat) for coat in coats))
        for outcome, coats in said.items()
    ) + "."  # fmt: skip


def touch_map(wanted: Sequence[ToFeel], words: Catalogue) -> Drawing:
    """The dog with a number at each place to feel, and below it what an outcome looks like, where that can be drawn."""
    from coatclass.genetics import touch_words

    view, shapes, places = dog_outline([one.touch for one in wanted])
    marks: list[Line | Label] = [*shapes]
    told = []
    for number, (one, (x, y)) in enumerate(zip(wanted, places, strict=True), start=1):
        marks += [*_ring(x, y, filled=False, r=13.0), Label((x, y + 6), str(number), 17, "middle", bold=True)]
        told.append(words.say("visit.feel.mark", n=number, ask=touch_words(one.touch, words.language)[0]))
    return Drawing(view, tuple(marks), words.say("visit.feel.places"), " ".join(told))
