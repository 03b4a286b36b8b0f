"""The dog on the groomer's table: the look on arrival, both offers, what the owner signs, and what the salon learns."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from functools import reduce
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, Field, ValidationError

from app import cases
from app.groomer import dog_file as files
from app.looking import Looks
from coatclass.contract import CoatSituation
from coatclass.errors import RecordError
from coatclass.intake import (
    CLIPPED,
    FinishedVisit,
    Found,
    Job,
    Offers,
    Rates,
    TimeModel,
    fit,
    joined,
    offers,
    plausible,
)
from coatclass.plain_text import one_line
from coatclass.presentation.blocks import Section
from coatclass.presentation.intake import Consent, WhoseDog, choices, consent, statement, told_again, told_as_json
from coatclass.records import (
    Appointment,
    CheckRecord,
    Dog,
    Finding,
    Intake,
    PlacePhoto,
    Reader,
    Records,
    Writer,
    digest_of,
    keep_setting,
    setting,
)
from coatclass.taxonomy import BANDS, CATEGORIES, MatState
from coatclass.words import LANGUAGES, catalogue

RATES = "rates"
_MONTH_DAYS = 365.25 / 12

Stroke = Annotated[
    list[tuple[Annotated[int, Field(ge=0, le=1000)], Annotated[int, Field(ge=0, le=420)]]], Field(max_length=400)
]


_LEAST_STROKE = 20  # of the 1000 that the field is wide


def _name(value: object) -> object:
    return one_line(value).strip() if isinstance(value, str) else value


class Signature(BaseModel):
    """How the owner agreed: drawn on the screen, by typing the name, or on a printed page."""

    chosen: Literal["keep", "clip", "vet", "none"]
    how: Literal["screen", "typed", "paper"]
    name: Annotated[str, BeforeValidator(_name), Field(max_length=200)]
    strokes: Annotated[list[Stroke], Field(max_length=60)] = Field(default_factory=list)

    @property
    def drawn(self) -> bool:
        """Whether a hand drew something: a dot, or the tremor of a finger that rests, is no signature."""
        spans = [[point[axis] for point in stroke] for stroke in self.strokes if stroke for axis in (0, 1)]
        return any(max(span) - min(span) >= _LEAST_STROKE for span in spans)


@dataclass(frozen=True)
class Draft:
    """The look as it stands: what was found, in which language the owner reads, and the record if it is kept yet.

    Attributes:
        others: looks begun at the same dog while it stood in two records, which ``found`` has taken in.
    """

    found: Found
    language: str
    kept: Intake | None
    others: tuple[Intake, ...] = ()

    @property
    def seen(self) -> str:
        """Which state of it somebody has on screen; empty before it is kept."""
        return self.kept.sha256 if self.kept else ""


@dataclass(frozen=True)
class OnTable:
    """A draft with what may be offered, and what the owner is told of it."""

    file: files.DogFile
    draft: Draft
    answer: Offers
    rates: Rates | None
    sections: tuple[Section, ...]
    options: tuple[tuple[str, str], ...]
    photos: tuple[PlacePhoto, ...]
    by: str

    @property
    def told(self) -> str:
        """Digest of everything that is told and can be chosen: nobody signs what was not on the screen."""
        return digest_of(_json([told_as_json(self.sections), [list(one) for one in self.options]]))

    def consent(self) -> Consent:
        """As it is shown before it is signed."""
        return consent(
            self.sections,
            self.draft.found,
            language=self.draft.language,
            dog=self.file.dog.name,
            by=self.by,
            day=cases.today(),
            options=self.options,
        )


def _json(value: object) -> str:
    """One form of a value, whatever order its fields came in."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False)


# --- the look on arrival ----------------------------------------------------------------------------------------------


def draft_of(reader: Reader, dog_id: str, language: str) -> Draft:
    """The look that was begun; an empty one if there is none."""
    begun = [one for one in reader.find(Intake, dog_id=dog_id) if one.signed_at is None]
    if not begun:
        return Draft(Found(), language, None)
    *others, kept = sorted(begun, key=lambda one: one.version)  # the newest last, if they are of one version
    found = [files.found_of(one) or Found() for one in (kept, *others)]
    return Draft(reduce(joined, found), files.language_of(kept) or language, kept, tuple(others))


