"""Tables of the database, and how a value becomes a row and back."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from typing import Any, TypeVar

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

from coatclass.records._values import (
    STORED,
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
    Session,
    Setting,
    StoredAssessment,
    User,
)

R = TypeVar("R", bound=Record)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC on every engine; SQLite keeps no time zone by itself."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Store in UTC."""
        if value is None:
            return None
        in_utc = value.astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Read as UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id() -> Column[Any]:
    return Column("id", String(32), primary_key=True)


def _ref(name: str, target: str, *, nullable: bool = False) -> Column[Any]:
    return Column(name, String(32), ForeignKey(f"{target}.id"), nullable=nullable, index=True)


def _time(name: str, *, nullable: bool = False) -> Column[Any]:
    return Column(name, UtcDateTime, nullable=nullable)


def _words(*names: str) -> list[Column[Any]]:
    return [Column(name, Text, nullable=False) for name in names]


def _json(name: str) -> Column[Any]:
    return Column(name, JSON(none_as_null=True), nullable=False)


# One row: which salon this is, so that no other database's photo folder is ever swept.
salon = Table("salon", metadata, _id())
clients = Table(
    "clients",
    metadata,
    _id(),
    *_words("name", "phone", "email", "address", "remarks"),
    _time("added_at"),
    Column("sought", Text, nullable=False),
)
dogs = Table(
    "dogs",
    metadata,
    _id(),
    _ref("client_id", "clients", nullable=True),
    *_words("name", "breed"),
    Column("sex", String(6)),
    Column("born_on", Date),
    Column("weight_kg", Float),
    *_words("remarks"),
    Column("sharing", String(10), nullable=False),
    *_words("sent_by", "sent_reach"),
    _time("sent_at", nullable=True),
    _time("put_away_at", nullable=True),
    _time("counted_since", nullable=True),
    _time("added_at"),
    Column("sought", Text, nullable=False),
)
photos = Table(
    "photos",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    Column("sha256", String(64), nullable=False, index=True),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("taken_on", Date),
    _time("added_at"),
)
answers = Table("answers", metadata, _id(), _ref("dog_id", "dogs"), _json("content"), _time("given_at"))
assessments = Table(
    "assessments",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    _json("result"),
    _json("evidence"),
    _ref("answers_id", "answers", nullable=True),
    _time("made_at"),
    Column("verdict", String(40), nullable=False),
    Column("doubt", Float, nullable=False),
)
findings = Table(
    "findings",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    Column("category", String(20), nullable=False),
    *_words("by"),
    _json("lengths_mm"),
    Column("undercoat", String(20)),
    Column("texture", String(20)),
    _json("mats"),
    Column("patience", String(20)),
    *_words("remarks"),
    _ref("assessment_id", "assessments", nullable=True),
    _time("found_at"),
)
measurements = Table(
    "measurements",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    Column("length_mm", Float, nullable=False),
    Column("measured_on", Date, nullable=False),
    Column("zone", String(20), nullable=False),
    Column("how", String(10), nullable=False),
    Column("error_mm", Float),
)
appointments = Table(
    "appointments",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    Column("starts_at", UtcDateTime, nullable=False, index=True),
    Column("minutes", Integer, nullable=False),
    Column("state", String(10), nullable=False),
    *_words("remarks"),
    Column("took_minutes", Integer),
    Column("work", Text, nullable=False, server_default=""),
)
settings = Table("settings", metadata, _id(), *_words("name"), _json("content"), _time("made_at"))
# Triggers (migration 0003) keep signed rows, and photos that belong to them, as they are.
intakes = Table(
    "intakes",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    _ref("appointment_id", "appointments", nullable=True),
    _ref("replaces_id", "intakes", nullable=True),
    Column("version", Integer, nullable=False),
    *_words("content"),
    Column("sha256", String(64), nullable=False),
    _time("made_at"),
    _time("signed_at", nullable=True),
)
place_photos = Table(
    "place_photos",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    _ref("intake_id", "intakes", nullable=True),
    *_words("place"),
    Column("sha256", String(64), nullable=False, index=True),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    _time("added_at"),
)
checks = Table(
    "checks",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    *_words("by"),
    _json("passed"),
    _json("stopped"),
    _json("faults"),
    Column("tool", String(40)),
    *_words("remarks"),
    _ref("appointment_id", "appointments", nullable=True),
    _ref("photo_id", "place_photos", nullable=True),
    _time("checked_at"),
)
# Dogs that are being erased in this transaction: what was signed of them may go.
erasing = Table("erasing", metadata, Column("dog_id", String(32), primary_key=True))
users = Table(
    "users",
    metadata,
    _id(),
    *_words("name"),
    Column("role", String(20), nullable=False),
    *_words("password_hash"),
    Column("disabled", Boolean, nullable=False),
    Column("failed_sign_ins", Integer, nullable=False),
    _time("locked_until", nullable=True),
    _time("added_at"),
    Column("sought", Text, nullable=False, unique=True),
)
sessions = Table(
    "sessions",
    metadata,
    _id(),
    _ref("user_id", "users"),
    Column("token_hash", String(64), nullable=False, unique=True),
    _time("expires_at"),
    _time("started_at"),
)
links = Table(
    "links",
    metadata,
    _id(),
    _ref("dog_id", "dogs"),
    Column("token_hash", String(64), nullable=False, unique=True),
    _time("expires_at"),
    _time("made_at"),
)
changes = Table(
    "changes",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    _time("at"),
    *_words("who"),
    Column("action", String(10), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("record_id", String(32), nullable=False, index=True),
    Column("about", String(32), nullable=False, index=True),  # whose data this is: a client's, a dog's or nobody's
    Column("before", JSON(none_as_null=True)),
    Column("after", JSON(none_as_null=True)),
)
# Digests of who asked and who tried to sign in, for servers that share one PostgreSQL. These are no records: no archive
# holds them, and they last for an hour at most.
counts = Table(
    "counts",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("number", Float(53), nullable=False),
    Column("at", Float(53), nullable=False),  # seconds of the database's clock, 1970-01-01 = 0
)
Index("ix_assessments_dog_made", assessments.c.dog_id, assessments.c.made_at)
Index("ix_findings_dog_found", findings.c.dog_id, findings.c.found_at)


@dataclass(frozen=True)
class Kind:
    """The table of a class of record, the column that orders it, and the fields that the audit trail leaves out."""

    table: Table
    order: str
    secret: frozenset[str] = frozenset()


# Parents before children: the order in which an archive is read back.
KINDS: Mapping[type[Record], Kind] = {
    Client: Kind(clients, "added_at"),
    Dog: Kind(dogs, "added_at"),
    Photo: Kind(photos, "added_at"),
    AnswerSheet: Kind(answers, "given_at"),
    StoredAssessment: Kind(assessments, "made_at"),
    Finding: Kind(findings, "found_at"),
    Measurement: Kind(measurements, "measured_on"),
    Appointment: Kind(appointments, "starts_at"),
    Intake: Kind(intakes, "made_at", frozenset({"content"})),
    PlacePhoto: Kind(place_photos, "added_at"),
    CheckRecord: Kind(checks, "checked_at"),
    Setting: Kind(settings, "made_at"),
    User: Kind(users, "added_at", frozenset({"password_hash"})),
    Session: Kind(sessions, "started_at", frozenset({"token_hash"})),
    Link: Kind(links, "made_at", frozenset({"token_hash"})),
}


def folded(*texts: str) -> str:
    """Text as it is searched: case, accents and surplus spaces removed."""
    bare = unicodedata.normalize("NFKD", " ".join(texts).casefold())
    return " ".join("".join(letter for letter in bare if not unicodedata.combining(letter)).split())


def _derived(value: Record) -> dict[str, Any]:
    """Columns that exist only for searching."""
    if isinstance(value, Client):
        return {"sought": folded(value.name, value.phone, value.email)}
    if isinstance(value, Dog):
        return {"sought": folded(value.name, value.breed)}
    if isinstance(value, User):
        return {"sought": folded(value.name)}
    if isinstance(value, StoredAssessment):
        return {"verdict": value.verdict, "doubt": value.doubt}
    return {}


def to_row(value: Record) -> dict[str, Any]:
    """A value as a row of its table."""
    table = KINDS[type(value)].table
    as_json = value.model_dump(mode="json")
    row = {}
    for name, content in value.model_dump().items():
        plain = as_json[name] if isinstance(table.c[name].type, JSON) else content
        row[name] = plain.value if isinstance(plain, Enum) else plain
    return row | _derived(value)


def from_row(kind: type[R], row: Mapping[Any, Any]) -> R:
    """A row as a value."""
    return kind.model_validate({name: row[name] for name in kind.model_fields}, context=STORED)
