"""The dog whose plan is shown, and what several sections ask of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from coatclass import care, toolkit
from coatclass.contract import Assessment, KitItem, Role, Verdict, Who
from coatclass.planning import Phase, Plan
from coatclass.presentation.blocks import Block, Facts
from coatclass.presentation.wording import Said
from coatclass.taxonomy import BodyZone
from coatclass.triage import rules
from coatclass.words import LANGUAGES, Catalogue

__all__ = [
    "ASSESSED_IN",
    "Subject",
    "after_what",
    "essentials",
    "photos",
    "same_work",
    "tool_name",
    "usable",
    "who_is_asked",
]

_USABLE = (Role.ESSENTIAL, Role.HELPFUL)
ASSESSED_IN = LANGUAGES[0]
"""The language of reasons and questions in an assessment."""


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
    measured: tuple[care.Measurement, ...]

    def say(self, key: str, **values: object) -> str:
        """A text of the plan."""
        return self.words.say(f"plan.{key}", **values)

    @property
    def reasons(self) -> tuple[tuple[str, str], ...]:
        """Why the verdict is what it is, by code; an assessment gives reasons in one language only."""
        if self.assessment is None or self.words.language != ASSESSED_IN:
            return ()
        return tuple((reason.code, reason.text) for reason in self.assessment.reasons)

    @property
    def uncertain(self) -> bool:
        """Whether only hands can tell which coat it is."""
        return self.assessment is not None and self.assessment.verdict is Verdict.HANDS_ON

    @property
    def unplaced(self) -> bool:
        """Whether a trouble of the skin was reported without its place, and the place would change the plan."""
        if self.plan is None:
            return False
        dog = self.plan.now.situation
        unplaced = dog.skin_trouble - set(dog.skin.values())
        return any(
            one.skin in unplaced and not one.zones and len({one.there, one.elsewhere, one.unnamed}) > 1
            for one in rules()
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
    """Which title the time after has: after the visit, after the training, or after both."""
    if of.plan is None or not of.plan.visit:
        return "after_training"
    return "after_both" if of.plan.now.training else "after"


def tool_name(item: KitItem, words: Catalogue) -> str:
    """A tool's name inside a sentence; a tool that only the groomer knows keeps the groomer's."""
    return words.tool(item.tool, inside=True) if words.has_word("tool", item.tool) else item.name


def essentials(phase: Phase, words: Catalogue) -> str:
    """The tools that a phase can't do without, as a list."""
    return words.title(words.joined(tool_name(one, words) for one in usable(phase) if one.role is Role.ESSENTIAL))


def photos(of: Subject) -> Iterator[Block]:
    """What became of each photo."""
    if of.assessment is None or not of.assessment.photos or of.words.language != ASSESSED_IN:
        return
    lines = []
    for photo in of.assessment.photos:
        why = " ".join(reason.text for reason in photo.reasons)
        lines.append((photo.file, f"{of.say(f'photo.{photo.status}')} {why}".strip()))
    yield Facts(tuple(lines))