def join_looks(salon: Records, dog_id: str, *, who: str) -> None:
    """Make one look of those begun at a dog that stood in two records; left as they are while one can't hold both."""
    with salon.write(who, only=dog_id) as writer:
        draft = draft_of(writer, dog_id, "en")
        if draft.kept is None or not draft.others:
            return
        with suppress(ValidationError):
            found = Found.model_validate(draft.found.model_dump())
            _keep(writer, draft, draft.kept, content=_begun(found, draft.language))


def _begun(found: Found, language: str) -> str:
    return _json({"found": found.model_dump(mode="json"), "language": language})


def _keep(writer: Writer, draft: Draft, kept: Intake, **fields: Any) -> Intake:
    """Keep a look in place of the one begun, and of all that it has taken in."""
    for other in draft.others:
        writer.remove(other)
    return writer.change(kept, sha256="", **fields)


def save(salon: Records, dog_id: str, found: Found, language: str, *, seen: str, who: str) -> Intake:
    """Keep the look as it stands.

    Args:
        seen: the state that was changed; empty for a new one.

    Raises:
        RecordError: ``changed_meanwhile`` if somebody else has changed it since, ``not_found``.
    """
    files.refuse_hidden(salon, dog_id)
    content = _begun(found, language)
    with salon.write(who, only=dog_id) as writer:
        draft = draft_of(writer, dog_id, language)
        _refuse_other(draft.seen, seen)
        if draft.kept is None:
            return writer.add(Intake(dog_id=dog_id, content=content))
        return _keep(writer, draft, draft.kept, content=content)


def _refuse_other(present: str, seen: str) -> None:
    if present != seen:
        raise RecordError(
            "the look on arrival",
            "was changed by somebody else in the meantime.",
            "Load the page again and repeat your change.",
            code="changed_meanwhile",
        )


def begin_again(salon: Records, dog_id: str, intake_id: str, *, who: str) -> Intake:
    """A new version, which begins with what was signed; the signed one stays.

    Raises:
        RecordError: ``conflict`` if another look was begun already, ``unreadable``, ``not_found``.
    """
    with salon.write(who, only=dog_id) as writer:
        signed = _signed(writer, dog_id, intake_id)
        if draft_of(writer, dog_id, "en").kept is not None:
            raise RecordError(
                "a new version", "was begun already.", "Go on with the look that was begun.", code="conflict"
            )
        found, language = files.found_of(signed), files.language_of(signed)
        if found is None or language is None:
            raise _unreadable()
        return writer.add(Intake(
            dog_id=dog_id, appointment_id=signed.appointment_id, replaces_id=signed.id,
            version=signed.version + 1, content=_begun(found, language),
        ))  # fmt: skip


def _signed(reader: Reader, dog_id: str, intake_id: str) -> Intake:
    intake = reader.get_of_dog(Intake, dog_id, intake_id)
    if intake.signed_at is None:
        raise RecordError("this look", "is not signed yet.", "Sign it first.", code="conflict")
    return intake


def add_photo(salon: Records, dog_id: str, content: bytes, name: str, *, place: str, most: int, who: str) -> PlacePhoto:
    """Keep a photo of a place; the image model never looks at it.

    Raises:
        PhotoError: if it can't be opened.
        RecordError: ``conflict`` if there are ``most`` already.
    """
    from coatclass.records import prepare

    files.refuse_hidden(salon, dog_id)
    picture = prepare(content, name)
    with salon.write(who, only=dog_id) as writer:
        if writer.count(PlacePhoto, dog_id=dog_id, intake_id=None) >= most:
            raise RecordError("photos of places", f"are {most} already.", "Remove one first.", code="conflict")
        return writer.add_place_photo(dog_id, picture, place)


def remove_photo(salon: Records, dog_id: str, photo_id: str, *, who: str) -> None:
    """Erase a photo of a place that nobody signed for yet.

    Raises:
        RecordError: ``signed`` if it belongs to a signed record, ``not_found``.
    """
    with salon.write(who, only=dog_id) as writer:
        photo = writer.get_of_dog(PlacePhoto, dog_id, photo_id)
        if photo.intake_id is not None:
            raise RecordError(
                "this photo", "belongs to a signed record.", "It stays as long as the dog's records do.", code="signed"
            )
        for check in writer.find(CheckRecord, photo_id=photo.id):
            writer.change(check, photo_id=None)
        writer.erase(photo)
    salon.sweep_erased(writer.loose)


def pictures_of(salon: Records, photos: Sequence[PlacePhoto]) -> list[tuple[str, bytes]]:
    """The place and the picture of each photo, as far as the store has it."""
    found = []
    for photo in photos:
        with suppress(RecordError):
            found.append((photo.place, salon.store.read(photo.sha256)))
    return found


