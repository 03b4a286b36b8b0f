"""A day at the salon: searching, who waits for hands, today's visits, joining duplicates, deleting."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, and_, exists, func, or_, select

from coatclass.contract import Verdict, VisitNote
from coatclass.errors import RecordError
from coatclass.records._store import Reader, Records, Writer, valid
from coatclass.records._values import (
    SEEN_BY_SALON,
    AnswerSheet,
    Appointment,
    CheckRecord,
    Client,
    Dog,
    Finding,
    Intake,
    Link,
    Measurement,
    Photo,
    PlacePhoto,
    Record,
    Setting,
    Sharing,
    StoredAssessment,
    now,
)
from coatclass.records.tables import appointments, assessments, clients, dogs, findings, folded, from_row, photos
from coatclass.taxonomy import BodyZone

# Children before parents, so that nothing is removed while something belongs to it.
_OF_A_DOG: tuple[type[Record], ...] = (
    Link,
    CheckRecord,
    PlacePhoto,
    Intake,
    Appointment,
    Measurement,
    Finding,
    StoredAssessment,
    AnswerSheet,
    Photo,
)


@dataclass(frozen=True)
class FoundDog:
    """A dog with its owner, None while nobody said whose it is."""

    dog: Dog
    client: Client | None


@dataclass(frozen=True)
class Waiting:
    """A dog that waits for hands.

    Attributes:
        assessment_id, since, doubt: the assessment that said so, when, and how doubtful, [0, 1]; no assessment for a
            dog that an owner sent before anything was told, which then counts as fully doubtful.
        next_visit: its next planned appointment, None if there is none.
        photo_id: its newest photo, None if there is none.
    """

    dog: Dog
    client: Client | None
    assessment_id: str | None
    since: datetime
    doubt: float
    next_visit: datetime | None = None
    photo_id: str | None = None

    @property
    def sent(self) -> bool:
        """Whether an owner sent it and nobody has answered yet."""
        return self.dog.sharing is Sharing.SENT


@dataclass(frozen=True)
class Visit:
    """An appointment with its dog and owner."""

    appointment: Appointment
    dog: Dog
    client: Client | None


def _like(word: str) -> str:
    for sign in ("\\", "%", "_"):
        word = word.replace(sign, f"\\{sign}")
    return f"%{word}%"


def _with_owner(*columns: Any) -> Select[Any]:
    """Dogs with their owners in one row; the owner's columns carry a prefix."""
    of_client = [column.label(f"client_{column.name}") for column in clients.c]
    return select(*columns, *dogs.c, *[c.label(f"its_{c.name}") for c in of_client]).select_from(
        dogs.outerjoin(clients, dogs.c.client_id == clients.c.id)
    )


def _owner(row: Any) -> Client | None:
    if row["its_client_id"] is None:
        return None
    return from_row(Client, {name: row[f"its_client_{name}"] for name in Client.model_fields})


def search_dogs(records: Records, text: str, *, limit: int = 50) -> tuple[FoundDog, ...]:
    """Dogs for which each word of the text occurs in name, breed or owner, in any case, with or without accents.

    Dogs that owners keep to themselves are left out. Sorted by name; ``limit`` at most.
    """
    statement = _with_owner().where(dogs.c.sharing.in_(SEEN_BY_SALON))
    for word in folded(text).split():
        statement = statement.where(
            or_(dogs.c.sought.like(_like(word), escape="\\"), clients.c.sought.like(_like(word), escape="\\"))
        )
    with records.read() as reader:
        rows = reader.connection.execute(statement.order_by(dogs.c.sought, dogs.c.id).limit(limit)).mappings()
        return tuple(FoundDog(from_row(Dog, row), _owner(row)) for row in rows)


def search_clients(records: Records, text: str, *, limit: int = 50) -> tuple[Client, ...]:
    """Clients for which each word of the text occurs in name, phone or mail address; sorted by name, ``limit`` at most.

    Case and accents make no difference.
    """
    statement = select(clients)
    for word in folded(text).split():
        statement = statement.where(clients.c.sought.like(_like(word), escape="\\"))
    with records.read() as reader:
        rows = reader.connection.execute(statement.order_by(clients.c.sought, clients.c.id).limit(limit)).mappings()
        return tuple(from_row(Client, row) for row in rows)


