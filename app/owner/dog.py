"""One owner's dog by its link: reading it, and every change an owner may make. No page and no HTTP in here."""

from __future__ import annotations

import logging
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Protocol, TypeVar

from app import cases, checks
from app.accounts import dog_of_link
from app.language import words
from app.looking import Looks
from coatclass import answers as questionnaire
from coatclass import planning, toolkit
from coatclass.answers import Answers, OwnedTool
from coatclass.contract import Assessment, CoatSituation, PhotoReport, PhotoStatus, VisitNote
from coatclass.errors import InputError, PhotoError, RecordError
from coatclass.measure import CardMeasurement, measure_by_card, measure_by_ruler
from coatclass.presentation import Presentation
from coatclass.records import (
    AnswerSheet,
    Appointment,
    Dog,
    Finding,
    Measurement,
    Photo,
    PreparedPicture,
    Records,
    Sharing,
    StoredAssessment,
    Writer,
    add_link,
    erase_for_owner,
    valid,
    visit_notes,
    withdraw,
)
from coatclass.words import catalogue

Marks = Sequence[tuple[float, float]]
WHO = "owner's link"
UNNAMED = "your dog"
T = TypeVar("T")
_log = logging.getLogger("coatclass.app")


@dataclass(frozen=True)
class OwnersDog:
    """What the link shows: the dog, what was answered and its photos, as of one moment."""

    dog: Dog
    answers: Answers
    photos: tuple[Photo, ...]
    measurements: tuple[Measurement, ...]
    finding: Finding | None
    notes: tuple[VisitNote, ...] = ()
    sheet: AnswerSheet | None = None
    appointments: tuple[Appointment, ...] = ()

    @property
    def name(self) -> str:
        """How the dog is called on the page."""
        return words().your_dog if self.dog.name == UNNAMED else self.dog.name

    @property
    def truth(self) -> cases.Truth:
        """What a groomer's hands have said; without them the owner's own measuring is among the answers."""
        return cases.Truth.as_of(
            cases.today(),
            self.finding,
            self.measurements if self.finding else (),
            self.notes,
            born_on=self.dog.born_on,
            clipped_on=cases.clipped_on(self.sheet, self.answers),
            stripped_on=cases.stripped_on(self.sheet, self.answers),
        )


def start(salon: Records, name: str, *, days: int, for_groomer: bool = False) -> tuple[Dog, str]:
    """A new dog without an owner's name, and the token of the link that leads to it; no list of the salon shows it."""
    sharing = Sharing.GROOMER if for_groomer else Sharing.SELF
    dog = valid(Dog, name=name.strip()[:200] or UNNAMED, sharing=sharing)
    with salon.write(WHO, only=dog.id) as writer:
        return writer.add(dog), add_link(writer, dog.id, valid_for=timedelta(days=days))


def find(salon: Records, token: str) -> OwnersDog:
    """What a link shows.

    Raises:
        RecordError: ``not_found``.
    """
    dog = dog_of_link(salon, token)
    with salon.read() as reader:
        return OwnersDog(
            dog=dog,
            answers=cases.answers_of(reader, dog.id),
            photos=reader.find(Photo, dog_id=dog.id),
            measurements=reader.find(Measurement, dog_id=dog.id),
            finding=reader.latest(Finding, dog.id),
            notes=visit_notes(reader, dog.id),
            sheet=reader.latest(AnswerSheet, dog.id),
            appointments=reader.find(Appointment, dog_id=dog.id),
        )


def rename(salon: Records, token: str, name: str) -> Dog:
    """Call the dog by its name."""
    return salon.change(dog_of_link(salon, token), who=WHO, name=name.strip()[:200] or UNNAMED)


