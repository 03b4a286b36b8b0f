"""Which sections a plan has, in which order, and what they are called."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Protocol

from coatclass import care, toolkit
from coatclass.contract import Assessment
from coatclass.decision import shares_that_hold
from coatclass.planning import Phase, Plan
from coatclass.presentation import first, more, visits
from coatclass.presentation.blocks import Block, Place, Presentation, Section
from coatclass.presentation.shop import shop_card
from coatclass.presentation.wording import Said, Subject, after_what, entry, same_work, who_is_asked
from coatclass.taxonomy import CATEGORIES, CoatCategory
from coatclass.triage import hairless, probable_coat
from coatclass.words import LANGUAGES, catalogue

__all__ = ["present"]


def present(
    plan: Plan | None,
    assessment: Assessment | None = None,
    *,
    dog_name: str = "",
    breed: str = "",
    parents: Sequence[str] = (),
    remarks: str = "",
    owned: Sequence[toolkit.OwnedToolLike] = (),
    measured: Sequence[care.DatedLength] = (),
    language: str | None = None,
) -> Presentation:
    """Everything that is shown about one dog; presenters only render it.

    Args:
        plan: None if nothing that was given can carry one; then there is only the verdict and what helps next.
        assessment: what was estimated; None if the coat was only told.
        dog_name: as people call it; any characters.
        breed, parents: as the owner says.
        remarks: the groomer's; empty leaves lines to write on.
        owned: tools at home, to be judged.
        measured: dated trunk lengths, for the picture of growth.
        language: needed only without a plan, which has its own.

    Raises:
        InputError: for a language without texts.
    """
    words = catalogue(plan.language if plan else language or LANGUAGES[0])
    dog = dog_name or words.your_dog
    naked = plan is not None and hairless(plan.now.situation)
    said = Said(words, dog, assessment, _possible(plan, assessment), _probable(assessment), naked)
    of = Subject(plan, assessment, said, words, breed, tuple(parents), remarks.strip(), tuple(owned), tuple(measured))
    today = plan.today if plan else date.today()
    return Presentation(
        language=words.language,
        day=today,
        dog=dog,
        title=said.title,
        coats=said.coats,
        sheet_title=words.say("plan.title.sheet", dog=dog),
        page_title=words.say("plan.title.page", dog=dog),
        details_title=words.say("plan.title.details"),
        made=words.say("plan.title.day", day=words.day(today)),
        sections=tuple(_sections(of)),
        entries=tuple(entry(event, plan, dog, words, uncertain=of.uncertain) for event in plan.events) if plan else (),
        shop=shop_card(plan, dog, tuple(owned), words) if plan else None,
    )


def _possible(plan: Plan | None, assessment: Assessment | None) -> tuple[CoatCategory, ...]:
    """Coats still possible, the most probable first; a puppy's is the one that it is growing into."""
    if assessment is not None and assessment.category is not None:
        return tuple(assessment.category.set)
    grown = None if plan is None else (plan.grown or plan.now).situation.categories
    return tuple(one for one in CATEGORIES if grown and one in grown)


def _probable(assessment: Assessment | None) -> CoatCategory | None:
    """The coat that may be called probable: never where something speaks against the estimate itself."""
    if assessment is None or assessment.category is None:
        return None
    return probable_coat(assessment.category.set, shares_that_hold(assessment.category, assessment.reasons))


def _sections(of: Subject) -> Iterator[Section]:
    """The sections in reading order, without the empty ones and without what stays as it is now."""
    said: dict[str, tuple[Block, ...]] = {}
    for section_id, place, build in _plan_of(of):
        blocks = tuple(build(of))
        if blocks and said.get(section_id.rpartition("-")[2]) != blocks:
            said[section_id] = blocks
            yield Section(section_id, _title(section_id, of), place, blocks)


_Builder = Callable[[Subject], Iterable[Block]]


class _OfPhase(Protocol):
    def __call__(self, of: Subject, /, phase: Phase) -> Iterable[Block]: ...


def _plan_of(of: Subject) -> Iterator[tuple[str, Place, _Builder]]:
    """Every section that a plan can have: its id, its place and what builds it; the one place that sets the order."""
    plan = of.plan
    yield "verdict", "first", first.verdict
    if plan is not None:
        yield "stops", "first", first.stops
        yield "checked", "first", visits.checked
        yield "now", "first", first.until_the_visit
        yield "training", "first", partial(first.training, phase=plan.now)
        yield from _routine_of(plan.now, "")
        yield "visit", "first", first.visit
        if plan.after is not None:
            yield "after", "first", first.after
            same = ("week", "bath") if same_work(plan) else ()
            yield from _routine_of(plan.after, "after-", only=same)
        if plan.grown is not None or plan.growth.look_again:
            yield "changes", "first", first.changes
        if plan.grown is not None:
            yield "grown", "first", first.grown
            yield from _routine_of(plan.grown, "grown-", only=("kit",))
        yield "dates", "first", first.dates
        yield "beware", "first", partial(first.besides, level="care")
        yield "notes", "more", partial(first.besides, level="note")
        yield "map", "more", more.mat_map
        yield "time", "more", more.time_needed
        yield "growth", "more", more.growing
        yield "length", "more", more.length_advice
        yield "clips", "more", visits.clips
        yield "course", "more", visits.course
        yield "trial", "more", more.trial
        yield "decides", "more", more.decides
        yield "feel", "more", visits.feel
        yield "owned", "more", more.owned
        yield "later", "more", more.later
        yield "others", "more", more.others
    yield "sure", "more", more.how_sure
    yield "question", "more" if plan is not None else "first", more.next_question
    if plan is not None:
        yield "remarks", "more" if of.remarks else "paper", more.remarks
        yield "cautions", "sources", more.cautions
    yield "about", "more", more.about


def _routine_of(phase: Phase, prefix: str, only: Sequence[str] = ()) -> Iterator[tuple[str, Place, _Builder]]:
    """Kit, week, steps, knots and bath of a phase; only of the present one they must be read at once."""
    parts: tuple[tuple[str, Place, _OfPhase], ...] = (
        ("kit", "first", first.kit),
        ("week", "first", first.week),
        ("steps", "first", first.steps),
        ("frames", "more", first.frames),
        ("ladder", "more", first.ladder),
        ("bath", "first", first.bath),
        ("errors", "more", first.errors),
    )
    if prefix and not only:
        yield f"{prefix}training", "more", partial(first.training, phase=phase)
    for name, place, build in parts:
        if not only or name in only:
            yield f"{prefix}{name}", "more" if prefix else place, partial(build, phase=phase)


def _title(section_id: str, of: Subject) -> str:
    phase, _, part = section_id.rpartition("-")
    key = _TITLES[section_id](of) if section_id in _TITLES else part
    title = of.words.title(of.say(f"section.{key}"))
    if not phase:
        return title
    return of.say(
        "section.of_phase", phase=of.say(f"section.{after_what(of) if phase == 'after' else phase}"), part=title
    )


def _title_of_now(of: Subject) -> str:
    if of.plan and of.plan.now.trains_first:
        return "now_training"
    return "now_until" if of.uncertain or (of.plan and of.plan.visit) else "now"


# What a section is called that has more than one title.
_TITLES: Mapping[str, Callable[[Subject], str]] = {
    "now": _title_of_now,
    "bath": lambda of: "bath" if of.plan and of.plan.now.routine.bath_steps else "no_bath",
    "visit": lambda of: f"visit_{who_is_asked(of)}",
    "after": after_what,
    "checked": lambda of: "checked" if len(visits.checks(of)) > 1 else "checked_once",
}
