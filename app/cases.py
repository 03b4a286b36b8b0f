"""A kept dog through the rooms: what hands found and what was learned included."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar

from app.looking import Looks
from coatclass import answers as questionnaire
from coatclass import care, planning
from coatclass.answers import Answers
from coatclass.assessing import assess_readings, situation_of
from coatclass.contract import Assessment, CoatSituation, Guard, VisitNote
from coatclass.ensemble import HandsOn
from coatclass.errors import AnswersError, RecordError
from coatclass.estimating import Reading
from coatclass.learning import RELEASED, LearnedModel, pack_photos, shelf_of
from coatclass.presentation import Presentation, present
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Finding,
    Measurement,
    Photo,
    Reader,
    Record,
    Records,
    StoredAssessment,
    Writer,
    keep_setting,
    setting,
)
from coatclass.taxonomy import BodyZone

R = TypeVar("R", bound=Record)
_log = logging.getLogger("coatclass.app")
_PAPER = "paper"  # name of the setting


def today() -> date:
    """The salon's day."""
    return datetime.now(UTC).astimezone().date()


def as_read(record: Record, names: Collection[str]) -> dict[str, Any]:
    """Fields of a record as a page or a program reads them; sent back, they tell what a change is a change of."""
    told = record.model_dump(mode="json")
    return {name: told[name] for name in names}


def change_read(writer: Writer, record: R, changes: Mapping[str, Any], seen: Mapping[str, Any], **also: Any) -> R:
    """Change fields of a record, unless somebody else has changed them since they were read.

    Args:
        record: as it stands now, in the same transaction.
        changes: the new values.
        seen: how the same fields read before, as :func:`as_read` tells them.
        also: what changes with them, whoever read it.

    Raises:
        RecordError: ``bad_value`` if ``seen`` lacks a field, ``changed_meanwhile`` if one reads otherwise by now.
    """
    if lacking := sorted(set(changes) - set(seen)):
        raise RecordError(
            "this change",
            f"does not say how {', '.join(lacking)} read before.",
            "Send under 'seen' what you read of each field that you change.",
            code="bad_value",
        )
    now = as_read(record, changes)
    if others := [name for name in changes if now[name] not in (seen[name], changes[name])]:
        raise changed_meanwhile(", ".join(others))
    return writer.change(record, **changes, **also)


def changed_meanwhile(what: str) -> RecordError:
    """The refusal of a change to what somebody else has changed since it was read; nothing is overwritten unseen."""
    return RecordError(
        "this entry",
        f"was changed by somebody else in the meantime ({what}).",
        "Nothing was saved: look at what it says now, then save again.",
        code="changed_meanwhile",
    )


def learned(salon: Records) -> LearnedModel:
    """The learned version in use; the released one if what is in use can't be read."""
    try:
        return shelf_of(salon).current()
    except RecordError as error:
        _log.error("%s", error)
        return RELEASED


def answers_of(reader: Reader, dog_id: str) -> Answers:
    """The newest answers; a sheet of another version that can't be read counts as not filled in."""
    sheet = reader.latest(AnswerSheet, dog_id)
    try:
        return Answers() if sheet is None else questionnaire.parse(sheet.content)
    except AnswersError:
        return Answers()


def clipped_on(sheet: AnswerSheet | None, answers: Answers) -> date | None:
    """The day of the last cut, as the newest answers tell it; None if they don't."""
    return _done_on(sheet, answers, "clipped", "scissored")


def stripped_on(sheet: AnswerSheet | None, answers: Answers) -> date | None:
    """The day on which the coat was last stripped by hand, as the newest answers tell it; None if they don't."""
    return _done_on(sheet, answers, "hand_stripped")


def _done_on(sheet: AnswerSheet | None, answers: Answers, *how: str) -> date | None:
    if sheet is None or answers.last_trim_weeks is None or answers.last_trim_how not in how:
        return None
    return sheet.given_at.astimezone().date() - timedelta(weeks=answers.last_trim_weeks)