def send(salon: Records, token: str, name: str, reach: str) -> Dog:
    """Send the dog to the salon as a request: from then on its lists show it.

    Raises:
        RecordError: ``incomplete`` without a name or a way to reach the owner.
    """
    dog = dog_of_link(salon, token)
    if not name.strip() or not checks.reachable(reach):
        raise RecordError(
            "sending", "needs your name and a phone number or mail address.", "Fill in both.", code="incomplete"
        )
    if dog.sharing is Sharing.SALON:
        return dog  # the salon keeps it already
    fields = {
        "sharing": Sharing.SENT,
        "sent_by": name.strip(),
        "sent_reach": reach.strip(),
        "sent_at": datetime.now(UTC),
    }
    return salon.change(dog, who=WHO, **fields)


def take_back(salon: Records, token: str) -> Dog:
    """Take a request back that no groomer has answered yet; the salon sees the dog no more."""
    dog = dog_of_link(salon, token)
    if dog.sharing is not Sharing.SENT:
        return dog
    with salon.write(WHO, only=dog.id) as writer:
        return withdraw(writer, dog, Sharing.SELF)


def save_answers(salon: Records, token: str, changes: Mapping[str, Any]) -> Answers:
    """Keep answers as they are given; None takes one back.

    Raises:
        AnswersError: if a value can't be, or the answers contradict each other; nothing is kept then.
    """
    dog = dog_of_link(salon, token)
    with salon.write(WHO, only=dog.id) as writer:
        return merge(writer, dog, changes)


def merge(writer: Writer, dog: Dog, changes: Mapping[str, Any]) -> Answers:
    """Add changes to the dog's answers, None taking one back; keep them if anything changed.

    Raises:
        AnswersError: if a value can't be, or the answers contradict each other.
    """
    sheet = writer.latest(AnswerSheet, dog.id)
    before = {} if sheet is None else sheet.content
    merged = {name: value for name, value in {**before, **changes}.items() if value is not None}
    answers = questionnaire.parse(merged)
    content = answers.model_dump(mode="json", exclude_none=True)
    if sheet is not None and content == sheet.content:
        return answers
    if sheet is None or writer.find(StoredAssessment, answers_id=sheet.id):
        writer.add(AnswerSheet(dog_id=dog.id, content=content))  # what an assessment used stays as it was
    else:
        writer.change(sheet, content=content)
    if answers.breed and answers.breed != dog.breed:
        writer.change(dog, breed=answers.breed)
    return answers


def add_photo(
    salon: Records, looks: Looks, token: str, content: bytes, name: str, *, most: int
) -> tuple[Photo | None, PhotoReport]:
    """Look at a photo at once, and keep it unless it has to be refused.

    Raises:
        PhotoError: if it can't be opened, or the dog has ``most`` photos already.
    """
    dog = dog_of_link(salon, token)
    return keep_photo(salon, looks, dog.id, content, name, most=most, who=WHO, when_full="Remove one first.")


def keep_photo(
    salon: Records,
    looks: Looks,
    dog_id: str,
    content: bytes,
    name: str,
    *,
    most: int,
    who: str,
    when_full: str,
    taken_on: date | None = None,
) -> tuple[Photo | None, PhotoReport]:
    """Look at a photo, and keep a clean copy of it unless it has to be refused; for owners and groomers alike.

    Args:
        when_full: what to do where the dog has ``most`` photos already.
        taken_on: the day, where somebody knows it.

    Raises:
        PhotoError: if it can't be opened, is here already, or there are ``most``.
    """
    picture, report = looks.before_keeping(content, name)
    if report.status is PhotoStatus.REFUSED:
        return None, report
    with salon.write(who, only=dog_id) as writer:
        _refuse_twice(writer, dog_id, picture)
        if writer.count(Photo, dog_id=dog_id) >= most:
            raise PhotoError("photos", f"are {most} already.", when_full, code="too_many_photos")
        return writer.add_photo(dog_id, picture, taken_on=taken_on), report


def _refuse_twice(writer: Writer, dog_id: str, picture: PreparedPicture) -> None:
    """The same photo says nothing more when it comes again.

    Raises:
        PhotoError: ``same_photo``.
    """
    if any(kept.sha256 == picture.sha256 for kept in writer.find(Photo, dog_id=dog_id)):
        raise PhotoError("this photo", "is here already.", "Take another one, from the other side.", code="same_photo")


