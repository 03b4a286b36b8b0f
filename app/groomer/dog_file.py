"""One dog's file on the groomer's side: everything that is kept of it, and every change she may make."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

from app import cases, checks
from app.looking import Looks
from app.owner import dog as owners
from coatclass import care, planning
from coatclass.answers import Answers
from coatclass.contract import Assessment, Guard, PhotoReport, VisitNote
from coatclass.errors import RecordError
from coatclass.intake import Found, situation_of
from coatclass.learning import LearnedModel
from coatclass.presentation import Presentation
from coatclass.records import (
    FIRST_DAY,
    LAST_DAY,
    AnswerSheet,
    Appointment,
    Change,
    CheckRecord,
    Client,
    Dog,
    Finding,
    Intake,
    Link,
    Measurement,
    Photo,
    PlacePhoto,
    Reader,
    Records,
    Sharing,
    StoredAssessment,
    Writer,
    keep_setting,
    not_found,
    setting,
    valid,
    visit_notes,
    withdraw,
)
from coatclass.taxonomy import BodyZone
from coatclass.words import LANGUAGES

_TRIES = 5  # to keep what is told while the dog's owner changes what it rests on
GUARDS = "guards"
"""Name of the setting that holds the salon's combs and guards."""


@dataclass(frozen=True)
class DogFile:
    """Everything of one dog as of one moment, and the salon's own guards; lists are oldest first."""

    dog: Dog
    client: Client | None
    answers: Answers
    sheets: tuple[AnswerSheet, ...]
    photos: tuple[Photo, ...]
    assessments: tuple[StoredAssessment, ...]
    findings: tuple[Finding, ...]
    measurements: tuple[Measurement, ...]
    appointments: tuple[Appointment, ...]
    links: tuple[Link, ...]
    checks: tuple[CheckRecord, ...] = ()
    notes: tuple[VisitNote, ...] = ()
    guards: tuple[Guard, ...] = ()
    look: Found | None = None
    language: str | None = None
    """In which the owner read what was signed last, None if nobody knows."""

    @property
    def finding(self) -> Finding | None:
        """The newest hands-on finding."""
        return self.findings[-1] if self.findings else None

    @property
    def truth(self) -> cases.Truth:
        """What hands and rulers have said."""
        newest = self.sheets[-1] if self.sheets else None
        said = self.answers.measured_mm is not None
        answered_on = newest.given_at.astimezone().date() if said and newest else None
        return cases.Truth.as_of(
            cases.today(),
            self.finding,
            self.measurements,
            self.notes,
            answered_on=answered_on,
            born_on=self.dog.born_on,
            clipped_on=cases.clipped_on(newest, self.answers),
            stripped_on=cases.stripped_on(newest, self.answers),
        )

    @property
    def booked(self) -> care.Booked | None:
        """The next visit after today's."""
        return cases.next_booked(self.appointments)


def read(salon: Records, dog_id: str) -> DogFile:
    """The file of a dog.

    Raises:
        RecordError: ``not_found``.
    """
    with salon.read() as reader:
        return _read(reader, dog_id)


def refuse_hidden(salon: Records, *dog_ids: str) -> None:
    """Dogs that owners keep to themselves are not there, though a groomer may know their ids from before.

    Raises:
        RecordError: ``not_found``.
    """
    with salon.read() as reader:
        for dog_id in dog_ids:
            _seen(reader, dog_id)


def _seen(reader: Reader, dog_id: str) -> Dog:
    dog = reader.get(Dog, dog_id)
    if not dog.sharing.seen_by_salon:
        raise not_found(Dog, dog_id)
    return dog


def _read(reader: Reader, dog_id: str) -> DogFile:
    dog = _seen(reader, dog_id)
    return DogFile(
        dog=dog,
        client=reader.get(Client, dog.client_id) if dog.client_id else None,
        answers=cases.answers_of(reader, dog_id),
        sheets=reader.find(AnswerSheet, dog_id=dog_id),
        photos=reader.find(Photo, dog_id=dog_id),
        assessments=reader.find(StoredAssessment, dog_id=dog_id),
        findings=reader.find(Finding, dog_id=dog_id),
        measurements=reader.find(Measurement, dog_id=dog_id),
        appointments=reader.find(Appointment, dog_id=dog_id),
        links=reader.find(Link, dog_id=dog_id),
        checks=reader.find(CheckRecord, dog_id=dog_id),
        notes=visit_notes(reader, dog_id),
        guards=guards(reader),
        look=_look_of_today(reader, dog_id),
        language=_owners_language(reader, dog_id),
    )


