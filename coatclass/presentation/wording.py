"""The dog whose plan is shown, and the sentences that several sections share: verdict, weeks, places, dates."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from coatclass import care, reasons, toolkit
from coatclass.contract import Ask, Assessment, Caution, KitItem, Role, Verdict, Week, Who
from coatclass.planning import Phase, Plan
from coatclass.presentation.blocks import Block, Entry, Facts, Note, ToolRow
from coatclass.taxonomy import BodyZone, CoatCategory
from coatclass.triage import bare, rules
from coatclass.words import Catalogue, in_language

_TENTHS_OF_MOST = 0.95  # above this, "more than 9 in 10": nobody can know better


@dataclass(frozen=True)
class Said:
    """One dog's verdict in words.

    Attributes:
        words: the language.
        dog: how the dog is called.
        assessment: what was estimated; None if the coat was only told.
        categories: coats still possible, the most probable first.
        probable: the one that is likelier than all others together; None if there is none.
        hairless: there is next to no hair on the trunk, by nature.
    """

    words: Catalogue
    dog: str
    assessment: Assessment | None
    categories: tuple[CoatCategory, ...]
    probable: CoatCategory | None = None
    hairless: bool = False

    @property
    def coats(self) -> str:
        """The probable coat, else all that are still possible as alternatives."""
        named = self.categories if self.probable is None else (self.probable,)
        return self.words.either(self._named(one, "coat.bare", phrase=True) for one in named)

    def _named(self, coat: CoatCategory, bare: str, *, phrase: bool = False) -> str:
        """A coat's name; that of a flat coat of which there is next to none says so."""
        if self.hairless and coat is CoatCategory.FUR:
            return self.words.say(f"plan.{bare}")
        return self.words.coat(coat, phrase=phrase)

    @property
    def others(self) -> str:
        """The coats that can't be ruled out beside the probable one; empty where all are named together."""
        if self.probable is None:
            return ""
        return self.words.either(
            self._named(one, "coat.bare_name") for one in self.categories if one is not self.probable
        )

    @property
    def kind(self) -> str:
        """The probable coat, or all that are still possible, by name."""
        if self.probable is None:
            return self.words.title(self.words.either(self._named(one, "coat.bare_name") for one in self.categories))
        return self.words.say("plan.coat.probably", coat=self._named(self.probable, "coat.bare_name"))

    @property
    def title(self) -> str:
        """The verdict in one sentence."""
        say, dog = self.words.say, self.words.title(self.dog)
        if not self.categories:
            if self.assessment is None or not self.assessment.photos:
                return say("plan.verdict.nothing_given")
            key = "not_a_dog" if self.assessment.verdict is Verdict.NOT_A_DOG else "unusable_photo"
            return say(f"plan.verdict.{key}")
        if self.assessment is not None and self.assessment.verdict is Verdict.HANDS_ON:
            key = "hands_on" if self.probable is None else "hands_on_probably"
            return say(f"plan.verdict.{key}", dog=dog, coats=self.coats)
        key = "settled" if len(self.categories) == 1 else "narrowed" if self.probable is None else "probably"
        return say(f"plan.verdict.{key}", dog=dog, coats=self.coats)

    @property
    def how_sure(self) -> str:
        """The best coat's probability, as a number in ten."""
        found = self.assessment
        if found is None or found.category is None:
            return self.words.say("plan.sure.told")
        if found.regime == "hands_on":
            return self.words.say("plan.sure.by_hand")
        if self.hairless and CoatCategory.FUR in (self.probable, *self.categories[:1]):
            return self.words.say("plan.sure.bare")
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
    place = where(caution.zones, having, words)
    return Note(caution.level, level, caution.text, place, of_the_dog=caution.place == "start")


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
    if event.kind == "booked":
        return f"{day}, {event.at:%H:%M}"
    if event.days:
        return words.say("plan.dates.daily", n=event.days, day=day)
    if not event.weekdays:
        return day
    every_day = len(event.weekdays) == len(words.weekdays)
    days = words.title(words.often(7)) if every_day else words.joined(words.weekdays[day] for day in event.weekdays)
    if event.every_weeks == 1:
        return words.say("plan.dates.weekly", days=days, day=day)
    return words.say("plan.dates.every", n=event.every_weeks, days=days, day=day)