def photo_of(salon: Records, token: str, photo_id: str) -> Photo:
    """A photo, if it is of the link's dog.

    Raises:
        RecordError: ``not_found`` otherwise, whether or not there is such a photo.
    """
    dog = dog_of_link(salon, token)
    with salon.read() as reader:
        return reader.get_of_dog(Photo, dog.id, photo_id)


def remove_photo(salon: Records, token: str, photo_id: str) -> None:
    """Take a photo back; its picture goes unless somebody else's record needs it."""
    dog = dog_of_link(salon, token)
    with salon.write(WHO, only=dog.id) as writer:
        writer.erase(writer.get_of_dog(Photo, dog.id, photo_id))
    salon.sweep_erased(writer.loose)


def erase(salon: Records, token: str) -> bool:
    """Erase what the owner gave, and end every link to the dog; return whether nothing of the dog is left.

    A dog that a groomer keeps on record (made there, or with a client, findings or visits) loses the owner's photos,
    answers, estimates and measurements; what the salon entered stays with the salon, which erases it by the client.
    """
    return erase_for_owner(salon, dog_of_link(salon, token).id, who=WHO)


def measure(
    salon: Records, token: str, corners: Marks, hair: Marks, *, click_error_px: float, keep: bool
) -> CardMeasurement:
    """Reckon a length from marks in a picture; kept as measured if the owner says so.

    Raises:
        InputError: if the marks can't be a card's or a hair's.
    """
    dog = dog_of_link(salon, token)
    found = measure_by_card(corners, hair, click_error_px=click_error_px, rounded_corners=True)
    if keep:
        checks.measured(found.length_mm)
        length = round(found.length_mm, 1)
        with salon.write(WHO, only=dog.id) as writer:
            merge(writer, dog, {"trunk_length_mm": length, "trunk_length_by": "card"})
            writer.add(
                valid(
                    Measurement,
                    dog_id=dog.id,
                    length_mm=length,
                    measured_on=cases.today(),
                    how="card",
                    error_mm=round(found.error_mm, 2),
                )
            )
    return found


class ToolMarks(Protocol):
    """A tool as its owner describes and marks it in a picture, px."""

    kind: str
    scale: list[list[float]] | None
    ruler_mm: float | None
    pin: list[list[float]] | None
    gap: list[list[float]] | None
    click_error_px: float

    @property
    def pin_tip(self) -> str | None: ...

    @property
    def stiffness(self) -> str | None: ...


@dataclass(frozen=True)
class JudgedTool:
    """A tool with its measures, and what it is for and not for on this dog, in words."""

    tool: OwnedTool
    says: tuple[str, ...]


def judge_tool(of: OwnersDog, assessment: Assessment, marks: ToolMarks, *, language: str) -> JudgedTool:
    """Measure a tool by the card or ruler beside it, and say what becomes of it on this dog.

    Raises:
        InputError: if the marks can't be a card's, a ruler's or a pin's; ``nothing_given`` without an estimate.
        AnswersError: for a kind or a length that no tool has.
    """
    at = situation(of, assessment)
    if at is None:
        raise InputError("the tool", "can't be judged yet.", "Give a photo or some answers of the dog first.",
                         code="nothing_given")  # fmt: skip
    pin, gap = (_measured(marks, part) for part in (marks.pin, marks.gap))
    lengths = {"pin_length_mm": pin, "tooth_gap_mm": gap}
    tools = questionnaire.parse({"owned_tools": [{
        "kind": marks.kind,
        "pin_tip": marks.pin_tip,
        "stiffness": marks.stiffness,
        **{name: None if one is None else round(one.length_mm, 1) for name, one in lengths.items()},
    }]}).owned_tools  # fmt: skip
    tool = (tools or ())[0]
    words = catalogue(language)
    dog, cleared = planning.as_today(at)
    found = toolkit.judge_owned(tool, dog, cleared, language=language)
    names = words.either(words.tool(one, inside=True) for one in found.tools)
    said = [words.say("owner.tool.looks", tool=names)] if names else []
    for what, one in (("pin", pin), ("gap", gap)):
        if one is not None:
            low, high = one.interval_mm
            said.append(words.say(f"owner.tool.measured_{what}", mm=words.number(one.length_mm),
                                  low=words.number(low), high=words.number(high)))  # fmt: skip
    said += [
        words.say(f"plan.owned.{found.verdict}"),
        found.why,
        toolkit.places_in_words(found, cleared, language=language),
    ]
    return JudgedTool(tool, tuple(words.title(one) for one in said if one))