def waiting_list(
    records: Records, *, verdicts: Iterable[str] = (Verdict.HANDS_ON, Verdict.UNUSABLE_PHOTO, Verdict.NOT_A_DOG)
) -> tuple[Waiting, ...]:
    """Dogs waiting for hands: booked ones by their visit, then what owners sent, then the most doubtful.

    A dog waits if an owner sent it, or if its newest assessment has one of ``verdicts``, was made from something, and
    no finding is newer than it. Dogs that owners keep to themselves, and those put away since, don't wait.
    """
    newest = select(
        *assessments.c,
        func.row_number()
        .over(partition_by=assessments.c.dog_id, order_by=(assessments.c.made_at.desc(), assessments.c.id))
        .label("age"),
    ).subquery()
    answered = exists().where(and_(findings.c.dog_id == newest.c.dog_id, findings.c.found_at >= newest.c.made_at))
    doubtful = and_(newest.c.verdict.in_([str(verdict) for verdict in verdicts]), ~answered)
    columns = [newest.c[name].label(f"the_{name}") for name in ("id", "made_at", "doubt", "result")]
    statement = (
        _with_owner(*columns, _next_visit().label("the_visit"), _newest_photo().label("the_photo"))
        .outerjoin(newest, and_(newest.c.dog_id == dogs.c.id, newest.c.age == 1))
        .where(dogs.c.sharing.in_(SEEN_BY_SALON), or_(dogs.c.sharing == Sharing.SENT, doubtful))
    )
    with records.read() as reader:
        rows = reader.connection.execute(statement).mappings()
        found = [_waiting(row) for row in rows if _rests_on_something(row)]
    return tuple(sorted((one for one in found if not _put_away(one)), key=_urgency))


def _next_visit() -> Any:
    planned = and_(
        appointments.c.dog_id == dogs.c.id, appointments.c.state == "planned", appointments.c.starts_at >= now()
    )
    return select(func.min(appointments.c.starts_at)).where(planned).scalar_subquery()


def _newest_photo() -> Any:
    of_dog = select(photos.c.id).where(photos.c.dog_id == dogs.c.id)
    return of_dog.order_by(photos.c.added_at.desc()).limit(1).scalar_subquery()


def _rests_on_something(row: Any) -> bool:
    """Whether an owner sent it, or there was a photo or an answer to assess: a dog without either is not doubtful."""
    result = row["the_result"] or {}
    return row["sharing"] == Sharing.SENT or result.get("regime") != "none" or bool(result.get("photos"))


def _waiting(row: Any) -> Waiting:
    dog = from_row(Dog, row)
    since = row["the_made_at"] or dog.sent_at or dog.added_at
    doubt = 1.0 if row["the_doubt"] is None else row["the_doubt"]
    return Waiting(dog, _owner(row), row["the_id"], since, doubt, row["the_visit"], row["the_photo"])


def _put_away(one: Waiting) -> bool:
    return one.dog.put_away_at is not None and one.dog.put_away_at >= max(one.since, one.dog.sent_at or one.since)


def _urgency(one: Waiting) -> tuple[Any, ...]:
    booked = one.next_visit.timestamp() if one.next_visit else float("inf")
    return booked, not one.sent, -one.doubt, one.since, one.dog.id


def comb_stopped(records: Records) -> tuple[tuple[Dog, CheckRecord, datetime | None], ...]:
    """Dogs whose last technique check stopped the comb, with that check and the next planned visit; unbooked first."""
    with records.read() as reader:
        newest = {one.dog_id: one for one in reader.find(CheckRecord)}
        found = []
        for record in newest.values():
            dog = reader.get(Dog, record.dog_id)
            if record.stopped and dog.sharing.seen_by_salon:
                ahead = [one.starts_at for one in reader.find(Appointment, dog_id=dog.id, state="planned")
                         if one.starts_at >= now()]  # fmt: skip
                found.append((dog, record, min(ahead, default=None)))
    return tuple(sorted(found, key=lambda row: (row[2] is not None, row[1].checked_at)))