def ask_line(ask: Ask, having: Collection[BodyZone], words: Catalogue) -> str:
    """What to tell or ask at the visit, and where."""
    return " ".join((ask.text, where(ask.zones, having, words))).strip()


def where(zones: Collection[BodyZone], having: Collection[BodyZone], words: Catalogue) -> str:
    """``Where: ...`` as a sentence; empty for no zones."""
    return words.say("plan.caution.where", zones=words.zones(zones, having=having)) if zones else ""


def at_the_groomers(plan: Plan, words: Catalogue, *, uncertain: bool) -> tuple[str, ...]:
    """What else is asked or kept in mind at the groomer's; nothing where only a vet is seen."""
    if uncertain or any(ask.who is Who.GROOMER for ask in plan.visit):
        return words.lines("plan.visit.feel" if uncertain else "plan.visit.bring")
    return ()


def entry(event: care.Event, plan: Plan, dog: str, words: Catalogue, *, uncertain: bool) -> Entry:
    """One entry of the calendar with title and text; ``uncertain``: only hands can tell which coat it is."""
    having, routine = plan.now.triage.having, plan.now.routine
    values: dict[str, object] = {"dog": dog, "months": event.months, "mm": ""}
    if event.crossing is not None:
        expected = words.title(care.crossing_words(event.crossing, words.language))
        values |= {"mm": words.mm(event.crossing.mm), "expected": expected}
    if event.minutes is not None:
        values["minutes"] = words.minutes(event.minutes)
    if event.kind == "session":
        values["steps"] = " ".join(f"{number}. {step.title}." for number, step in enumerate(routine.steps, start=1))
    if event.kind == "touch_up":
        values["zones"] = words.zones(event.zones, having=having)
    key = f"care.event.{event.kind}{_kind_of_sitting(plan) if event.kind == 'session' else ''}"
    if event.kind == "visit":
        whom = {ask.who for ask in plan.visit}
        key = f"{key}{'' if len(whom) > 1 else f'_{next(iter(whom))}'}"
        asked = (ask_line(ask, having, words) for ask in plan.visit)
        first = (routine.hold,) if routine.hold else ()  # read alone, nothing else in the calendar would say it
        text = "\n".join((*first, *asked, *at_the_groomers(plan, words, uncertain=uncertain)))
    elif event.kind == "training":
        step = plan.now.training[event.step]
        values["seconds"] = words.number(step.seconds, 0)
        signs = (words.say(f"care.caution.{code}") for code in care.training_cautions())
        text = "\n".join((step.do, f"{words.say('plan.training.go_on')}: {step.go_on_when}", *signs))
    elif event.kind == "trim" and event.crossing is not None:
        text = care.trim_words(plan.growth, event.crossing, words.language)
    elif event.kind == "bath":
        text = "\n".join((routine.bath, *routine.bath_steps))
    else:
        unsaid = "_open" if event.at is not None and event.minutes is None else ""
        text = words.say(f"care.event.{event.kind}_text{unsaid}", **values)
    here = [one for one in plan.cautions if one.code in care.cautions_with(event.kind)]
    text = "\n".join((*(f"{one.text} {where(one.zones, having, words)}".strip() for one in here), text))
    return Entry(event, words.title(words.say(key, **values)), text)


def _kind_of_sitting(plan: Plan) -> str:
    """The ending of a sitting's title: with brush and comb, with a brush only, or for bare skin."""
    if bare(plan.now.situation):
        return "_bare"
    families = {toolkit.catalogue()[item.tool].family for item in usable(plan.now) if item.tool in toolkit.catalogue()}
    return "" if "comb" in families else "_brush"


_USABLE = (Role.ESSENTIAL, Role.HELPFUL)


