"""The visits of the weeks to come: at which length, in mm and in the salon's own guards. ``data/clipping.toml``.

A length is advised only where cutting by choice is open at all (:func:`coatclass.care.minutes.may_be_cut`); a coat
that is not cut gets what is done instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from coatclass.care.coat import categories, data, length_mm, line_brushed
from coatclass.care.growth import Growth
from coatclass.care.minutes import TimeBudget, may_be_cut
from coatclass.contract import ClipRung, CoatSituation, Guard, LengthAdvice, Triage, Who
from coatclass.taxonomy import CoatCategory
from coatclass.words import Catalogue, catalogue

__all__ = ["clip_ladder"]


@dataclass(frozen=True)
class _Cut:
    """What sets the lengths of one dog: the longest that coat and week carry, mm, and growth in mm a week."""

    ceiling_mm: float
    mm_a_week: float
    guards: tuple[Guard, ...]

    def after(self, weeks: float, on: date) -> float:
        """The length to leave on a day, so that the coat just reaches the ceiling so many weeks later, mm."""
        return max(least_mm(on), self.ceiling_mm - weeks * self.mm_a_week)

    def weeks_from(self, on: date, usual: float) -> float:
        """The most weeks, not more than usual, after which the coat is not yet past the ceiling."""
        table = data("clipping")["visits"]
        room = self.ceiling_mm - least_mm(on)
        fitting = [weeks for weeks in table["weeks"] if weeks <= usual and weeks * self.mm_a_week <= room]
        return float(max(fitting, default=min(usual, table["shortest"])))


def least_mm(on: date) -> float:
    """The least length that the season lets clippers leave on the trunk, mm."""
    return float(_season(on)[1]["least_mm"])


def _season(on: date) -> tuple[str, dict[str, Any]]:
    return next((name, row) for name, row in data("clipping")["season"].items() if on.month in row["months"])


def clip_ladder(
    situation: CoatSituation,
    now: Triage,
    cleared: Triage,
    growth: Growth,
    *,
    length: LengthAdvice | None,
    budget: TimeBudget | None,
    guards: Sequence[Guard] = (),
    visit_weeks: float | None = None,
    language: str = "en",
) -> tuple[ClipRung, ...]:
    """The visits of about half a year; empty while a vet comes first, or while nobody knows which length fits.

    Args:
        situation: the dog as it is from the next visit on.
        now: what may be done with it today; cleared: from the next visit on.
        growth: where the length is going.
        length, budget: the length that goes with coat and week, and its minutes.
        guards: the salon's own; with none only millimetres are named.
        visit_weeks: weeks between the dog's visits; the usual ones if None.
        language: one of :data:`coatclass.words.LANGUAGES`.
    """
    if now.first is Who.VET or not cleared.session.open:
        return ()
    texts = catalogue(language, "visit")
    if situation.hand_stripped or (set(situation.categories) == {CoatCategory.WIRE} and not situation.clipped):
        return tuple(_uncut("strip", growth.today, texts))
    if not any(data("coats")["coat"][category]["trimmable"] for category in categories(situation)):
        # A smooth short coat has nothing that a salon must brush out.
        return tuple(_uncut("brush_out", growth.today, texts)) if line_brushed(situation) else ()
    if not may_be_cut(situation, cleared) or growth.mode != "continuous":
        return ()
    ceiling = _ceiling(situation, length, budget)
    if ceiling is None:
        return ()
    a_week = 7 * growth.rate.mean
    # Below this no visits that people can keep hold a coat: it is cut to the shortest length and grows until the next.
    lowest = data("time")["longest"]["shortest_mm"] + a_week * data("clipping")["visits"]["shortest"]
    cut = _Cut(max(ceiling, lowest), a_week, tuple(guards))
    usual = min(max(visit_weeks or data("clipping")["visits"]["usual"], 1.0), 12.0)
    start = length_mm(situation) if now.comes_off else growth.now_mm
    return tuple(_rungs(cut, start, growth, usual, texts))


def _ceiling(situation: CoatSituation, length: LengthAdvice | None, budget: TimeBudget | None) -> float | None:
    """The longest length that week, dog and wish carry, mm; None if nobody said."""
    known = []
    if length is not None and length.mm is not None:
        known.append(length.mm)
    elif situation.wished_length_mm is not None:
        known.append(situation.wished_length_mm)
    if budget is not None and budget.fits is not None and budget.longest_mm is not None:
        known.append(float(budget.longest_mm))
    return min(known) if known else None


def _rungs(cut: _Cut, start: float, growth: Growth, usual: float, texts: Catalogue) -> Iterator[ClipRung]:
    table = data("clipping")["visits"]
    mm, last, on = start, growth.today, growth.today
    if start <= cut.ceiling_mm:  # nothing is due today
        on += timedelta(days=round(7 * min(usual, max(1.0, (cut.ceiling_mm - start) / cut.mm_a_week))))
    for _ in range(table["most"]):
        if (on - growth.today).days > 7 * table["horizon_weeks"]:
            return
        grown = mm + cut.mm_a_week * (on - last).days / 7
        weeks = cut.weeks_from(on, usual)
        room = (cut.ceiling_mm - grown) / cut.mm_a_week
        if room >= min(weeks, table["shortest"]):
            # It may still grow: tidied now, and cut on the day on which the calendar has the trim.
            weeks = min(weeks, room)
            yield ClipRung(kind="tidy", on=on, grown_mm=grown, text=texts.say("clips.tidy"))
            mm = grown
        else:
            guard, mm = _guard(cut, min(grown, cut.after(weeks, on)), on)
            yield ClipRung(
                kind="clip",
                on=on,
                grown_mm=grown,
                mm=mm,
                guard=guard,
                text=_said(mm, guard, texts, other=bool(cut.guards), sooner=weeks if weeks < usual else None),
            )
        last, on = on, on + timedelta(days=round(7 * weeks))


def _guard(cut: _Cut, mm: float, on: date) -> tuple[Guard | None, float]:
    """The longest of the salon's guards that leaves no more than a length and not much less, and what is left, mm."""
    shortest = max(min(least_mm(on), mm), data("clipping")["guard"]["least_share"] * mm)
    fitting = [guard for guard in cut.guards if shortest <= guard.mm <= mm]
    best = max(fitting, key=lambda guard: guard.mm, default=None)
    return best, best.mm if best else float(math.floor(mm))