# --- both offers ------------------------------------------------------------------------------------------------------


def on_table(salon: Records, looks: Looks, dog_id: str, *, language: str, by: str) -> OnTable:
    """The dog with everything that may be offered and is told."""
    file = files.read(salon, dog_id)
    base = _known(salon, looks, file)
    with salon.read() as reader:
        draft = draft_of(reader, dog_id, language)
        photos = reader.find(PlacePhoto, dog_id=dog_id, intake_id=None)
    rates = rates_of(salon)
    answer = offers(base, draft.found, rates=rates, model=time_model(salon))
    client = file.client
    subject = WhoseDog(
        dog=file.dog.name,
        breed=file.dog.breed,
        owner=client.name if client else file.dog.sent_by,
        phone=client.phone if client else file.dog.sent_reach,
        by=by,
        day=cases.today(),
        age_months=base.age_months,
        weight_kg=base.weight_kg,
        photos=len(photos),
    )
    sections = statement(answer, draft.found, subject, rates=rates, language=draft.language)
    return OnTable(file, draft, answer, rates, sections, tuple(choices(answer, draft.language)), photos, by)


def _known(salon: Records, looks: Looks, file: files.DogFile) -> CoatSituation:
    """The dog as it was known before it came; the salon's own weight and birthday count before what was answered."""
    assessment = files.assess(salon, looks, file, learned=cases.learned(salon))
    known = cases.situation(file.answers, file.truth, assessment)
    if known is None:
        known = CoatSituation(categories=frozenset(CATEGORIES), bands=frozenset(BANDS))
    born = file.dog.born_on
    age = known.age_months if born is None else max(0.0, (cases.today() - born).days / _MONTH_DAYS)
    return replace(known, weight_kg=file.dog.weight_kg or known.weight_kg, age_months=age)


def told_by_owner(file: files.DogFile, language: str) -> str:
    """Trouble of skin and mats that the owner told, in one line; empty if none."""
    words, told = catalogue(language, "intake"), file.answers
    said = [words.say("ear.trouble" if one == "ear_trouble" else f"sign.{one}") for one in told.skin_trouble or ()]
    mats = (told.mats or {}).items()
    said += [
        f"{words.zone(zone)}: {words.word('mat_state', state)}" for zone, state in mats if state is not MatState.NONE
    ]
    return ", ".join(said)


# --- signing ----------------------------------------------------------------------------------------------------------


def sign(salon: Records, table: OnTable, signature: Signature, *, seen: str, told: str, who: str) -> Intake:
    """Keep what was told and agreed, for good, with the visit and the photos.

    Args:
        table: the dog as it stands.
        seen, told: the look and the words that were on the screen.

    Raises:
        RecordError: ``changed_meanwhile`` if they are others by now, ``conflict`` if it was signed already,
            ``bad_value`` if the choice was not offered, nobody is named or nothing was drawn.
    """
    if seen and table.draft.kept is None:  # in another tab, or the answer got lost on its way
        raise _signed_already()
    _refuse_other(table.draft.seen, seen)
    _refuse_other(table.told, told)
    if signature.chosen not in dict(table.options):
        raise RecordError("this choice", "is not offered for this dog.", "Choose another.", code="bad_value")
    if not any(character.isalnum() for character in signature.name):
        raise RecordError("the signature", "names nobody.", "Write the name of whoever signs.", code="bad_value")
    if signature.how == "screen" and not signature.drawn:
        raise RecordError("the signature", "is empty.", "Sign in the field, or type the name.", code="bad_value")
    files.take_up(salon, table.file.dog, who=who)
    at = datetime.now(UTC)
    with salon.write(who, only=table.file.dog.id) as writer:
        draft = draft_of(writer, table.file.dog.id, table.draft.language)
        _refuse_other(draft.seen, seen)
        if draft.kept is None and _signed_on(writer, table.file.dog.id, cases.today()):
            raise _signed_already()
        kept = draft.kept or writer.add(Intake(dog_id=table.file.dog.id, content="{}"))
        visit = kept.appointment_id or _visit(writer, table, signature.chosen, at)
        content = _content(table, signature, kept, at)
        signed = _keep(writer, draft, kept, content=_json(content), appointment_id=visit, signed_at=at)
        for photo in table.photos:
            writer.change(photo, intake_id=signed.id)
    return signed