@dataclass(frozen=True)
class Truth:
    """What people's hands and rulers have said of a dog; it beats answers and estimates.

    Attributes:
        finding: the newest hands-on finding, None if there is none.
        trunk_mm: the newest trunk length that was measured, mm; None if nobody measured.
        notes: what the dog's visits left behind, the oldest first.
        trunk_by: with what the trunk was measured: ``ruler`` or ``card``.
        coat_worn: the dog still wears the coat that was found.
        stripped_on: the day on which the coat was last stripped by hand, as somebody told it.
    """

    finding: Finding | None
    trunk_mm: float | None
    notes: tuple[VisitNote, ...] = ()
    trunk_by: str = "ruler"
    coat_worn: bool = True
    stripped_on: date | None = None

    @classmethod
    def as_of(
        cls,
        day: date,
        finding: Finding | None,
        measurements: Sequence[Measurement],
        notes: Sequence[VisitNote] = (),
        *,
        answered_on: date | None = None,
        born_on: date | None = None,
        clipped_on: date | None = None,
        stripped_on: date | None = None,
    ) -> Truth:
        """What still holds on a day: no coat that has been shed, no length from before the last cut.

        Args:
            day: as of which.
            finding, measurements, answered_on: as for :meth:`of`.
            notes: of the dog's visits, the oldest first.
            born_on: the dog's birth, None if nobody knows.
            clipped_on, stripped_on: the last cut and the last stripping by hand, as far as somebody told them.
        """
        since = date.min if clipped_on is None else clipped_on
        known = cls.of(finding, [one for one in measurements if one.measured_on >= since], answered_on)
        known = replace(known, notes=tuple(notes), stripped_on=stripped_on)
        if finding is None:
            return known
        found_on = finding.found_at.astimezone().date()
        if found_on < since and known.trunk_mm == finding.trunk_mm:
            known = replace(known, trunk_mm=None)
        return replace(known, coat_worn=care.coat_still_worn(found_on, day, born_on))

    @classmethod
    def of(cls, finding: Finding | None, measurements: Sequence[Measurement], answered_on: date | None = None) -> Truth:
        """From the records of one dog; a measurement of a later day replaces the finding's length.

        Args:
            finding: the newest one.
            measurements: all of them.
            answered_on: the day on which the owner said a measured length, if so; what was measured before it is old.
        """
        found = None if finding is None else finding.trunk_mm
        trunk = [one for one in measurements if one.zone is BodyZone.TRUNK]
        newest = max(trunk, key=lambda one: one.measured_on, default=None)
        if finding is None and newest is not None and answered_on is not None and newest.measured_on < answered_on:
            return cls(None, None)
        if newest is None or (found is not None and finding and newest.measured_on <= finding.found_at.date()):
            return cls(finding, found)
        return cls(finding, newest.length_mm, trunk_by="card" if newest.how == "card" else "ruler")

    @property
    def hands(self) -> HandsOn | None:
        """As the ensemble takes it."""
        if self.finding is None or not self.coat_worn:
            return None
        return HandsOn(category=self.finding.category, length_mm=self.trunk_mm)

    def over(self, answers: Answers) -> Answers:
        """The answers, corrected by what hands found; the owner's own sheet stays as it is."""
        known: dict[str, Any] = answers.model_dump(mode="json", exclude_none=True)
        if self.trunk_mm is not None:
            known |= {"trunk_length_mm": self.trunk_mm, "trunk_length_by": self.trunk_by}
        if self.finding is not None:
            found = {
                "feel": self.finding.texture if self.coat_worn else None,
                "undercoat_seen": self.finding.undercoat if self.coat_worn else None,
                "patience": self.finding.patience,
                "mats": {**(answers.mats or {}), **self.finding.mats} or None,
            }
            known |= {name: value for name, value in found.items() if value is not None}
        try:
            return questionnaire.parse(known)
        except AnswersError:
            return answers


def assess(
    readings: Sequence[Reading],
    answers: Answers,
    truth: Truth,
    *,
    learned: LearnedModel | None = None,
    skipped: Collection[str] = (),
) -> Assessment:
    """A kept dog as it stands: what hands found replaces estimates."""
    return assess_readings(readings, truth.over(answers), finding=truth.hands, learned=learned, skipped=skipped,
                           notes=truth.notes, today=today())  # fmt: skip


def situation(answers: Answers, truth: Truth, assessment: Assessment) -> CoatSituation | None:
    """What the tools and the plan were chosen for; None without an estimate."""
    if assessment.category is None or assessment.length_band is None:
        return None
    given = truth.over(answers)
    dog = situation_of(given, assessment.category, assessment.length_band, assessment.reasons, notes=truth.notes)
    if truth.stripped_on is None:
        return dog
    return replace(dog, weeks_since_stripped=max(0.0, (today() - truth.stripped_on).days / 7))


