"""What is kept: frozen values, one class for each kind of record."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Annotated, Any, Literal
from uuid import uuid4

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)

from coatclass.contract import Assessment, Fault, Frozen, TechniqueCheck
from coatclass.errors import RecordError
from coatclass.plain_text import one_line, paragraphs
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience, Texture, Undercoat


def now() -> datetime:
    """The present moment in UTC."""
    return datetime.now(UTC)


FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
"""Days that a record may name; others are typing errors, and date arithmetic overflows near year 1 and 9999."""
STORED = {"stored": True}
"""Validation context for reading back: whatever was stored once stays readable."""


def _plausible_day(day: date, info: ValidationInfo) -> date:
    if not (info.context or {}).get("stored") and not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError(f"a day lies between {FIRST_DAY} and {LAST_DAY}")
    return day


def _plausible_moment(moment: datetime, info: ValidationInfo) -> datetime:
    _plausible_day(moment.date(), info)
    return moment.astimezone(UTC)


def _cleaned(clean: Callable[[str], str]) -> BeforeValidator:
    return BeforeValidator(lambda text: clean(text) if isinstance(text, str) else text)


Day = Annotated[date, AfterValidator(_plausible_day)]
Moment = Annotated[AwareDatetime, AfterValidator(_plausible_moment)]
Id = Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[str, _cleaned(one_line), Field(min_length=1, max_length=200)]
Line = Annotated[str, _cleaned(one_line), Field(max_length=200)]
Text = Annotated[str, _cleaned(paragraphs), Field(max_length=20_000)]


def _as_json(content: dict[str, Any]) -> dict[str, Any]:
    """The value after a trip through JSON, so that it equals what is read back; refuses NaN and infinity."""
    try:
        return dict(json.loads(json.dumps(content, allow_nan=False, ensure_ascii=False).encode()))
    except (TypeError, UnicodeError, RecursionError) as error:
        raise ValueError(f"can't be kept as JSON: {error}") from error


JsonObject = Annotated[dict[str, Any], AfterValidator(_as_json)]
Millimetres = Annotated[float, Field(gt=0, le=1000)]


class Record(Frozen):
    """Anything that is kept; it has its own id before it is stored."""

    id: Id = Field(default_factory=lambda: uuid4().hex)


class Client(Record):
    """An owner."""

    name: Name
    phone: Line = ""
    email: Line = ""
    address: Line = ""
    remarks: Text = ""
    added_at: Moment = Field(default_factory=now)


class Sharing(StrEnum):
    """Who sees a dog besides whoever has its link.

    ``salon``: the salon, which keeps it as its own. ``sent``: the salon, because the owner sent it and waits.
    ``groomer``: nobody yet; the owner means to send it. ``self`` and ``declined``: nobody.
    """

    SALON = "salon"
    SENT = "sent"
    GROOMER = "groomer"
    SELF = "self"
    DECLINED = "declined"

    @property
    def seen_by_salon(self) -> bool:
        """Whether the salon's lists may show the dog."""
        return self in SEEN_BY_SALON


SEEN_BY_SALON = (Sharing.SALON, Sharing.SENT)


class Dog(Record):
    """A dog; ``client_id`` is None while nobody said whose it is.

    Attributes:
        sharing: who sees it.
        sent_by, sent_reach, sent_at: who sent it to the salon, how to reach that person, and when.
        put_away_at: when a groomer took it off the list of dogs that wait for hands.
        counted_since: since when its owner agrees that it counts in the salon's anonymous totals; None if not.
    """

    client_id: Id | None = None
    name: Name
    breed: Line = ""
    sex: Literal["female", "male"] | None = None
    born_on: Day | None = None
    weight_kg: Annotated[float, Field(gt=0, le=150)] | None = None
    remarks: Text = ""
    sharing: Sharing = Sharing.SALON
    sent_by: Line = ""
    sent_reach: Line = ""
    sent_at: Moment | None = None
    put_away_at: Moment | None = None
    counted_since: Moment | None = None
    added_at: Moment = Field(default_factory=now)


class Photo(Record):
    """A photo of a dog; the picture itself lies in the photo store under its SHA-256."""

    dog_id: Id
    sha256: Digest
    width: int
    height: int
    taken_on: Day | None = None
    added_at: Moment = Field(default_factory=now)