def setting(of: Reader | Records, name: str) -> Mapping[str, Any] | None:
    """The newest content of a setting; None before anybody entered one."""
    kept = of.find(Setting, name=name)
    return kept[-1].content if kept else None


def keep_setting(
    records: Records,
    name: str,
    content: Mapping[str, Any],
    *,
    who: str,
    check: Callable[[Reader], None] = lambda _: None,
) -> None:
    """Keep a setting; what was set before stays in the records.

    Args:
        check: asked just before, while nobody else writes; it may refuse.

    Raises:
        RecordError: ``bad_value`` if it can't be kept as JSON.
    """
    with records.write(who) as writer:
        check(writer)
        writer.add(valid(Setting, name=name, content=content))


def visits(records: Records, start: datetime, end: datetime) -> tuple[Visit, ...]:
    """Appointments that begin in [start, end), earliest first; not the cancelled, nor of dogs that owners took back."""
    columns = [appointments.c[name].label(f"the_{name}") for name in Appointment.model_fields]
    statement = (
        _with_owner(*columns)
        .join(appointments, appointments.c.dog_id == dogs.c.id)
        .where(appointments.c.starts_at >= start, appointments.c.starts_at < end, appointments.c.state != "cancelled")
        .where(dogs.c.sharing.in_(SEEN_BY_SALON))
        .order_by(appointments.c.starts_at, appointments.c.id)
    )
    with records.read() as reader:
        return tuple(
            Visit(
                from_row(Appointment, {name: row[f"the_{name}"] for name in Appointment.model_fields}),
                from_row(Dog, row),
                _owner(row),
            )
            for row in reader.connection.execute(statement).mappings()
        )


def visit_notes(reader: Reader, dog_id: str) -> tuple[VisitNote, ...]:
    """What a dog's visits left behind, one note a day, the oldest first: check, knots, minutes on the table, length.

    A length measured between visits makes no note.
    """
    notes: dict[date, dict[str, Any]] = {}

    def on(moment: datetime) -> dict[str, Any]:
        return notes.setdefault(moment.astimezone().date(), {})

    for visit in reader.find(Appointment, dog_id=dog_id):
        if visit.state == "done" and visit.took_minutes is not None:
            on(visit.starts_at)["minutes"] = float(visit.took_minutes)
    for finding in reader.find(Finding, dog_id=dog_id):
        on(finding.found_at).update({"mats": finding.mats, "length_mm": finding.trunk_mm})
    for record in reader.find(CheckRecord, dog_id=dog_id):
        on(record.checked_at)["check"] = record.check
    for one in reader.find(Measurement, dog_id=dog_id, zone=BodyZone.TRUNK):
        if one.measured_on in notes:
            notes[one.measured_on]["length_mm"] = one.length_mm
    return tuple(VisitNote(on=day, **notes[day]) for day in sorted(notes))


def merge_dogs(records: Records, keep: str, duplicate: str, *, who: str) -> Dog:
    """Merge two records of one dog: everything moves to ``keep``, whose empty fields are filled; the other is removed.

    Args:
        keep, duplicate: ids of the dogs.
        who: whose act it is, for the audit trail.

    Raises:
        RecordError: ``same`` if both are one record, ``not_found``.
    """
    _refuse_same(keep, duplicate)
    with records.write(who) as writer:
        kept, other = writer.get(Dog, keep), writer.get(Dog, duplicate)
        for kind in reversed(_OF_A_DOG):
            for child in writer.find(kind, dog_id=duplicate):
                writer.change(child, dog_id=keep)
        kept = writer.change(kept, **_filled(kept, other))
        writer.absorb(kept, other)
    return kept


def merge_clients(records: Records, keep: str, duplicate: str, *, who: str) -> Client:
    """Merge two records of one client: the dogs move to ``keep``, whose empty fields are filled; the other is removed.

    Args:
        keep, duplicate: ids of the clients.
        who: whose act it is, for the audit trail.

    Raises:
        RecordError: ``same`` if both are one record, ``not_found``.
    """
    _refuse_same(keep, duplicate)
    with records.write(who) as writer:
        kept, other = writer.get(Client, keep), writer.get(Client, duplicate)
        for dog in writer.find(Dog, client_id=duplicate):
            writer.change(dog, client_id=keep)
        kept = writer.change(kept, **_filled(kept, other))
        writer.absorb(kept, other)
    return kept