def _look_of_today(reader: Reader, dog_id: str) -> Found | None:
    """What was seen when the dog came in today, begun or signed; None if nobody looked or it can't be read."""
    today = [one for one in reader.find(Intake, dog_id=dog_id) if one.made_at.astimezone().date() == cases.today()]
    return found_of(today[-1]) if today else None


def found_of(kept: Intake) -> Found | None:
    """What was found, of a look or of a signed record; None if it can't be read."""
    try:
        return Found.model_validate(json.loads(kept.content)["found"])
    except (KeyError, TypeError, ValueError):
        return None


def _owners_language(reader: Reader, dog_id: str) -> str | None:
    kept = reader.find(Intake, dog_id=dog_id)
    return language_of(kept[-1]) if kept else None


def language_of(kept: Intake) -> str | None:
    """In which language its owner reads; None if it can't be read."""
    try:
        language = json.loads(kept.content)["language"]
    except (KeyError, TypeError, ValueError):
        return None
    return language if language in LANGUAGES else None


def guards(reader: Reader) -> tuple[Guard, ...]:
    """The combs and guards of the salon's clippers, shortest first; none while nobody entered them."""
    kept = setting(reader, GUARDS) or {"guards": ()}
    try:
        return tuple(sorted((Guard.model_validate(row) for row in kept["guards"]), key=lambda one: one.mm))
    except (KeyError, TypeError, ValueError):  # another program's, out of an archive
        return ()


def keep_guards(salon: Records, entered: Sequence[Guard], *, seen: Mapping[str, float], who: str) -> None:
    """Keep the salon's guards; the newest list counts.

    Raises:
        RecordError: ``changed_meanwhile`` if they are others by now than those ``seen``.
    """
    rows = [one.model_dump() for one in sorted(entered, key=lambda one: one.mm)]

    def refuse_others(reader: Reader) -> None:
        if {one.name: one.mm for one in guards(reader)} != dict(seen):
            raise cases.changed_meanwhile("guards")

    keep_setting(salon, GUARDS, {"guards": rows}, who=who, check=refuse_others)


def dogs_of(reader: Reader, client: Client) -> tuple[Dog, ...]:
    """A client's dogs, without those that owners keep to themselves."""
    return tuple(dog for dog in reader.find(Dog, client_id=client.id) if dog.sharing.seen_by_salon)


def trail(salon: Records) -> tuple[Change, ...]:
    """Who changed what, oldest first, without the dogs that owners keep to themselves."""
    with salon.read() as reader:
        hidden = {dog.id for dog in reader.find(Dog) if not dog.sharing.seen_by_salon}
        return tuple(one for one in reader.trail() if not hidden & {one.record_id, one.about})


# --- changes ----------------------------------------------------------------------------------------------------------


def accept(salon: Records, dog_id: str, *, who: str) -> Dog:
    """Take over a dog that an owner sent: she becomes a client, found again if name and way to reach are known.

    Raises:
        RecordError: ``conflict`` if nobody sent it, or it was answered meanwhile.
    """
    with salon.write(who) as writer:
        dog = _sent(writer, dog_id)
        by = {"email" if "@" in dog.sent_reach else "phone": dog.sent_reach}
        known = [one for one in writer.find(Client, **by) if one.name.casefold() == dog.sent_by.casefold()]
        client = known[0] if known else writer.add(valid(Client, name=dog.sent_by, **by))
        return writer.change(dog, client_id=client.id, sharing=Sharing.SALON)


def take_up(salon: Records, dog: Dog, *, who: str) -> None:
    """Whoever works on a dog that an owner sent has taken it over: what the salon finds can't be taken back with it.

    Raises:
        RecordError: ``conflict`` if it was taken back meanwhile.
    """
    if dog.sharing is Sharing.SENT:
        accept(salon, dog.id, who=who)


def decline(salon: Records, dog_id: str, *, who: str) -> None:
    """Decline a dog that an owner sent: the salon sees it no more, and what was sent with it goes.

    Raises:
        RecordError: ``conflict`` if nobody sent it, or it was answered meanwhile.
    """
    with salon.write(who, only=dog_id) as writer:
        withdraw(writer, _sent(writer, dog_id), Sharing.DECLINED)


def _sent(writer: Writer, dog_id: str) -> Dog:
    dog = writer.get(Dog, dog_id)
    if dog.sharing is not Sharing.SENT:
        raise RecordError(
            "this request", "was answered or taken back already.", "Load the list again.", code="conflict"
        )
    return dog