def _signed_on(reader: Reader, dog_id: str, day: date) -> bool:
    """Whether something was signed for the dog on a day; more of it begins with a new version, or a new look."""
    signed = (one.signed_at for one in reader.find(Intake, dog_id=dog_id))
    return any(at is not None and at.astimezone().date() == day for at in signed)


def _signed_already() -> RecordError:
    return RecordError("this look", "was signed already.", "Open the dog's page; it stands there.", code="conflict")


def _visit(writer: Writer, table: OnTable, chosen: str, at: datetime) -> str:
    """The visit of today that it belongs to; one that begins now if none was planned."""
    start, end = files.day_bounds(cases.today())
    today = [one for one in writer.find(Appointment, dog_id=table.file.dog.id) if start <= one.starts_at < end]
    waiting = [one for one in today if one.state == "planned"]
    if waiting:
        return waiting[0].id
    offer = table.answer.of(chosen)
    minutes = round(offer.minutes.middle) if offer and offer.minutes else 60
    dog = table.file.dog.id
    return writer.add(Appointment(dog_id=dog, starts_at=at, minutes=min(max(minutes, 5), 24 * 60))).id


def _content(table: OnTable, signature: Signature, kept: Intake, at: datetime) -> dict[str, Any]:
    """Everything that was told, found, offered, chosen and signed."""
    answer, dog = table.answer, table.file.dog
    jobs = {offer.work: offer.job.to_json() for offer in (answer.keep, answer.clip) if offer.job is not None}
    owner = table.file.client.name if table.file.client else dog.sent_by
    return {
        "form": 1,
        "language": table.draft.language,
        "dog": {"name": dog.name, "breed": dog.breed, "weight_kg": answer.situation.weight_kg},
        "owner": owner,
        "by": table.by,
        "day": cases.today().isoformat(),
        "found": table.draft.found.model_dump(mode="json"),
        "photos": [{"place": one.place, "sha256": one.sha256} for one in table.photos],
        "triage": list(answer.cleared.rules),
        "limit": asdict(answer.limit),
        "rates": None if table.rates is None else table.rates.model_dump(mode="json"),
        "visits": answer.visits,
        "jobs": jobs,
        "told": told_as_json(table.sections),
        "options": [list(one) for one in table.options],
        "signature": {**signature.model_dump(mode="json"), "at": at.isoformat()},
        "version": kept.version,
    }


def signed_consent(intake: Intake) -> Consent:
    """A signed record as it was signed, in its own words.

    Raises:
        RecordError: ``unreadable`` if a version wrote it that this one can't read.
    """
    try:
        kept = json.loads(intake.content)
        language = kept["language"] if kept["language"] in LANGUAGES else "en"
        signature, words = kept["signature"], catalogue(language, "intake")
        day, at = date.fromisoformat(kept["day"]), datetime.fromisoformat(signature["at"]).astimezone()
        when = f"{words.day(at.date())}, {at:%H:%M}"
        notes = [words.say("say.version", n=kept["version"], day=words.day(day))]
        notes += [words.say("say.replaces", n=kept["version"] - 1)] if kept["version"] > 1 else []
        notes.append(words.say("say.digest", digest=intake.sha256))
        return consent(
            told_again(kept["told"]),
            Found.model_validate(kept["found"]),
            language=language,
            dog=kept["dog"]["name"],
            by=kept["by"],
            day=day,
            options=[(code, said) for code, said in kept["options"]],
            chosen=signature["chosen"],
            signed=words.say(f"say.signed_{signature['how']}", name=signature["name"], at=when),
            strokes=signature["strokes"],
            notes=notes if intake.intact else [*notes, words.say("say.broken")],
        )
    except (KeyError, TypeError, ValueError, ValidationError) as error:
        raise _unreadable() from error


def _unreadable() -> RecordError:
    return RecordError(
        "this record",
        "was written in a form that this version can't read.",
        "Use the version of coatclass that wrote it.",
        code="unreadable",
    )


def signed_one(salon: Records, dog_id: str, intake_id: str) -> Intake:
    """A signed record of this dog.

    Raises:
        RecordError: ``not_found``, ``conflict`` if it is not signed.
    """
    files.refuse_hidden(salon, dog_id)
    with salon.read() as reader:
        return _signed(reader, dog_id, intake_id)


# --- rates, and what finished visits teach ----------------------------------------------------------------------------


def rates_of(salon: Records | Reader) -> Rates | None:
    """The salon's rates, None before anybody entered them."""
    kept = setting(salon, RATES)
    try:
        return None if kept is None else Rates.model_validate(kept)
    except ValidationError:
        return None


