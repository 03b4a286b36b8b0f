"""Where records are kept and how they are read and changed: photos on disk, one transaction, the whole store."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from pydantic import ValidationError
from sqlalchemy import Connection, delete, func, insert, or_, select, update

from coatclass import photo
from coatclass.contract import Assessment
from coatclass.durable import sync_folder, write_whole
from coatclass.errors import RecordError
from coatclass.records._values import (
    AnswerSheet,
    Change,
    Dog,
    Intake,
    Photo,
    PlacePhoto,
    Record,
    Setting,
    StoredAssessment,
    now,
)
from coatclass.records.database import bring_up_to_date, connect, empty_log, parse_url, reading, writing
from coatclass.records.tables import KINDS, changes, erasing, from_row, photos, place_photos, salon, to_row

# Short side kept, px: four times what the image model looks at, so that a better one finds more later.
_KEPT_PX = 1200
_QUALITY = 90
_SUFFIX = ".jpg"
_SEEN = ".seen"  # beside the picture: what was read from it as it came; its re-encoded copy says it less exactly
_MARK = "salon"


@dataclass(frozen=True)
class PreparedPicture:
    """A picture prepared for the store: upright JPEG without metadata.

    Attributes:
        data: the JPEG.
        width, height: px.
        seen: what was read from the picture as it came, in whatever text its reader keeps; empty if nothing was.
    """

    data: bytes
    width: int
    height: int
    seen: str = ""

    @property
    def sha256(self) -> str:
        """The name under which the store keeps it."""
        return hashlib.sha256(self.data).hexdigest()


def prepare(source: str | os.PathLike[str] | bytes, name: str | None = None) -> PreparedPicture:
    """Prepare a picture: upright, re-encoded, stripped of place and device. Slow, so done outside transactions.

    Raises:
        PhotoError: if it can't be opened.
    """
    image = photo.load(source, name=name, target_px=_KEPT_PX).image
    stream = BytesIO()
    image.save(stream, "JPEG", quality=_QUALITY, optimize=True)
    return PreparedPicture(stream.getvalue(), *image.size)


class PhotoStore:
    """A folder of JPEG files without metadata, each written in full or not at all.

    Args:
        folder: where the pictures lie.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def claimed(self) -> bool:
        """Whether the folder is marked as some salon's."""
        return (self.folder / _MARK).exists()

    def claim(self, salon_id: str, *, used: bool = False) -> None:
        """Make sure that the folder belongs to this salon; a new one is marked.

        Args:
            used: the salon has photos already, so that an empty folder can't be the one they lie in.

        Raises:
            RecordError: ``foreign_photos`` if it belongs to another, or holds files and no mark.
        """
        mark = self.folder / _MARK
        try:
            if not self.claimed:
                self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                owner = salon_id if not used and not any(self.folder.iterdir()) else ""
                if owner:
                    write_whole(mark, owner.encode())
            else:
                owner = mark.read_text("utf-8")
        except OSError as error:
            raise _unavailable(error) from error
        if owner != salon_id:
            raise RecordError(
                str(self.folder),
                "does not belong to this database's photos.",
                "Name the photo folder that goes with the database, or an empty one.",
                code="foreign_photos",
            )

    def path(self, sha256: str) -> Path:
        """Where a picture belongs, whether or not it exists."""
        return self.folder / sha256[:2] / f"{sha256}{_SUFFIX}"

    def put(self, data: bytes, seen: str = "") -> str:
        """Keep a prepared picture; return its SHA-256. Only within a transaction that writes, of whatever dog.

        Args:
            data: the picture.
            seen: what was read from it as it came; what stands there already stays.

        Raises:
            RecordError: ``unavailable`` if the folder can't be written to.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256)
        try:
            if not self.claimed:  # a folder made anew would be one machine's own, and hidden once the right one is back
                raise _gone()
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            for place, content in ((path.with_suffix(_SEEN), seen.encode()), (path, data)):
                if content and not place.is_file():
                    write_whole(place, content)
                    sync_folder(self.folder)
        except OSError as error:
            raise _unavailable(error) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """A picture's bytes.

        Raises:
            RecordError: ``missing`` or ``damaged``; ``unavailable`` if the whole folder is away.
        """
        try:
            data = self.path(sha256).read_bytes()
        except OSError as error:
            if not self.claimed:
                raise _gone() from error
            raise RecordError(
                f"photo {sha256[:12]}", "is not in the photo store.", "Restore it from a backup.", code="missing"
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordError(
                f"photo {sha256[:12]}", "is damaged on the disk.", "Restore it from a backup.", code="damaged"
            )
        return data

    def seen(self, sha256: str) -> str:
        """What was read from a picture as it came; empty if nothing was kept or it can't be read."""
        try:
            return self.path(sha256).with_suffix(_SEEN).read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            return ""

    def remove(self, sha256: str) -> None:
        """Remove a picture and what was read from it; nothing happens if it is missing."""
        path = self.path(sha256)
        path.unlink(missing_ok=True)
        path.with_suffix(_SEEN).unlink(missing_ok=True)

    def names(self) -> set[str]:
        """SHA-256 of every picture."""
        return self.listed()[0]

    def listed(self) -> tuple[set[str], list[Path]]:
        """SHA-256 of every picture; and files that are being written, or were when a program was killed."""
        whole: set[str] = set()
        parts: list[Path] = []
        for path in self.folder.glob("??/*"):
            if path.suffix == _SUFFIX:
                whole.add(path.stem)
            else:
                parts.append(path)
        return whole, [path for path in parts if not (path.suffix == _SEEN and path.stem in whole)]

    def clear(self, part: Path) -> None:
        """Remove what a write that was cut short has left, unless it stands beside a whole picture by now."""
        if part.suffix != _SEEN or not part.with_suffix(_SUFFIX).exists():
            part.unlink(missing_ok=True)