def _measured(marks: ToolMarks, ends: list[list[float]] | None) -> CardMeasurement | None:
    """A length in the picture by what lies beside it; None where it is not marked."""
    if ends is None or marks.scale is None:
        return None
    scale, between = ([(point[0], point[1]) for point in points] for points in (marks.scale, ends))
    if marks.ruler_mm is not None:
        return measure_by_ruler(scale, marks.ruler_mm, between, click_error_px=marks.click_error_px)
    return measure_by_card(scale, between, click_error_px=marks.click_error_px, rounded_corners=True)


def keep_tool(salon: Records, token: str, tool: OwnedTool) -> None:
    """Add a tool to those at home."""
    dog = dog_of_link(salon, token)
    with salon.write(WHO, only=dog.id) as writer:
        sheet = writer.latest(AnswerSheet, dog.id)
        before = [] if sheet is None else sheet.content.get("owned_tools") or []
        merge(writer, dog, {"owned_tools": [*before, tool.model_dump(mode="json", exclude_none=True)]})


# --- what comes out -------------------------------------------------------------------------------------------------


def assess(salon: Records, looks: Looks, of: OwnersDog, *, skipped: frozenset[str] = frozenset()) -> Assessment:
    """The dog as it stands; what a groomer's hands found replaces estimates."""
    readings = looks.readings(salon, of.photos)
    return cases.assess(readings, of.answers, of.truth, learned=cases.learned(salon), skipped=skipped)


def assessed(state: Any, of: OwnersDog, skipped: frozenset[str] = frozenset()) -> Assessment:
    """The same, made once for as long as nothing changes; ``state`` is the web app's."""
    return remembered(
        state, of, ("assessment", skipped), lambda: assess(state.records, state.looks, of, skipped=skipped)
    )


def remembered(state: Any, of: OwnersDog, what: Hashable, make: Callable[[], T]) -> T:
    """Something made from a dog's records, kept until they, the day or what was learned change."""
    made: T = state.remembered.of(key_of(state, of, what), make)
    return made


def key_of(state: Any, of: OwnersDog, what: Hashable) -> Hashable:
    """The key of something made from a dog's records as they stand."""
    salon: Records = state.records
    with salon.read() as reader:
        version = reader.version(of.dog.id)
    return what, of.dog.id, version, cases.today(), cases.learned(salon).version


def keep_assessment(salon: Records, looks: Looks, of: OwnersDog, assessment: Assessment) -> None:
    """Keep what was told, unless it is what was told last time; an owner is told also while nothing can be kept.

    What has changed meanwhile is told by the next page, and kept then.
    """
    try:
        cases.keep(salon, looks, of.dog.id, assessment, sheet=of.sheet, photos=of.photos, who=WHO)
    except RecordError as error:
        if error.code != "unavailable":
            raise
        _log.error("what was told could not be kept: %s", error)


def situation(of: OwnersDog, assessment: Assessment) -> CoatSituation | None:
    """What the tools and the plan were chosen for; None without an estimate."""
    return cases.situation(of.answers, of.truth, assessment)


def presented(of: OwnersDog, assessment: Assessment, *, language: str = "en") -> Presentation:
    """What the owner is told from today on; without an estimate only the verdict and what helps next."""
    return cases.presented(
        situation(of, assessment),
        assessment,
        of.answers,
        of.measurements,
        name="" if of.dog.name == UNNAMED else of.name,
        breed=of.dog.breed,
        remarks=of.finding.remarks if of.finding is not None else "",
        booked=cases.next_booked(of.appointments),
        here=cases.here_today(of.appointments),
        language=language,
    )
