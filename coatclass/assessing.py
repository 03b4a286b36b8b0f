"""One dog through all the rooms: photos and answers in, an assessment out. The only place that knows every room."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from coatclass import answers as questionnaire
from coatclass import decision, estimating, planning, toolkit, vision
from coatclass.answers import Answers
from coatclass.contract import (
    Assessment,
    BandEstimate,
    CategoryEstimate,
    CoatEstimate,
    CoatSituation,
    Decision,
    PhaseAdvice,
    PhotoReport,
    Question,
    Reason,
    ToFeel,
    Triage,
    Verdict,
    VisitNote,
)
from coatclass.ensemble import HandsOn
from coatclass.estimating import NO_ANSWERS, Estimate, PhotoSource, Reading, read_photo
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

if TYPE_CHECKING:
    from coatclass.learning import LearnedModel

__all__ = ["assess", "assess_readings", "situation_of"]


def assess(
    photos: Sequence[PhotoSource] = (),
    answers: Answers = NO_ANSWERS,
    *,
    finding: HandsOn | None = None,
    notes: Sequence[VisitNote] = (),
    today: date | None = None,
) -> Assessment:
    """Assess one dog.

    Args:
        photos: any number of photos of the same dog, as paths or bytes.
        answers: the owner's answers; every question may be unanswered.
        finding: what a groomer's hands found, which overrides every estimate.
        notes: what earlier visits left behind.
        today: the day of the assessment, this one if None: old technique checks no longer speak.

    Raises:
        ModelFilesError: if released files are missing or damaged.
    """
    readings = [read_photo(source) for source in photos]
    return assess_readings(readings, answers, finding=finding, notes=notes, today=today)


def assess_readings(
    readings: Sequence[Reading],
    answers: Answers = NO_ANSWERS,
    *,
    finding: HandsOn | None = None,
    skipped: Collection[str] = (),
    learned: LearnedModel | None = None,
    notes: Sequence[VisitNote] = (),
    today: date | None = None,
) -> Assessment:
    """Assess one dog whose photos have been read already.

    Args:
        readings: what each photo gave.
        answers: the owner's answers; every question may be unanswered.
        finding: what a groomer's hands found, which overrides every estimate.
        skipped: questions that are not to be proposed again.
        learned: what a groomer's findings have taught; the released model if None.
        notes: what earlier visits left behind.
        today: the day of the assessment, this one if None.
    """
    readings = estimating.beside_each_other(readings)
    reports = [reading.report for reading in readings]
    evidence = [reading.evidence for reading in readings if reading.evidence is not None]
    known = estimating.estimate(evidence, answers, finding=finding, learned=learned)
    estimate = known.coat
    decided = estimating.decide(known, reports)
    version = _version(learned)
    if estimate.regime == "none":
        return _without_estimate(reports, decided, version, _first_question(answers, skipped))
    askable = estimating.askable(known, answers, skipped=skipped, learned=learned)
    category, band = _category(estimate, decided), _band(estimate, decided)
    reasons = (*decided.reasons, *questionnaire.doubts(answers))
    situation = situation_of(answers, category, band, reasons, notes=notes)
    advice = planning.advise(situation, today=today or date.today())
    return Assessment(
        model_version=version,
        rules_version=toolkit.rules_version(),
        photos=tuple(reports),
        regime=estimate.regime,
        category=category,
        length_band=band,
        verdict=decided.verdict,
        reasons=reasons,
        next_question=_next_question(known, askable, situation),
        triage=advice.now.triage,
        visit=advice.visit,
        **dict(_phase(advice.now)),
        after=advice.after and _phase(advice.after),
        grown=advice.grown and _phase(advice.grown),
        cautions=advice.cautions,
        clash=decided.clash,
        changes=advice.changes,
        feel=_feel(estimate, decided, advice.now.triage),
    )


def situation_of(
    answers: Answers,
    category: CategoryEstimate,
    band: BandEstimate,
    reasons: Sequence[Reason],
    *,
    notes: Sequence[VisitNote] = (),
) -> CoatSituation:
    """The dog for which tools and plan are chosen: what was estimated, answered and noted of it.

    Where a reason speaks against the probabilities, they decide nothing: the plan is for every coat still possible.
    """
    shares = decision.shares_that_hold(category, reasons)
    dog = questionnaire.situation(answers, categories=category.set, bands=band.set, shares=shares)
    return replace(dog, notes=tuple(notes))


def _phase(phase: planning.Phase) -> PhaseAdvice:
    return PhaseAdvice(
        kit=phase.kit, routine=phase.routine, week=phase.week, length=phase.length, training=phase.training
    )


def _feel(estimate: CoatEstimate, decided: Decision, cleared: Triage) -> tuple[ToFeel, ...]:
    """What to feel for while only hands can tell which of the possible coats it is."""
    if decided.verdict is not Verdict.HANDS_ON:
        return ()
    from coatclass.genetics import to_feel

    left = {one: p for one, p in zip(CATEGORIES, estimate.category, strict=True) if one in decided.categories}
    return to_feel(left, cleared)


def _version(learned: LearnedModel | None) -> str:
    """The image model's version, and the learned one's if it takes part."""
    released = vision.read_manifest().model_version
    return released if learned is None or not learned.findings else f"{released}+{learned.version}"


def _first_question(answers: Answers, skipped: Collection[str]) -> Question | None:
    """With nothing to go on: the breed, then whatever tells of the coat, in the questionnaire's order."""
    for spec in questionnaire.due(answers):
        if spec.id not in skipped and (spec.id == "breed" or questionnaire.outcomes(spec.id)):
            return Question(id=spec.id, text=spec.text, help=spec.help, expected_change=1.0)
    return None


def _without_estimate(
    reports: Sequence[PhotoReport], decided: Decision, version: str, first: Question | None
) -> Assessment:
    """Nothing given supports an estimate: no kit, but the question that would help most."""
    return Assessment(
        model_version=version,
        rules_version=toolkit.rules_version(),
        photos=tuple(reports),
        regime="none",
        category=None,
        length_band=None,
        verdict=decided.verdict,
        reasons=decided.reasons,
        next_question=first,
    )


def _category(estimate: CoatEstimate, decided: Decision) -> CategoryEstimate:
    probabilities = dict(zip(CATEGORIES, estimate.category, strict=True))
    best = max(CATEGORIES, key=probabilities.__getitem__)
    return CategoryEstimate(best=best, probabilities=probabilities, set=decided.categories)


def _band(estimate: CoatEstimate, decided: Decision) -> BandEstimate:
    probabilities = dict(zip(BANDS, estimate.band, strict=True))
    best = max(BANDS, key=probabilities.__getitem__)
    return BandEstimate(best=best, probabilities=probabilities, set=decided.bands)


def _next_question(known: Estimate, askable: Sequence[decision.Askable], situation: CoatSituation) -> Question | None:
    """The unanswered question whose answer is expected to change the kit the most."""
    cross = known.inherited is not None and known.inherited.cross
    keeps = frozenset({CoatCategory.MIXED} if cross else ())
    return decision.next_question(known.coat, askable, planning.tools_by_coat(situation), keeps=keeps)