def _gone() -> RecordError:
    return RecordError(
        "the photo store", "is not where it was.", "Bring its folder back; all photos are in it.", code="unavailable"
    )


def _unavailable(error: OSError) -> RecordError:
    return RecordError(
        "the photo store",
        f"can't be written ({error.strerror}).",
        "Make room on the disk, or choose a folder you may write to.",
        code="unavailable",
    )


R = TypeVar("R", bound=Record)


class Reader:
    """One view of the records as they stood at one moment."""

    def __init__(self, connection: Connection, store: PhotoStore) -> None:
        self.connection = connection
        self.store = store

    def get(self, kind: type[R], record_id: str) -> R:
        """The record with an id.

        Raises:
            RecordError: ``not_found``.
        """
        table = KINDS[kind].table
        statement = select(table).where(table.c.id == record_id)
        row = self.connection.execute(statement).mappings().first()
        if row is None:
            raise not_found(kind, record_id)
        return from_row(kind, row)

    def get_of_dog(self, kind: type[R], dog_id: str, record_id: str) -> R:
        """The record with an id if it belongs to the dog.

        Raises:
            RecordError: ``not_found`` otherwise, whether or not another dog has it.
        """
        value = self.get(kind, record_id)
        if getattr(value, "dog_id", None) != dog_id:
            raise not_found(kind, record_id)
        return value

    def count(self, kind: type[R], **equal: Any) -> int:
        """How many records have fields that equal the values given."""
        table = KINDS[kind].table
        statement = select(func.count()).select_from(table)
        for name, value in equal.items():
            statement = statement.where(table.c[name] == value)
        return int(self.connection.execute(statement).scalar_one())

    def version(self, dog_id: str) -> int:
        """A number that grows with every change of a dog's records."""
        of_it = or_(changes.c.record_id == dog_id, changes.c.about == dog_id)
        return int(self.connection.execute(select(func.max(changes.c.number)).where(of_it)).scalar() or 0)

    def find(self, kind: type[R], **equal: Any) -> tuple[R, ...]:
        """All records whose fields equal the values given, oldest first."""
        table, order = KINDS[kind].table, KINDS[kind].order
        statement = select(table).order_by(table.c[order], table.c.id)
        for name, value in equal.items():
            statement = statement.where(table.c[name] == value)
        return tuple(from_row(kind, row) for row in self.connection.execute(statement).mappings())

    def latest(self, kind: type[R], dog_id: str) -> R | None:
        """A dog's newest record of a kind."""
        table, order = KINDS[kind].table, KINDS[kind].order
        statement = select(table).where(table.c.dog_id == dog_id).order_by(table.c[order].desc(), table.c.id).limit(1)
        row = self.connection.execute(statement).mappings().first()
        return None if row is None else from_row(kind, row)

    def trail(self, record_id: str | None = None) -> tuple[Change, ...]:
        """The audit trail, oldest first: of one record, or all of it."""
        statement = select(changes).order_by(changes.c.number)
        if record_id is not None:
            statement = statement.where(changes.c.record_id == record_id)
        return tuple(Change.model_validate(dict(row)) for row in self.connection.execute(statement).mappings())


