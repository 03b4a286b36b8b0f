"""Sentences of a plan that several sections share: the verdict and how sure, weeks, growth, dates, entries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coatclass import care
from coatclass.contract import Assessment, Caution, Verdict, Week
from coatclass.planning import Plan
from coatclass.presentation.blocks import Entry, Note
from coatclass.taxonomy import CoatCategory
from coatclass.words import Catalogue

__all__ = ["Said", "entry", "growth_lines", "note", "percent", "source", "week_lines", "when"]

_TENTHS_OF_MOST = 0.95  # above it "more than 9 in 10", because nobody can know better
_ROUNDED_FROM = 12  # minutes a week; an estimate in single minutes would look like a measurement


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


def note(caution: Caution, words: Catalogue) -> Note:
    """A caution as a block."""
    where = words.say("plan.caution.where", zones=words.zones(caution.zones)) if caution.zones else ""
    return Note(caution.level, words.title(words.word("level", caution.level)), caution.text, where)


def source(caution: Caution, words: Catalogue, first: Catalogue) -> str:
    """Where a caution comes from; ``first`` is the language of the data files."""
    written = caution.source
    for key in ("common", "summary", "abstract", "read", "opinion", "practice"):
        written = written.replace(first.say(f"plan.source.{key}"), words.say(f"plan.source.{key}"))
    return written


# --- how often and how long -------------------------------------------------------------------------------------------


def week_lines(week: Week, words: Catalogue) -> tuple[str, ...]:
    """How often, in sentences."""
    often = words.often(week.rounds)
    minutes = None if week.sitting_minutes is None else words.minutes(max(1, round(week.sitting_minutes)))
    if week.sittings > week.rounds:
        key, values = ("split", {"n": week.sittings}) if minutes is None else ("split_minutes", {"n": week.sittings})
    else:
        key, values = ("whole" if minutes is None else "whole_minutes"), {}
    lines = [words.say(f"plan.week.{key}", often=often, minutes=minutes, **values)]
    if week.touch_ups and week.touch_up_zones:
        zones = words.zones(week.touch_up_zones)
        kind = "touch_up_one" if week.touch_ups == 1 else "touch_up"
        lines.append(words.say(f"plan.week.{kind}", n=week.touch_ups, zones=zones))
    return tuple(lines)


def time_lines(budget: care.TimeBudget, words: Catalogue) -> tuple[str, ...]:
    """What the coat costs in time."""
    low, high = _rounded(budget.low), _rounded(budget.high)
    return (words.say("plan.time.takes", minutes=words.minutes(_rounded(budget.minutes)), range=words.minutes(low, high)),)


def _rounded(minutes: float) -> float:
    return float(max(1, round(minutes)) if minutes < _ROUNDED_FROM else 5 * round(minutes / 5))


# --- growth and dates -------------------------------------------------------------------------------------------------


def growth_lines(growth: care.Growth, words: Catalogue) -> tuple[str, ...]:
    """Where the length is going."""
    say = words.say
    if growth.mode == "full_length":
        lines = [say("care.growth.full_length")]
    elif growth.mode == "bounded":
        weeks = words.number(care.regrowth_weeks())
        lines = [say("care.growth.bounded", full=words.mm(growth.full_mm or 0.0), weeks=weeks)]
    elif growth.rate.based_on == "measurements":
        rate = growth.rate
        numbers = {"rate": rate.mean, "low": rate.low, "high": rate.high}
        said = {name: words.number(value, 2) for name, value in numbers.items()}
        lines = [say("care.growth.measurements", n=rate.measurements, **said)]
    else:
        lines = [say("care.growth.prior" if growth.curve else "care.growth.after_visit")]
    lines += [_crossing("crossing", crossing, words) for crossing in growth.crossings]
    if growth.trim is not None:
        lines.append(_trim(growth, growth.trim, words))
    if growth.look_again:
        dates = words.joined(words.day(day) for day in growth.look_again)
        lines.append(say("care.growth.look_again", dates=dates))
    return tuple(words.title(line) for line in lines)


def _trim(growth: care.Growth, trim: care.Crossing, words: Catalogue) -> str:
    if trim.likely > growth.today:
        return _crossing("trim", trim, words)
    key = "trim_keeps" if growth.now_mm <= trim.mm + growth.now_error_mm else "trim_now"
    return words.say(f"care.growth.{key}", mm=words.mm(trim.mm))


def _crossing(key: str, crossing: care.Crossing, words: Catalogue) -> str:
    values = {
        "mm": words.mm(crossing.mm),
        "likely": words.day(crossing.likely),
        "earliest": words.day(crossing.earliest),
    }
    if crossing.latest is None:
        return words.say(f"care.growth.{key}_open", **values)
    return words.say(f"care.growth.{key}", **values, latest=words.day(crossing.latest))


def when(event: care.Event, words: Catalogue) -> str:
    """The day of an entry, or the days of the week and from when."""
    day = words.day(event.start)
    if not event.weekdays:
        return day
    days = words.joined(words.weekdays[day] for day in event.weekdays)
    if event.every_weeks == 1:
        return words.say("plan.dates.weekly", days=days, day=day)
    return words.say("plan.dates.every", n=event.every_weeks, days=days, day=day)


def entry(event: care.Event, plan: Plan, dog: str, words: Catalogue) -> Entry:
    """One entry of the calendar with title and text."""
    values: dict[str, object] = {"dog": dog, "months": event.months, "mm": ""}
    if event.crossing is not None:
        latest = event.crossing.latest
        values |= {
            "mm": words.mm(event.crossing.mm),
            "earliest": words.day(event.crossing.earliest),
            "latest": words.day(latest) if latest else words.say("care.event.later"),
        }
    title = words.title(words.say(f"care.event.{event.kind}", **values))
    return Entry(event, title, "\n".join(_text(event, plan, values, words)))


def _text(event: care.Event, plan: Plan, values: dict[str, object], words: Catalogue) -> Sequence[str]:
    phase = plan.now
    if event.kind == "hold":
        asked = tuple(ask.text for ask in plan.visit)
        return (phase.routine.hold, *asked) if phase.routine.hold else asked
    if event.kind == "bath":
        return (phase.routine.bath, *phase.routine.bath_steps)
    if event.kind == "session":
        steps = " ".join(f"{number}. {step.title}." for number, step in enumerate(phase.routine.steps, start=1))
        return (*week_lines(phase.week, words)[:1], steps) if phase.week else (steps,)
    if event.kind == "touch_up":
        return (words.say("care.event.touch_up_text", zones=words.zones(event.zones)),)
    key = f"care.event.{event.kind}_text"
    return (words.say(key, **values),) if words.has(key) else ()