def _said(mm: float, guard: Guard | None, texts: Catalogue, *, other: bool, sooner: float | None) -> str:
    """What to do at a visit; ``other``: the salon has guards; ``sooner``: weeks to the next visit, if few."""
    key = "clip_guard" if guard else "clip_free" if other else "clip"
    text = texts.say(f"clips.{key}", mm=texts.mm(mm), guard=guard.name if guard else "")
    return text if sooner is None else f"{text}. {texts.say('clips.tight', weeks=texts.number(sooner, 0))}"


def _uncut(kind: Any, today: date, texts: Catalogue) -> Iterator[ClipRung]:
    """The visits of a coat that is brushed out or stripped by hand."""
    visits, rows = data("clipping")["visits"], data("clipping")
    on = today
    for _ in range(visits["most"]):
        moult = kind == "brush_out" and on.month in rows["brush_out"]["moult_months"]
        weeks = rows["brush_out"]["moult_weeks"] if moult else rows[kind]["weeks"]
        on += timedelta(weeks=weeks)
        if (on - today).days > 7 * visits["horizon_weeks"]:
            return
        moult = kind == "brush_out" and on.month in rows["brush_out"]["moult_months"]
        yield ClipRung(kind=kind, on=on, text=texts.say(f"clips.{kind}{'_moult' if moult else ''}"))