class Writer(Reader):
    """One transaction: all of it is kept, or nothing. Every change is noted with who and when.

    Attributes:
        loose: SHA-256 of pictures whose records were erased; they go once no other record names them.
    """

    def __init__(self, connection: Connection, store: PhotoStore, who: str, only: str | None = None) -> None:
        super().__init__(connection, store)
        self.who = who
        self.loose: set[str] = set()
        self._only = only

    def _refuse_others(self, value: Record) -> None:
        """Refuse a record outside ``only``: others may be writing it meanwhile."""
        if self._only not in (None, *_whose(value)):
            raise ValueError(f"this transaction is about {self._only}, not about {value!r}")

    def add(self, value: R) -> R:
        """Keep a new record."""
        self._refuse_others(value)
        value = self._in_order(value)
        self.connection.execute(insert(KINDS[type(value)].table).values(to_row(value)))
        self._note("added", value, after=_shown(value))
        return value

    def _in_order(self, value: R) -> R:
        """Keep the newest record of a dog, or version of a setting, newest even if the clock was put back."""
        table, order = KINDS[type(value)].table, KINDS[type(value)].order
        of = "name" if isinstance(value, Setting) else "dog_id"
        if of not in table.c or order in value.model_fields_set:
            return value
        newest = select(func.max(table.c[order])).where(table.c[of] == getattr(value, of))
        last = self.connection.execute(newest).scalar()
        if last is None or last < getattr(value, order):
            return value
        return value.model_copy(update={order: last + timedelta(microseconds=1)})

    def change(self, seen: R, **fields: Any) -> R:
        """Change fields of a record.

        Args:
            seen: the record as whoever changes it saw it.
            fields: the new values.

        Raises:
            RecordError: ``changed_meanwhile`` if somebody else has changed one of these fields since, ``bad_value`` if
                a value can't be.
        """
        kind, table = type(seen), KINDS[type(seen)].table
        if unknown := set(fields) - set(kind.model_fields) | set(fields) & {"id"}:
            raise _bad_value(table.name, f"has no field to change called {sorted(unknown)[0]}")
        locked = select(table).where(table.c.id == seen.id).with_for_update()
        row = self.connection.execute(locked).mappings().first()
        present = self.get(kind, seen.id) if row is None else from_row(kind, row)
        if any(getattr(present, name) != getattr(seen, name) for name in fields):
            raise RecordError(
                f"{table.name} {seen.id}",
                "was changed by somebody else in the meantime.",
                "Load it again and repeat your change.",
                code="changed_meanwhile",
            )
        if isinstance(present, Intake):
            _refuse_signed(present, fields)
        changed = valid(kind, **{**present.model_dump(), **fields})
        self._refuse_others(present)
        self._refuse_others(changed)
        before, after = _difference(_shown(present), _shown(changed))
        if present != changed:
            self.connection.execute(update(table).where(table.c.id == seen.id).values(to_row(changed)))
            self._note("changed", changed, before=before, after=after)
        return changed

    def remove(self, value: Record) -> None:
        """Remove one record that nothing else belongs to."""
        self._refuse_others(value)
        if isinstance(value, Intake):
            _refuse_signed(value, {"content"})
        table = KINDS[type(value)].table
        self.connection.execute(delete(table).where(table.c.id == value.id))
        self._note("removed", value, before=_shown(value))

    def absorb(self, kept: R, duplicate: R) -> None:
        """Remove a duplicate to which nothing belongs any more; its history goes on as that of the kept record."""
        self.remove(duplicate)
        for column in (changes.c.record_id, changes.c.about):
            self.connection.execute(update(changes).where(column == duplicate.id).values({column.name: kept.id}))

    def erase(self, value: Record) -> None:
        """Remove a record and blank what the trail held of it: that it was there and who erased it stays."""
        self._refuse_others(value)
        if isinstance(value, Photo | PlacePhoto):
            self.loose.add(value.sha256)
        self.connection.execute(delete(KINDS[type(value)].table).where(KINDS[type(value)].table.c.id == value.id))
        once = changes.alias()  # records of it that were removed earlier
        once_its = select(once.c.record_id).where(once.c.about == value.id)
        of_it = or_(changes.c.record_id == value.id, changes.c.about == value.id, changes.c.about.in_(once_its))
        self.connection.execute(update(changes).where(of_it).values(before=None, after=None))
        self._note("erased", value)

    def forget(self, value: Record, fields: Collection[str]) -> None:
        """Blank what the trail held of some fields of a record: that they were changed, by whom and when stays."""
        for line in self.trail(value.id):
            told = {"before": line.before, "after": line.after}
            left = {
                when: None if said is None else {name: one for name, one in said.items() if name not in fields}
                for when, said in told.items()
            }
            if left != told:
                self.connection.execute(update(changes).where(changes.c.number == line.number).values(left))

    @contextmanager
    def erasing(self, dog_id: str) -> Iterator[None]:
        """While a whole dog is erased, its signed intakes may be erased too."""
        self.connection.execute(insert(erasing).values(dog_id=dog_id))
        yield
        self.connection.execute(delete(erasing).where(erasing.c.dog_id == dog_id))

    def add_photo(self, dog_id: str, picture: PreparedPicture, *, taken_on: date | None = None) -> Photo:
        """Keep a picture of a dog, made ready by :func:`prepare` before the transaction began.

        Raises:
            RecordError: ``not_found`` if the dog was erased meanwhile; its picture must not outlive it.
        """
        self.get(Dog, dog_id)
        sha256 = self.store.put(picture.data, picture.seen)
        return self.add(
            Photo(dog_id=dog_id, sha256=sha256, width=picture.width, height=picture.height, taken_on=taken_on)
        )

    def add_place_photo(self, dog_id: str, picture: PreparedPicture, place: str) -> PlacePhoto:
        """Keep a picture of one place of a dog, as :meth:`add_photo` does."""
        self.get(Dog, dog_id)
        sha256 = self.store.put(picture.data)
        size = {"width": picture.width, "height": picture.height}
        return self.add(PlacePhoto(dog_id=dog_id, place=place, sha256=sha256, **size))

    def add_assessment(
        self,
        dog_id: str,
        assessment: Assessment,
        *,
        answers: AnswerSheet | None = None,
        evidence: dict[str, Any] | None = None,
    ) -> StoredAssessment:
        """Keep an assessment with the answers and the evidence it was made from."""
        return self.add(
            StoredAssessment(
                dog_id=dog_id,
                result=assessment.model_dump(mode="json"),
                evidence=evidence or {},
                answers_id=None if answers is None else answers.id,
            )
        )

    def _note(
        self, action: str, value: Record, *, before: dict[str, Any] | None = None, after: dict[str, Any] | None = None
    ) -> None:
        line = {"at": now(), "who": self.who, "action": action, "kind": KINDS[type(value)].table.name}
        whose = {"record_id": value.id, "about": _about(value)}
        self.connection.execute(insert(changes).values(**line, **whose, before=before, after=after))