def dated(measurements: Sequence[Measurement]) -> list[care.DatedLength]:
    """One measurement a day, the last one said; those of the trunk only.

    What can't be (out of an archive, or from before the clock was put back) counts as not measured.
    """
    known = [one for one in measurements if one.length_mm <= care.longest_mm() and one.measured_on <= today()]
    by_day = {one.measured_on: one for one in known if one.zone == "trunk"}
    return [care.DatedLength(day, one.length_mm, one.error_mm) for day, one in sorted(by_day.items())]


def paper_of(salon: Records) -> str:
    """The paper that the salon prints on: ``A4`` until somebody said ``Letter``."""
    return "Letter" if (setting(salon, _PAPER) or {}).get("paper") == "Letter" else "A4"


def keep_paper(salon: Records, paper: str, *, who: str) -> None:
    """Print on this paper from now on, wherever none is asked for."""
    keep_setting(salon, _PAPER, {"paper": paper}, who=who)


def next_booked(appointments: Sequence[Appointment]) -> care.Booked | None:
    """The next planned visit after today: for today's the dog is here already. None without one."""
    planned = (care.Booked(one.starts_at.astimezone(), one.minutes) for one in appointments if one.state == "planned")
    ahead = (one for one in planned if one.at.date() > today())
    return min(ahead, key=lambda one: one.at, default=None)


def here_today(appointments: Sequence[Appointment]) -> bool:
    """Whether the dog comes today, or has come: what can't wait is done then."""
    kept = (one for one in appointments if one.state in ("planned", "done"))
    return any(one.starts_at.astimezone().date() == today() for one in kept)


def presented(
    at: CoatSituation | None,
    assessment: Assessment,
    answers: Answers,
    measurements: Sequence[Measurement],
    *,
    name: str,
    breed: str = "",
    remarks: str = "",
    trims: Sequence[care.Trim] = (),
    guards: Sequence[Guard] = (),
    visit_weeks: float | None = None,
    booked: care.Booked | None = None,
    here: bool = False,
    language: str = "en",
) -> Presentation:
    """The plan from today on as it is shown, the same for whoever looks at the dog; without an estimate no plan.

    Args:
        at: the dog as it is known; None without an estimate.
        measurements: all of them; those of the trunk count.
        name, breed, remarks: of the dog, as kept.
        guards, visit_weeks: of the salon's clippers, and between the dog's visits.
        booked: the next visit that was agreed on.
        here: the dog is at the salon today.
    """
    measured = dated(measurements)
    plan = (
        planning.plan(
            at,
            today=today(),
            measurements=measured,
            trims=trims,
            keeps_growing=answers.keeps_growing,
            guards=guards,
            visit_weeks=visit_weeks,
            booked=booked,
            here=here,
            language=language,
        )
        if at
        else None
    )
    return present(
        plan,
        assessment,
        dog_name=name,
        breed=breed or answers.breed or "",
        parents=answers.parents or (),
        remarks=remarks,
        owned=answers.owned_tools or (),
        measured=measured,
        language=language,
    )


def keep(
    salon: Records,
    looks: Looks,
    dog_id: str,
    assessment: Assessment,
    *,
    sheet: AnswerSheet | None,
    photos: tuple[Photo, ...],
    who: str,
) -> bool:
    """Keep what was told with what it was made from, unless it is what was told last time.

    Nobody waits while photos are looked at and packed; whether all is still as it was is asked once more afterwards.

    Args:
        sheet, photos: what the assessment was made from.
        who: whose act it is, for the audit trail.

    Returns:
        False if answers or photos have changed meanwhile; nothing is kept then.
    """
    told = assessment.model_dump(mode="json")
    with salon.read() as reader:
        if _told_last(reader, dog_id) == told:
            return True
    evidence = pack_photos([looks.of(salon, photo).evidence for photo in photos])
    with salon.write(who, only=dog_id) as writer:
        if _told_last(writer, dog_id) == told:
            return True
        if (writer.latest(AnswerSheet, dog_id), writer.find(Photo, dog_id=dog_id)) != (sheet, photos):
            return False
        writer.add_assessment(dog_id, assessment, answers=sheet, evidence=evidence)
    return True


def _told_last(reader: Reader, dog_id: str) -> dict[str, Any] | None:
    last = reader.latest(StoredAssessment, dog_id)
    return None if last is None else last.result
