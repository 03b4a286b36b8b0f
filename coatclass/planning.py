"""From what is known of one dog to its plan: triage first, then everything that is advised, phase by phase. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from coatclass import care, toolkit
from coatclass.contract import (
    Ask,
    Caution,
    CoatSituation,
    KitItem,
    LengthAdvice,
    Routine,
    TrainingStep,
    Triage,
    Week,
)

__all__ = ["Phase", "PhaseName", "Plan"]

PhaseName = Literal["now", "after", "grown"]


@dataclass(frozen=True)
class Phase:
    """What to do in one phase of the plan, for the dog as it is (or will be) then.

    Attributes:
        name: now; after (the visit to vet or groomer, or the training); grown (a puppy as an adult).
        situation, triage: the dog then, and what may be done with it.
        kit: tools for it; empty where nothing is to be bought yet, but for what to leave in the shop.
        routine: steps, zones and bath; only in cleared zones.
        week: how often; None while there are no sittings.
        training: getting used to the brush, in seconds; empty if the dog needs none.
        load: mat risk by zone; time: minutes a week, None without a weight; length: which length goes with it.
    """

    name: PhaseName
    situation: CoatSituation
    triage: Triage
    kit: tuple[KitItem, ...]
    routine: Routine
    week: Week | None
    training: tuple[TrainingStep, ...]
    load: tuple[care.ZoneLoad, ...]
    time: care.TimeBudget | None
    length: LengthAdvice | None


@dataclass(frozen=True)
class Plan:
    """The whole plan of one dog in one language; presenters show it and compute nothing.

    Attributes:
        today: the day of the plan.
        now: what is safe at once.
        visit: what to tell or ask vet and groomer, the vet first; empty if nobody has to see the dog.
        after: kit and routine for the dog after the visit or the training; None if ``now`` already is the whole plan.
        grown: a puppy's kit and routine as an adult; None for a grown dog.
        cautions: warnings and stop rules.
        growth: where the length is going; doubts: questions about measurements, as sentences.
        events: what goes into the calendar.
    """

    language: str
    today: date
    now: Phase
    visit: tuple[Ask, ...]
    after: Phase | None
    grown: Phase | None
    cautions: tuple[Caution, ...]
    growth: care.Growth
    doubts: tuple[str, ...]
    events: tuple[care.Event, ...]

    @property
    def routine_phase(self) -> Phase:
        """The phase whose kit and routine the dog will live with: now, or after where now only waits."""
        return self.after or self.now


def plan(
    situation: CoatSituation,
    *,
    today: date,
    measurements: Sequence[care.Measurement] = (),
    trims: Sequence[care.Trim] = (),
    full_length_mm: float | None = None,
    keeps_growing: bool | None = None,
    kit: Sequence[KitItem] | None = None,
    language: str = "en",
) -> Plan:
    """The plan of one dog. The same arguments give the same plan.

    Args:
        situation: what is known of the dog and still possible.
        today: the day of the plan.
        measurements, trims: dated lengths and cuts of this dog.
        full_length_mm: the dog's own untrimmed trunk length, mm.
        keeps_growing: whether the coat grows on when not cut; by the coat if None.
        kit: a groomer's own choice instead of the recommended tools; it is held to the same triage.
        language: one of :data:`coatclass.words.LANGUAGES`.

    Raises:
        InputError: for a language without texts, or a measurement, weight or date that can't be.
    """
    raise NotImplementedError(toolkit.recommend, situation, today, measurements, trims, full_length_mm, keeps_growing)