def valid(kind: type[R], **fields: Any) -> R:
    """A record from values that a person entered.

    Raises:
        RecordError: ``bad_value`` with the first field that is wrong.
    """
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "a value"
        raise _bad_value(KINDS[kind].table.name, f"has a wrong value for {field}: {first['msg']}") from error


def _refuse_signed(intake: Intake, fields: Collection[str]) -> None:
    """A signed record never changes, but may move with its dog when two dogs are merged."""
    if intake.signed_at is not None and set(fields) - {"dog_id"}:
        raise RecordError(
            f"the intake of {intake.signed_at:%Y-%m-%d}",
            "was signed and can't be changed.",
            "Make a new version of it; the signed one stays.",
            code="signed",
        )


def not_found(kind: type[Record], record_id: str) -> RecordError:
    """The error for a record that does not exist."""
    return RecordError(
        f"{KINDS[kind].table.name} {record_id}",
        "is not there.",
        "It may have been removed; search again.",
        code="not_found",
    )


def _bad_value(source: str, problem: str) -> RecordError:
    return RecordError(source, f"{problem}.", "Correct the entry.", code="bad_value")


def _whose(value: Record) -> tuple[str, ...]:
    """The ids, one of which must be named to change a record beside other writers: its own and its dog's."""
    named = (value.id, getattr(value, "dog_id", None), getattr(value, "user_id", None))
    return tuple(one for one in named if one is not None)