def put_away(salon: Records, dog_id: str, *, who: str, away: bool = True) -> Dog:
    """Take a dog off the list of those that wait for hands, until something new is told of it; or put it back."""
    return salon.change(salon.get(Dog, dog_id), who=who, put_away_at=datetime.now(UTC) if away else None)


def add_finding(
    salon: Records, looks: Looks, dog_id: str, entry: Mapping[str, Any], *, who: str, seen: str | None = None
) -> Finding:
    """Keep what hands found as the truth, its lengths as measurements, and tell the dog anew from it.

    Args:
        seen: id of the finding that was the newest when the hands' owner began, empty if there was none; None if she
            can't say.

    Raises:
        RecordError: ``changed_meanwhile`` if there is a newer one, which this one would replace; ``bad_value``,
            ``not_found``.
    """
    file = read(salon, dog_id)
    stood = [one for one in file.assessments if one.result.get("regime") != "hands_on"]
    finding = valid(Finding, dog_id=dog_id, by=who, assessment_id=stood[-1].id if stood else None, **entry)
    for length_mm in finding.lengths_mm.values():
        checks.measured(length_mm)
    take_up(salon, file.dog, who=who)
    with salon.write(who, only=dog_id) as writer:
        newest = writer.latest(Finding, dog_id)
        if seen is not None and seen != (newest.id if newest else ""):
            raise cases.changed_meanwhile("finding")
        writer.add(finding)
        for zone, length_mm in finding.lengths_mm.items():
            day = cases.today()
            writer.add(valid(Measurement, dog_id=dog_id, length_mm=length_mm, measured_on=day, zone=zone, how="hands"))
    return finding


def add_check(salon: Records, looks: Looks, dog_id: str, entry: Mapping[str, Any], *, who: str) -> CheckRecord:
    """Keep how the comb went behind the owner's brush.

    Raises:
        RecordError: ``conflict`` while the dog must not be brushed, or for a zone that waits for vet or groomer;
            ``bad_value``, ``not_found``.
    """
    file = read(salon, dog_id)
    record = valid(CheckRecord, dog_id=dog_id, by=who, **entry)
    assessment = assess(salon, looks, file)
    if assessment.triage is None:
        raise RecordError(
            "the technique check",
            "needs to know what may be brushed.",
            "Enter a hands-on finding first.",
            code="conflict",
        )
    may = zones_to_check(file, assessment)
    if not may:
        raise RecordError(
            "the technique check",
            "is not done while this dog must not be brushed.",
            "Stop here; see to skin, pain and knots first.",
            code="conflict",
        )
    if alone := (set(record.passed) | set(record.stopped)) - set(may):
        raise RecordError(
            f"the check at {', '.join(sorted(alone))}",
            "is not done: that place waits for the vet or the groomer.",
            "Leave it out.",
            code="conflict",
        )
    take_up(salon, file.dog, who=who)
    with salon.write(who, only=dog_id) as writer:
        if record.appointment_id is not None:
            writer.get_of_dog(Appointment, dog_id, record.appointment_id)
        if record.photo_id is not None:
            writer.get_of_dog(PlacePhoto, dog_id, record.photo_id)
        return writer.add(record)


def zones_to_check(file: DogFile, assessment: Assessment) -> tuple[BodyZone, ...]:
    """Where the comb may follow the owner's brush at this visit; nowhere while the dog must not be brushed.

    What was seen on arrival today only takes away.
    """
    if assessment.triage is None:
        return ()
    may = care.zones_to_check(assessment.triage)
    known = cases.situation(file.answers, file.truth, assessment)
    if file.look is None or known is None:
        return may
    seen = care.zones_to_check(planning.as_today(situation_of(known, file.look))[1])
    return tuple(zone for zone in may if zone in seen)


def take_back_finding(salon: Records, dog_id: str, finding_id: str, *, who: str) -> None:
    """Take back a finding that was entered by mistake, with the measurements that came with it.

    Raises:
        RecordError: ``not_found`` if this dog has no such finding.
    """
    with salon.write(who, only=dog_id) as writer:
        finding = writer.get_of_dog(Finding, dog_id, finding_id)
        day = finding.found_at.astimezone().date()
        for one in writer.find(Measurement, dog_id=dog_id, how="hands", measured_on=day):
            if finding.lengths_mm.get(one.zone) == one.length_mm:
                writer.remove(one)
        writer.remove(finding)


def assess(salon: Records, looks: Looks, file: DogFile, *, learned: LearnedModel | None = None) -> Assessment:
    """The dog as it stands now."""
    return cases.assess(looks.readings(salon, file.photos), file.answers, file.truth, learned=learned)