def save_rates(salon: Records, rates: Rates, *, seen: Rates | None, who: str) -> Rates:
    """Keep new rates; the old ones stay in the records, and in what was signed.

    Raises:
        RecordError: ``changed_meanwhile`` if they are others by now than those ``seen``.
    """

    def refuse_others(reader: Reader) -> None:
        if rates_of(reader) != seen:
            raise cases.changed_meanwhile("rates")

    keep_setting(salon, RATES, rates.model_dump(mode="json"), who=who, check=refuse_others)
    return rates


@dataclass(frozen=True)
class Learned:
    """Visits with their minutes: those that can teach, of which dogs, how many can't, and how many look mistyped."""

    usable: tuple[FinishedVisit, ...]
    unusable: int
    dogs: tuple[str, ...] = ()
    slips: int = 0


def finished_visits(salon: Records) -> Learned:
    """Every finished visit with its minutes, and the dog as it came, from its signed look or the newest finding."""
    with salon.read() as reader:
        done = [one for one in reader.find(Appointment, state="done") if one.took_minutes is not None]
        signed = {one.appointment_id: one for one in reader.find(Intake) if one.signed_at is not None}
        jobs = [(one, _job(reader, one, signed.get(one.id))) for one in done]
    known = [(one.dog_id, FinishedVisit(job, float(one.took_minutes or 0))) for one, job in jobs if job is not None]
    good = [(dog, visit) for dog, visit in known if plausible(visit)]
    return Learned(
        usable=tuple(visit for _, visit in good),
        unusable=len(done) - len(known),
        dogs=tuple(dog for dog, _ in good),
        slips=len(known) - len(good),
    )


def _job(reader: Reader, visit: Appointment, signed: Intake | None) -> Job | None:
    """What was done on a dog, None if nobody noted enough."""
    if signed is not None:
        try:
            return Job.from_json(json.loads(signed.content)["jobs"][visit.work])
        except (KeyError, TypeError, ValueError):
            pass
    dog = reader.get(Dog, visit.dog_id)
    before = [one for one in reader.find(Finding, dog_id=dog.id) if one.found_at.date() <= visit.starts_at.date()]
    if not before or not visit.work or before[-1].trunk_mm is None or dog.weight_kg is None:
        return None
    return _job_of_finding(visit.work, before[-1], dog.weight_kg)


def _job_of_finding(work: str, finding: Finding, weight_kg: float) -> Job | None:
    matted = {f"left.{zone}": state for zone, state in finding.mats.items() if state is not MatState.NONE}
    kept = {
        "work": work,
        "coats": [finding.category],
        "undercoats": [finding.undercoat] if finding.undercoat else [],
        "patience": finding.patience,
        "kg": weight_kg,
        "mm": finding.trunk_mm,
        "out": matted if work == "de_matting" else {},
        "off": matted if work in ("short_clip", "clip_out") else {},
        "bath": True,
    }
    try:
        return Job.from_json(kept)
    except ValueError:
        return None


def time_model(salon: Records) -> TimeModel:
    """The minutes as this salon's own visits correct them."""
    return fit(finished_visits(salon).usable)


def intakes_of(reader: Reader, dog_id: str) -> Sequence[Intake]:
    """Signed records of a dog, the newest first."""
    return [one for one in reversed(reader.find(Intake, dog_id=dog_id)) if one.signed_at is not None]


def agreed_work(signed: Sequence[Intake]) -> dict[str, str]:
    """The work that was agreed on by the id of its visit, the newest version; none where nothing was to be done."""
    found: dict[str, str] = {}
    for intake in signed:
        with suppress(KeyError, TypeError, ValueError):
            kept = json.loads(intake.content)
            works = [one for one in kept["jobs"] if (one in CLIPPED) is (kept["signature"]["chosen"] == "clip")]
            if kept["signature"]["chosen"] in ("keep", "clip") and works and intake.appointment_id:
                found.setdefault(intake.appointment_id, works[0])
    return found


def summary(intake: Intake) -> Mapping[str, Any]:
    """A signed record in one line: who signed what."""
    try:
        kept = json.loads(intake.content)
        chosen = next((said for code, said in kept["options"] if code == kept["signature"]["chosen"]), "")
        return {"name": kept["signature"]["name"], "chosen": chosen}
    except (KeyError, TypeError, ValueError):
        return {"name": "", "chosen": ""}