@dataclass(frozen=True)
class Subject:
    """What the sections are made from; the arguments of :func:`coatclass.presentation.present`."""

    plan: Plan | None
    assessment: Assessment | None
    said: Said
    words: Catalogue
    breed: str
    parents: tuple[str, ...]
    remarks: str
    owned: tuple[toolkit.OwnedToolLike, ...]
    measured: tuple[care.DatedLength, ...]

    def say(self, key: str, **values: object) -> str:
        """A text of the plan."""
        return self.words.say(f"plan.{key}", **values)

    @property
    def reasons(self) -> tuple[tuple[str, str], ...]:
        """Why the verdict is what it is, by code."""
        found = self.assessment.reasons if self.assessment else ()
        return tuple((one.code, reasons.said(one, self.words.language)) for one in found)

    @property
    def uncertain(self) -> bool:
        """Whether only hands can tell which coat it is."""
        return self.assessment is not None and self.assessment.verdict is Verdict.HANDS_ON

    @property
    def unplaced(self) -> frozenset[str]:
        """Troubles of the skin that were reported without their place, where the place would change the plan."""
        if self.plan is None:
            return frozenset()
        dog = self.plan.now.situation
        unplaced = dog.skin_trouble - set(dog.skin.values())
        return frozenset(
            one.skin
            for one in rules()
            if one.skin in unplaced and not one.zones and len({one.there, one.elsewhere, one.unnamed}) > 1
        )

    @property
    def having(self) -> frozenset[BodyZone]:
        """The zones of the dog as it is now."""
        return self.plan.now.triage.having if self.plan else frozenset()

    @property
    def now_mm(self) -> float:
        """Trunk length today, mm; an estimate unless somebody measured it."""
        return self.plan.growth.now_mm if self.plan else 0.0

    @property
    def kit_phase(self) -> Phase | None:
        """The phase whose tools the owner is to have first."""
        if self.plan is None:
            return None
        return self.plan.now if usable(self.plan.now) else self.plan.routine_phase


def usable(phase: Phase) -> list[KitItem]:
    """The tools to have, in the order of work."""
    return sorted((item for item in phase.kit if item.role in _USABLE), key=lambda item: (item.order or 99, item.tool))


def same_work(plan: Plan) -> bool:
    """Whether after the visit the same tools do the same work, only in more places."""
    now, after = ({(item.tool, item.role) for item in usable(phase)} for phase in (plan.now, plan.routine_phase))
    return plan.now.week is not None and now == after


def who_is_asked(of: Subject) -> str:
    """Who is asked at the visit: ``vet``, ``groomer`` or ``both``."""
    asked = {ask.who for ask in of.plan.visit} if of.plan else set()
    if of.uncertain:
        asked.add(Who.GROOMER)
    if {Who.VET, Who.GROOMER} <= asked:
        return "both"
    return "vet" if Who.VET in asked else "groomer"


def after_what(of: Subject) -> str:
    """The title of the time afterwards: after the visit, after the training, or after both."""
    if of.plan is None or not of.plan.visit:
        return "after_training"
    return "after_both" if of.plan.now.trains_first else "after"


def tool_name(item: KitItem | ToolRow, words: Catalogue) -> str:
    """A tool's name inside a sentence; a tool that only the groomer knows keeps the groomer's."""
    return words.tool(item.tool, inside=True) if words.has_word("tool", item.tool) else item.name


def essentials(phase: Phase, words: Catalogue) -> str:
    """The tools that a phase can't do without, as a list."""
    return words.title(words.joined(tool_name(one, words) for one in usable(phase) if one.role is Role.ESSENTIAL))


def photos(of: Subject) -> Iterator[Block]:
    """How each photo was used, or why it was not."""
    if of.assessment is None or not of.assessment.photos:
        return
    lines = []
    for photo in of.assessment.photos:
        why = " ".join(reasons.said(one, of.words.language) for one in photo.reasons)
        name = in_language(photo.file, of.words.language)  # "photo 1" where the file's own name isn't kept
        lines.append((name, f"{of.say(f'photo.{photo.status}')} {why}".strip()))
    yield Facts(tuple(lines))