def reassess(salon: Records, looks: Looks, dog_id: str, *, who: str, learned: LearnedModel | None = None) -> Assessment:
    """Assess the dog as it stands and keep what is told; anew if its owner changes something just then."""
    for _ in range(_TRIES):
        file = read(salon, dog_id)
        assessment = assess(salon, looks, file, learned=learned)
        sheet = file.sheets[-1] if file.sheets else None
        if cases.keep(salon, looks, dog_id, assessment, sheet=sheet, photos=file.photos, who=who):
            break
    return assessment


def save_answers(salon: Records, dog_id: str, changes: Mapping[str, Any], *, who: str) -> Answers:
    """Keep answers that the owner gave by word; None takes one back.

    Raises:
        AnswersError: if a value can't be, or the answers contradict each other; nothing is kept then.
    """
    with salon.write(who, only=dog_id) as writer:
        return owners.merge(writer, writer.get(Dog, dog_id), changes)


def add_photo(
    salon: Records, looks: Looks, dog_id: str, content: bytes, name: str, *, most: int, who: str
) -> tuple[Photo | None, PhotoReport]:
    """Look at a photo at once, and keep it unless it has to be refused.

    Raises:
        PhotoError: if it can't be opened, or the dog has ``most`` photos already.
    """
    salon.get(Dog, dog_id)
    full, today = "Remove an old one first.", cases.today()
    return owners.keep_photo(salon, looks, dog_id, content, name, most=most, who=who, when_full=full, taken_on=today)


def photo_of(salon: Records, dog_id: str, photo_id: str) -> Photo:
    """A photo of this dog.

    Raises:
        RecordError: ``not_found``.
    """
    with salon.read() as reader:
        return reader.get_of_dog(Photo, dog_id, photo_id)


def remove(salon: Records, kind: type[Any], dog_id: str, record_id: str, *, who: str) -> None:
    """Take back one finding, measurement or appointment that was entered by mistake.

    Raises:
        RecordError: ``not_found`` if this dog has no such record.
    """
    with salon.write(who, only=dog_id) as writer:
        writer.remove(writer.get_of_dog(kind, dog_id, record_id))


def confirmed(typed: str, name: str) -> None:
    """Deleting needs the name typed.

    Raises:
        RecordError: ``unconfirmed``.
    """
    if typed.strip().casefold() != name.strip().casefold():
        raise RecordError(
            "deleting", "was not confirmed.", f"Type the name {name}; nothing was deleted.", code="conflict"
        )


# --- what comes out ---------------------------------------------------------------------------------------------------


def presented(file: DogFile, assessment: Assessment, *, language: str = "en") -> Presentation:
    """What the owner is told from today on, with the groomer's remarks."""
    measured = cases.dated(file.measurements)
    return cases.presented(
        cases.situation(file.answers, file.truth, assessment),
        assessment,
        file.answers,
        file.measurements,
        name=file.dog.name,
        breed=file.dog.breed,
        remarks=file.finding.remarks if file.finding else "",
        trims=_trims(measured, file.appointments),
        guards=file.guards,
        visit_weeks=usual_weeks(file.appointments),
        booked=file.booked,
        here=cases.here_today(file.appointments),
        language=language,
    )


def usual_weeks(appointments: Sequence[Appointment]) -> int | None:
    """Weeks between the last two visits that took place; None if there were none."""
    done = sorted(one.starts_at for one in appointments if one.state == "done")
    return max(1, round((done[-1] - done[-2]).days / 7)) if len(done) > 1 else None


def _trims(measured: Sequence[care.DatedLength], appointments: Sequence[Appointment]) -> list[care.Trim]:
    """Visits that took place between a longer and a shorter measurement: hair does not shrink."""
    done = [one.starts_at.astimezone().date() for one in appointments if one.state == "done"]
    trims = []
    for before, after in pairwise(measured):
        between = [day for day in done if before.on <= day <= after.on]
        if between and after.mm < before.mm:
            trims.append(care.Trim(between[-1], after.mm if between[-1] == after.on else None))
    return trims


def day_bounds(day: date) -> tuple[datetime, datetime]:
    """A day's first moment and the next day's, in the salon's time zone.

    Raises:
        RecordError: ``bad_value`` for a day at the ends of the calendar.
    """
    if not FIRST_DAY <= day <= LAST_DAY:
        raise RecordError(
            "this day", f"is not between {FIRST_DAY} and {LAST_DAY}.", "Choose another.", code="bad_value"
        )
    start = datetime(day.year, day.month, day.day).astimezone()
    following = day + timedelta(days=1)
    return start, datetime(following.year, following.month, following.day).astimezone()