class AnswerSheet(Record):
    """One filled-in questionnaire: the JSON that ``coatclass.answers.parse`` takes."""

    dog_id: Id
    content: JsonObject
    given_at: Moment = Field(default_factory=now)


class StoredAssessment(Record):
    """One assessment as it was given at the time.

    Attributes:
        result: JSON of :class:`coatclass.contract.Assessment`, with its versions inside.
        evidence: what the estimate was made from, for learning later; JSON.
        answers_id: the answers it used.
    """

    dog_id: Id
    result: JsonObject
    evidence: JsonObject = Field(default_factory=dict)
    answers_id: Id | None = None
    made_at: Moment = Field(default_factory=now)

    @property
    def assessment(self) -> Assessment:
        """The assessment itself.

        Raises:
            RecordError: if it was written by a version whose JSON this one can't read.
        """
        try:
            return Assessment.model_validate(self.result)
        except ValidationError as error:
            raise RecordError(
                f"assessment {self.id}",
                "was written in a form that this version can't read.",
                "Use the version of coatclass that wrote it, or assess the dog again.",
                code="unreadable",
            ) from error

    @property
    def verdict(self) -> str:
        """The verdict's name; empty if there is none."""
        return str(self.result.get("verdict", ""))

    @property
    def probabilities(self) -> Mapping[str, float]:
        """P(category); empty without an estimate, and of another program's result, out of an archive."""
        try:
            return {name: float(p) for name, p in self.result["category"]["probabilities"].items()}
        except (AttributeError, KeyError, TypeError, ValueError):
            return {}

    @property
    def doubt(self) -> float:
        """Entropy of P(category) as a share of the highest possible, [0, 1]; 1 without an estimate."""
        probabilities = self.probabilities.values()
        if len(probabilities) < 2:
            return 1.0
        entropy = -sum(p * math.log(p) for p in probabilities if p > 0)
        return min(1.0, max(0.0, entropy / math.log(len(probabilities))))


class Finding(Record):
    """What a groomer's hands found: the truth, which replaces estimates.

    Attributes:
        lengths_mm: hair length at up to three places, mm.
        by: name of the groomer.
        assessment_id: the estimate that stood when the hands were laid on.
    """

    dog_id: Id
    category: CoatCategory
    by: Name
    lengths_mm: Annotated[dict[BodyZone, Millimetres], Field(max_length=3)] = Field(default_factory=dict)
    undercoat: Undercoat | None = None
    texture: Texture | None = None
    mats: dict[BodyZone, MatState] = Field(default_factory=dict)
    patience: Patience | None = None
    remarks: Text = ""
    assessment_id: Id | None = None
    found_at: Moment = Field(default_factory=now)

    @property
    def trunk_mm(self) -> float | None:
        """Length on the trunk, mm."""
        return self.lengths_mm.get(BodyZone.TRUNK)


class Measurement(Record):
    """A length somebody measured."""

    dog_id: Id
    length_mm: Millimetres
    measured_on: Day
    zone: BodyZone = BodyZone.TRUNK
    how: Literal["ruler", "card", "hands"] = "ruler"
    error_mm: Annotated[float, Field(ge=0)] | None = None


class Appointment(Record):
    """A visit.

    Attributes:
        minutes: as planned; ``took_minutes``: as it took, once it is done.
        work: what was done on the table, a word of :mod:`coatclass.intake`; empty if nobody noted it.
    """

    dog_id: Id
    starts_at: Moment
    minutes: Annotated[int, Field(gt=0, le=24 * 60)] = 60
    state: Literal["planned", "done", "cancelled", "missed"] = "planned"
    remarks: Text = ""
    took_minutes: Annotated[int, Field(gt=0, le=24 * 60)] | None = None
    work: Annotated[str, Field(max_length=20)] = ""