def _refuse_same(keep: str, duplicate: str) -> None:
    if keep == duplicate:
        raise RecordError("merging", "needs two different records.", "Choose the duplicate.", code="same")


def _filled(kept: Record, other: Record) -> dict[str, Any]:
    """Fields that only the duplicate has; remarks are joined."""
    mine, theirs = dict(kept), dict(other)
    gained = {name: theirs[name] for name in mine if mine[name] in (None, "") and theirs[name] not in (None, "")}
    if mine["remarks"] and theirs["remarks"] and mine["remarks"] != theirs["remarks"]:
        gained["remarks"] = f"{mine['remarks']}\n{theirs['remarks']}"
    return gained


def delete_dog(records: Records, dog_id: str, *, who: str) -> None:
    """Erase a dog with its records and photos, and what the audit trail held of them.

    Raises:
        RecordError: ``not_found``.
    """
    with records.write(who, only=dog_id) as writer:
        _erase_dog(writer, writer.get(Dog, dog_id))
    records.sweep_erased(writer.loose)


def erase_for_owner(records: Records, dog_id: str, *, who: str) -> bool:
    """Erase what an owner gave; the whole dog unless it is a salon's own record; return whether all is gone.

    These are links, answers, photos, estimates, how to reach the owner, and measurements that no groomer made. What a
    groomer entered (the dog, its client, findings, visits) stays with the salon; no link leads to it any more.

    Raises:
        RecordError: ``not_found``.
    """
    with records.write(who, only=dog_id) as writer:
        dog = writer.get(Dog, dog_id)
        kept = _is_the_salons(writer, dog)
        if kept:
            _erase_owners_part(writer, dog)
        else:
            _erase_dog(writer, dog)
    records.sweep_erased(writer.loose)
    return not kept


def _is_the_salons(reader: Reader, dog: Dog) -> bool:
    """Whether a groomer keeps the dog on record: made or taken over, with a client, findings, visits, or signatures.

    A visit that was only booked no longer counts once the owner has taken the dog back.
    """
    if dog.sharing is Sharing.SALON:
        return True
    visits = [
        one for one in reader.find(Appointment, dog_id=dog.id) if dog.sharing.seen_by_salon or one.state == "done"
    ]
    signed = [one for one in reader.find(Intake, dog_id=dog.id) if one.signed_at is not None]
    return bool(dog.client_id or visits or signed or reader.count(Finding, dog_id=dog.id))


OF_THE_SENDER = ("sent_by", "sent_reach", "sent_at")
"""Fields of a dog that say who sent it to the salon."""


def withdraw(writer: Writer, dog: Dog, sharing: Sharing) -> Dog:
    """Change whether the salon sees a dog, and forget who sent it."""
    left = writer.change(dog, sharing=sharing, sent_by="", sent_reach="", sent_at=None)
    writer.forget(left, OF_THE_SENDER)
    return left


def _erase_owners_part(writer: Writer, dog: Dog) -> None:
    for finding in writer.find(Finding, dog_id=dog.id):
        writer.change(finding, assessment_id=None)
    for kind in (Link, Measurement, StoredAssessment, AnswerSheet, Photo):
        for value in writer.find(kind, dog_id=dog.id):
            if getattr(value, "how", "") != "hands":
                writer.erase(value)
    withdraw(writer, dog, Sharing.SALON)


def delete_client(records: Records, client_id: str, *, who: str) -> None:
    """Erase a client with the dogs, their records and photos, and what the audit trail held of them.

    Raises:
        RecordError: ``not_found``.
    """
    with records.write(who) as writer:
        client = writer.get(Client, client_id)
        for dog in writer.find(Dog, client_id=client_id):
            _erase_dog(writer, dog)
        writer.erase(client)
    records.sweep_erased(writer.loose)


def _erase_dog(writer: Writer, dog: Dog) -> None:
    """The dog with all that belongs to it, signed or not; newer versions go before those that they replace."""
    with writer.erasing(dog.id):
        for kind in _OF_A_DOG:
            for value in reversed(writer.find(kind, dog_id=dog.id)):
                writer.erase(value)
        writer.erase(dog)