def _of_one(value: Record) -> str | None:
    """The dog whose record it is, so that writers of other dogs go on meanwhile; None for all that isn't a dog's."""
    return value.id if isinstance(value, Dog) else getattr(value, "dog_id", None)


def _about(value: Record) -> str:
    """Whose data a record is: the dog's, or for a dog its owner's."""
    return str(getattr(value, "dog_id", None) or getattr(value, "client_id", None) or value.id)


def _shown(value: Record) -> dict[str, Any]:
    """What the audit trail may hold of a record."""
    return value.model_dump(mode="json", exclude=set(KINDS[type(value)].secret))


def _difference(before: dict[str, Any], after: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    names = [name for name in before if before[name] != after[name]]
    return {name: before[name] for name in names}, {name: after[name] for name in names}


class Records:
    """The salon's records, on SQLite or PostgreSQL, with the photo store beside them. Use :func:`open_records`."""

    def __init__(self, url: str, photo_folder: Path) -> None:
        parsed = parse_url(url)
        self.source = "the records"
        self.engine = connect(parsed)
        self.store = PhotoStore(photo_folder)

    @property
    def shared(self) -> bool:
        """Whether servers of several processes or machines may work on it: on PostgreSQL, not on a SQLite file."""
        return bool(self.engine.dialect.name == "postgresql")

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """Read several things as they stood at one moment."""
        with reading(self.engine, self.source) as connection:
            yield Reader(connection, self.store)

    @contextmanager
    def write(self, who: str, *, only: str | None = None) -> Iterator[Writer]:
        """Change several things together; an error undoes them all.

        Args:
            who: whose change it is: a user's name, or a role such as "owner's link".
            only: id of the dog (or of the user) to whom everything that is changed belongs. Who writes of others need
                not wait then, where the database can do so (PostgreSQL). Nobody else writes meanwhile without it, which
                is needed for what is looked up or changed beyond one dog.

        Raises:
            RecordError: ``nobody`` if ``who`` is empty.
            ValueError: if a record of somebody else is changed.
        """
        if not who.strip():
            raise RecordError("a change", "needs a name.", "Say who makes it.", code="nobody")
        with writing(self.engine, self.source, only=only) as connection:
            yield Writer(connection, self.store, who, only)

    def get(self, kind: type[R], record_id: str) -> R:
        """See :meth:`Reader.get`."""
        with self.read() as reader:
            return reader.get(kind, record_id)

    def find(self, kind: type[R], **equal: Any) -> tuple[R, ...]:
        """See :meth:`Reader.find`."""
        with self.read() as reader:
            return reader.find(kind, **equal)

    def add(self, value: R, *, who: str) -> R:
        """See :meth:`Writer.add`."""
        with self.write(who, only=_of_one(value)) as writer:
            return writer.add(value)

    def change(self, seen: R, *, who: str, **fields: Any) -> R:
        """See :meth:`Writer.change`."""
        with self.write(who, only=None if "dog_id" in fields else _of_one(seen)) as writer:
            return writer.change(seen, **fields)

    def add_photo(
        self,
        dog_id: str,
        source: str | os.PathLike[str] | bytes,
        *,
        who: str,
        name: str | None = None,
        taken_on: date | None = None,
    ) -> Photo:
        """Keep a picture of a dog, stripped of its metadata.

        Raises:
            PhotoError: if it can't be opened.
        """
        picture = prepare(source, name)
        with self.write(who, only=dog_id) as writer:
            return writer.add_photo(dog_id, picture, taken_on=taken_on)

    def trail(self, record_id: str | None = None) -> tuple[Change, ...]:
        """See :meth:`Reader.trail`."""
        with self.read() as reader:
            return reader.trail(record_id)

    def sweep_erased(self, pictures: Collection[str]) -> None:
        """Clean up after erasing: pictures that no record names any more, and what a log still holds.

        Args:
            pictures: SHA-256, see :attr:`Writer.loose`.
        """
        self.sweep_photos(pictures)
        empty_log(self.engine, self.source)

    def sweep_photos(self, only: Collection[str] | None = None) -> int:
        """Remove pictures that no record names any more; return how many.

        Nobody has to wait while the store is read; only if something has to go, and what was being written meanwhile
        is looked at again then.

        Args:
            only: SHA-256 of those that may have to go; None for all, and for what writes that were cut short have left.
        """
        parts: list[Path] = []
        if only is None:
            whole, parts = self.store.listed()
            with reading(self.engine, self.source) as connection:
                only = whole - _named(connection, whole)
        if not only and not parts:
            return 0
        with writing(self.engine, self.source) as connection:
            loose = sorted(set(only) - _named(connection, only))
            for sha256 in loose:
                self.store.remove(sha256)
            for path in parts:  # whoever was writing has finished by now, under another name
                self.store.clear(path)
        return len(loose)

    def close(self) -> None:
        """Close the database."""
        self.engine.dispose()

    def __enter__(self) -> Records:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


_ASKED_ONE_BY_ONE = 1000  # a statement holds some ten thousand values at most


def _named(connection: Connection, pictures: Collection[str]) -> set[str]:
    """Those of the pictures, by SHA-256, that a record names."""
    found: set[str] = set()
    for column in (photos.c.sha256, place_photos.c.sha256):
        few = len(pictures) <= _ASKED_ONE_BY_ONE
        statement = select(column).where(column.in_(pictures)) if few else select(column)
        found.update(connection.execute(statement).scalars())
    return found.intersection(pictures)


def default_folder() -> Path:
    """Where records are kept by default."""
    from platformdirs import user_data_path

    return user_data_path("coatclass", appauthor=False)


def open_records(url: str | None = None, *, photo_folder: Path | None = None, sweep: bool = True) -> Records:
    """Open the records, making or migrating the database where needed.

    Args:
        url: ``sqlite:///path`` or ``postgresql://...``; SQLite in the user's data folder if not given.
        photo_folder: where pictures lie. If not given, they lie beside the SQLite file; for PostgreSQL in the folder
            that COATCLASS_PHOTO_FOLDER names, or in the user's data folder.
        sweep: remove pictures that a killed process or an unfinished deletion left behind.

    Raises:
        RecordError: ``bad_url``, ``unavailable``, ``newer_schema``, ``foreign_database``, ``foreign_photos``,
            ``folder``.
        MissingExtraError: PostgreSQL without the extra ``postgres``.
    """
    url = url or f"sqlite:///{default_folder() / 'records.sqlite'}"
    records = Records(url, photo_folder or _photo_folder(url))
    try:
        bring_up_to_date(records.engine, records.source)
        # Of processes that start together one marks a new folder; the others find it marked.
        turn = reading if records.store.claimed else writing
        with turn(records.engine, records.source) as connection:
            used = connection.execute(select(photos.c.id).limit(1)).first() is not None
            records.store.claim(connection.execute(select(salon.c.id)).scalar_one(), used=records.shared and used)
        if sweep:
            records.sweep_photos()
    except BaseException:
        records.close()
        raise
    return records


def _photo_folder(url: str) -> Path:
    """Beside the SQLite file and named after it; for PostgreSQL as named, or after it in the user's data folder."""
    parsed = parse_url(url)
    database = str(parsed.database)
    if parsed.get_backend_name() == "sqlite":
        return Path(database).with_name(f"{Path(database).stem}-photos")
    if named := os.environ.get("COATCLASS_PHOTO_FOLDER"):
        return Path(named)
    return default_folder() / f"{database}-photos"