class CheckRecord(Record):
    """A technique check at a visit: the owner brushed as at home, the groomer combed behind.

    Attributes:
        passed, stopped: zones where the comb went through to the skin, or did not.
        tool: the brush that the owner used, by its id in the tool catalogue.
        photo_id: a photo of what was found.
        by: name of the groomer.
    """

    dog_id: Id
    by: Name
    passed: tuple[BodyZone, ...] = ()
    stopped: tuple[BodyZone, ...] = ()
    faults: tuple[Fault, ...] = ()
    tool: Annotated[str, Field(pattern=r"^[a-z_]{1,40}$")] | None = None
    remarks: Text = ""
    appointment_id: Id | None = None
    photo_id: Id | None = None
    checked_at: Moment = Field(default_factory=now)

    @model_validator(mode="after")
    def _checks_something(self) -> CheckRecord:
        _ = self.check
        return self

    @property
    def check(self) -> TechniqueCheck:
        """As the plan takes it."""
        return TechniqueCheck(passed=self.passed, stopped=self.stopped, faults=self.faults, tool=self.tool)


class Intake(Record):
    """What was found on arrival and what the owner agreed to; once signed, it never changes (migration 0003).

    Attributes:
        appointment_id: the visit that it belongs to.
        replaces_id: the signed version before it.
        version: 1 for the first of a visit.
        content: JSON as one text, so that its digest is that of these very characters.
        sha256: digest of ``content``.
        signed_at: None while it is a draft.
    """

    dog_id: Id
    appointment_id: Id | None = None
    replaces_id: Id | None = None
    version: Annotated[int, Field(ge=1)] = 1
    content: Annotated[str, Field(max_length=500_000)] = Field(repr=False)
    sha256: Digest = ""
    made_at: Moment = Field(default_factory=now)
    signed_at: Moment | None = None

    @model_validator(mode="before")
    @classmethod
    def _digested(cls, values: Any, info: ValidationInfo) -> Any:
        """Give a new record its digest; refuse one whose digest does not match its content."""
        if not isinstance(values, dict) or (info.context or {}).get("stored"):
            return values
        digest = digest_of(values.get("content", ""))
        if values.get("sha256") not in (None, "", digest):
            raise ValueError("the digest is not that of the content")
        return {**values, "sha256": digest}

    @property
    def intact(self) -> bool:
        """Whether the content still matches its digest."""
        return digest_of(self.content) == self.sha256


def digest_of(content: object) -> str:
    """SHA-256 of a text."""
    return hashlib.sha256(str(content).encode("utf-8", "surrogatepass")).hexdigest()


class PlacePhoto(Record):
    """A photo of one place of a dog, such as a mat; never looked at by the image model.

    Attributes:
        place: what it shows, a word of whoever keeps it.
        intake_id: the signed intake that it belongs to; None before that.
    """

    dog_id: Id
    intake_id: Id | None = None
    place: Line = ""
    sha256: Digest
    width: int
    height: int
    added_at: Moment = Field(default_factory=now)


class Setting(Record):
    """A setting of the salon, such as its rates; the newest of each name counts."""

    name: Name
    content: JsonObject
    made_at: Moment = Field(default_factory=now)


class UserRole(StrEnum):
    """Who may do what. Owners have links instead."""

    GROOMER = "groomer"
    RESEARCHER = "researcher"


class User(Record):
    """Somebody who signs in. The password is hashed by the caller; only the hash is kept here.

    ``failed_sign_ins`` and ``locked_until`` are not used any more; they stay so that older archives can be read.
    """

    name: Name
    role: UserRole
    password_hash: Annotated[str, Field(max_length=500)] = Field(repr=False)
    disabled: bool = False
    failed_sign_ins: int = 0
    locked_until: Moment | None = None
    added_at: Moment = Field(default_factory=now)


class Session(Record):
    """A signed-in browser; only the hash of its token is kept."""

    user_id: Id
    token_hash: Digest = Field(repr=False)
    expires_at: Moment
    started_at: Moment = Field(default_factory=now)


class Link(Record):
    """An owner's way to one dog; only the hash of its token is kept."""

    dog_id: Id
    token_hash: Digest = Field(repr=False)
    expires_at: Moment
    made_at: Moment = Field(default_factory=now)


class Change(Frozen):
    """A line of the audit trail. ``before`` and ``after`` hold the changed fields, None once erased."""

    number: int
    at: Moment
    who: str
    action: Literal["added", "changed", "removed", "erased"]
    kind: str
    record_id: str
    about: str
    before: Mapping[str, Any] | None = None
    after: Mapping[str, Any] | None = None
