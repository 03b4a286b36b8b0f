"""Sentences of a plan that several sections share: the verdict and how sure, weeks, places, dates, entries."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from coatclass import care
from coatclass.contract import Ask, Assessment, Caution, Verdict, Week
from coatclass.planning import Plan
from coatclass.presentation.blocks import Entry, Note
from coatclass.taxonomy import BodyZone, CoatCategory
from coatclass.words import Catalogue

__all__ = ["Said", "ask_line", "entry", "note", "percent", "source", "week_lines", "when", "where"]

_TENTHS_OF_MOST = 0.95  # above it "more than 9 in 10", because nobody can know better


@dataclass(frozen=True)
class Said:
    """One dog's verdict in words.

    Attributes:
        words: the language.
        dog: how the dog is called.
        assessment: what was estimated; None if the coat was only told.
        categories: coats still possible, the most probable first.
    """

    words: Catalogue
    dog: str
    assessment: Assessment | None
    categories: tuple[CoatCategory, ...]

    @property
    def coats(self) -> str:
        """The coats still possible as alternatives."""
        return self.words.either(self.words.coat(one, phrase=True) for one in self.categories)

    @property
    def title(self) -> str:
        """The verdict in one sentence."""
        say, dog = self.words.say, self.words.title(self.dog)
        if not self.categories:
            verdict = self.assessment.verdict if self.assessment else Verdict.UNUSABLE_PHOTO
            key = "not_a_dog" if verdict is Verdict.NOT_A_DOG else "unusable_photo"
            return say(f"plan.verdict.{key}")
        if self.assessment is not None and self.assessment.verdict is Verdict.HANDS_ON:
            return say("plan.verdict.hands_on", dog=dog, coats=self.coats)
        key = "settled" if len(self.categories) == 1 else "narrowed"
        return say(f"plan.verdict.{key}", dog=dog, coats=self.coats)

    @property
    def how_sure(self) -> str:
        """The best coat's probability: so many in ten."""
        found = self.assessment
        if found is None or found.category is None:
            return self.words.say("plan.sure.told")
        if found.regime == "hands_on":
            return self.words.say("plan.sure.by_hand")
        share = found.category.probabilities[found.category.best]
        values = {
            "like": self.words.say(f"plan.sure.like_{found.regime}"),
            "coat": self.words.coat(found.category.best, phrase=True),
            "n": max(1, min(9, round(10 * share))),
        }
        key = "of_ten_most" if share >= _TENTHS_OF_MOST else "of_ten" if share >= 0.5 else "of_ten_fewer"
        return self.words.say(f"plan.sure.{key}", **values)


def percent(share: float, words: Catalogue) -> str:
    """A share as people read it; never 0 or 100, which would claim certainty."""
    if share < 0.01:
        return words.say("plan.sure.percent_under")
    return words.say("plan.sure.percent_over" if share > 0.99 else "plan.sure.percent", n=f"{100 * share:.0f}")


def note(caution: Caution, having: Collection[BodyZone], words: Catalogue) -> Note:
    """A caution as a block."""
    level = words.title(words.word("level", caution.level))
    return Note(caution.level, level, caution.text, where(caution.zones, having, words))


def source(caution: Caution, words: Catalogue, first: Catalogue) -> str:
    """Where a caution comes from; ``first`` is the language of the data files."""
    written = caution.source
    for key in ("common", "summary", "abstract", "read", "opinion", "practice"):
        written = written.replace(first.say(f"plan.source.{key}"), words.say(f"plan.source.{key}"))
    return written


# --- how often and how long -------------------------------------------------------------------------------------------


def week_lines(week: Week, having: Collection[BodyZone], words: Catalogue) -> tuple[str, ...]:
    """How often, in sentences."""
    often = words.often(week.rounds)
    minutes = None if week.sitting_minutes is None else words.minutes(max(1, round(week.sitting_minutes)))
    if week.sittings > week.rounds:
        key, values = ("split", {"n": week.sittings}) if minutes is None else ("split_minutes", {"n": week.sittings})
    else:
        key, values = ("whole" if minutes is None else "whole_minutes"), {}
    lines = [words.say(f"plan.week.{key}", often=often, minutes=minutes, **values)]
    if week.touch_ups and week.touch_up_zones:
        zones = words.zones(week.touch_up_zones, having=having)
        kind = "touch_up_one" if week.touch_ups == 1 else "touch_up"
        lines.append(words.say(f"plan.week.{kind}", n=week.touch_ups, zones=zones))
    return tuple(lines)


# --- dates ------------------------------------------------------------------------------------------------------------


def when(event: care.Event, words: Catalogue) -> str:
    """The day of an entry, or the days of the week and from when."""
    day = words.day(event.start)
    if not event.weekdays:
        return day
    days = words.joined(words.weekdays[day] for day in event.weekdays)
    if event.every_weeks == 1:
        return words.say("plan.dates.weekly", days=days, day=day)
    return words.say("plan.dates.every", n=event.every_weeks, days=days, day=day)


def ask_line(ask: Ask, having: Collection[BodyZone], words: Catalogue) -> str:
    """What to tell or ask at the visit, and where."""
    return " ".join((ask.text, where(ask.zones, having, words))).strip()


def where(zones: Collection[BodyZone], having: Collection[BodyZone], words: Catalogue) -> str:
    """``Where: ...`` as a sentence; empty for no zones."""
    return words.say("plan.caution.where", zones=words.zones(zones, having=having)) if zones else ""


def entry(event: care.Event, plan: Plan, dog: str, words: Catalogue) -> Entry:
    """One entry of the calendar with title and text."""
    having, routine = plan.now.triage.having, plan.now.routine
    values: dict[str, object] = {"dog": dog, "months": event.months, "mm": ""}
    if event.crossing is not None:
        latest = event.crossing.latest
        values |= {
            "mm": words.mm(event.crossing.mm),
            "earliest": words.day(event.crossing.earliest),
            "latest": words.day(latest) if latest else words.say("care.event.later"),
        }
    if event.minutes is not None:
        values["minutes"] = words.minutes(event.minutes)
    if event.kind == "session":
        values["steps"] = " ".join(f"{number}. {step.title}." for number, step in enumerate(routine.steps, start=1))
    if event.kind == "touch_up":
        values["zones"] = words.zones(event.zones, having=having)
    key = f"care.event.{event.kind}"
    if event.kind == "visit":
        whom = {ask.who for ask in plan.visit}
        key = f"{key}{'' if len(whom) > 1 else f'_{next(iter(whom))}'}"
        text = "\n".join(ask_line(ask, having, words) for ask in plan.visit)
    elif event.kind == "bath":
        text = "\n".join((routine.bath, *routine.bath_steps))
    else:
        unsaid = "_open" if event.at is not None and event.minutes is None else ""
        text = words.say(f"{key}_text{unsaid}", **values)
    return Entry(event, words.title(words.say(key, **values)), text)
