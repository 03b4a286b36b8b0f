"""Everything in one ZIP file: for taking along (export, import) and for keeping safe (backup, restore).

``manifest.json`` says what it is; ``records/*.jsonl`` hold one record a line, in an order in which they can be read
back; ``tables/*.csv`` hold the same for spreadsheets and are not read back; ``photos/`` the pictures by SHA-256, each
with what was read from it as it came (``.seen``).
"""

from __future__ import annotations

import csv
import hashlib
import json
import lzma
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import StringIO
from itertools import islice
from pathlib import Path
from typing import IO, Any, TypeVar

from pydantic import BaseModel, ValidationError
from sqlalchemy import Table, insert, select

from coatclass.durable import new_file
from coatclass.errors import RecordError
from coatclass.photo import is_bare_jpeg
from coatclass.plain_text import as_cell
from coatclass.records._store import Reader, Records, Writer
from coatclass.records._values import (
    STORED,
    Change,
    Client,
    Dog,
    Link,
    Photo,
    PlacePhoto,
    Record,
    Session,
    Setting,
    User,
)
from coatclass.records.tables import KINDS, changes, to_row
from coatclass.resources import read_toml

_LIMITS = read_toml(Path(__file__).with_name("data") / "limits.toml")["archive"]


@dataclass(frozen=True)
class ArchiveLimits:
    """What an archive may unpack to.

    Attributes:
        manifest_bytes, line_bytes, photo_bytes, seen_bytes: largest list of contents, record, picture and what was read
            from a picture, bytes.
        rows_bytes: all records together, unpacked, bytes.
        entries: files inside.
        ratio: of unpacked records to their packed size.
    """

    manifest_bytes: int
    line_bytes: int
    photo_bytes: int
    seen_bytes: int
    rows_bytes: int
    entries: int
    ratio: float


def _archive(who: str) -> ArchiveLimits:
    single: dict[str, Any] = {name: value for name, value in _LIMITS.items() if isinstance(value, int)}
    return ArchiveLimits(**single, **_LIMITS[who])


BY_UPLOAD = _archive("upload")
BY_COMMAND = _archive("command")


_FORMAT = "coatclass records"
_VERSION = 1
_SMALL_BYTES = 1_000_000  # this little is harmless, however tightly it was packed
M = TypeVar("M", bound=BaseModel)
R = TypeVar("R", bound=Record)
_BATCH = 500  # rows that are handed to the database at once

# Users and links are not part of a salon's data; sessions are never exported at all.
_SALON = tuple(kind for kind in KINDS if kind not in (User, Link, Session))
_PICTURED = (Photo, PlacePhoto)
_EVERYTHING = tuple(kind for kind in KINDS if kind is not Session)


@dataclass(frozen=True)
class Archive:
    """What went into an archive or came out of it.

    Attributes:
        counts: records by table.
        photos: pictures.
        missing_photos: SHA-256 of pictures that a record names and the photo store did not have.
    """

    path: Path
    counts: Mapping[str, int]
    photos: int
    missing_photos: tuple[str, ...] = field(default=())


def export_salon(records: Records, path: Path) -> Archive:
    """Write everything of the salon, for other programs (CSV, JSON, photos) and for :func:`import_salon`.

    Dogs that owners keep to themselves are not included.
    """
    return _write(records, path, "salon", _SALON, for_people=True)


def backup(records: Records, path: Path) -> Archive:
    """Write everything, users and owners' links included, while others go on working. Keep it as safe as the records.

    It fits SQLite and PostgreSQL alike, so it also moves records from one to the other.
    """
    return _write(records, path, "backup", _EVERYTHING, for_people=False)


def import_salon(records: Records, path: Path, *, limits: ArchiveLimits = BY_COMMAND) -> Archive:
    """Read an export back in, all of it or nothing. The whole file is checked before anybody has to wait for it.

    Settings that somebody has chosen here already stay as they are.

    Args:
        limits: what the file may unpack to.

    Raises:
        RecordError: ``conflict`` if a record is there already; ``missing``, ``damaged_archive``, ``foreign_archive``,
            ``newer_archive`` or ``too_large`` if the file can't be used.
    """
    return _read(records, path, "salon", _SALON, limits)


def restore(records: Records, path: Path) -> Archive:
    """Read a backup into records that hold nothing yet.

    Raises:
        RecordError: ``not_empty``, or as :func:`import_salon`.
    """
    with records.read() as reader:
        filled = any(reader.count(kind) for kind in KINDS)
    if filled:
        raise RecordError(
            "restoring", "needs empty records, so that nothing is mixed.", "Open a new database.", code="not_empty"
        )
    return _read(records, path, "backup", _EVERYTHING, BY_COMMAND)


# --- writing --------------------------------------------------------------------------------------------------------


def _write(
    records: Records, path: Path, contents: str, kinds: tuple[type[Record], ...], *, for_people: bool
) -> Archive:
    counts: dict[str, int] = {}
    wanted: dict[str, None] = {}
    with _new_file(path) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        with records.read() as reader:
            hidden = _hidden(reader) if for_people else frozenset()
            for name, found in _tables(reader, kinds):
                values = tuple(one for one in found if hidden.isdisjoint(_named(one)))
                counts[name] = len(values)
                wanted.update((value.sha256, None) for value in values if isinstance(value, _PICTURED))
                archive.writestr(f"records/{name}.jsonl", "".join(f"{value.model_dump_json()}\n" for value in values))
                if for_people:
                    archive.writestr(f"tables/{name}.csv", _csv(values))
        missing = [sha256 for sha256 in wanted if not _copy_photo(records, archive, sha256)]
        manifest = {"format": _FORMAT, "version": _VERSION, "contents": contents, "counts": counts, "missing": missing}
        archive.writestr("manifest.json", json.dumps(manifest, indent=2))
    return Archive(path, counts, len(wanted) - len(missing), tuple(missing))


def _hidden(reader: Reader) -> frozenset[str]:
    return frozenset(dog.id for dog in reader.find(Dog) if not dog.sharing.seen_by_salon)


def _named(value: BaseModel) -> tuple[Any, ...]:
    """The dogs that a record or a line of the trail may be about."""
    return tuple(getattr(value, name, None) for name in ("id", "dog_id", "record_id", "about"))


def _tables(reader: Reader, kinds: tuple[type[Record], ...]) -> Iterator[tuple[str, tuple[BaseModel, ...]]]:
    for kind in kinds:
        yield KINDS[kind].table.name, reader.find(kind)
    yield changes.name, reader.trail()


def _copy_photo(records: Records, archive: zipfile.ZipFile, sha256: str) -> bool:
    """False if the store does not have it (a client was deleted meanwhile) or it is damaged."""
    try:
        data = records.store.read(sha256)
    except RecordError:
        return False
    archive.writestr(zipfile.ZipInfo(f"photos/{sha256}.jpg"), data)  # stored: JPEG does not shrink
    if seen := records.store.seen(sha256):
        archive.writestr(f"photos/{sha256}.seen", seen)
    return True


def _csv(values: tuple[BaseModel, ...]) -> bytes:
    if not values:
        return b""
    text = StringIO()
    rows = [value.model_dump(mode="json") for value in values]
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows({name: _cell(content) for name, content in row.items()} for row in rows)
    return b"\xef\xbb\xbf" + text.getvalue().encode()  # byte order mark, by which spreadsheets recognise UTF-8


def _cell(content: object) -> object:
    if isinstance(content, (dict, list)):
        return json.dumps(content, ensure_ascii=False)
    return as_cell(content)


@contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """A file that appears under its name only once it is complete; errors are raised in plain words."""
    try:
        with new_file(path) as stream:
            yield stream
    except OSError as error:
        raise RecordError(
            str(path), f"can't be written ({error.strerror}).", "Choose another folder.", code="unwritable"
        ) from error


# --- reading --------------------------------------------------------------------------------------------------------


def _read(
    records: Records, path: Path, contents: str, kinds: tuple[type[Record], ...], limits: ArchiveLimits
) -> Archive:
    if path.exists() and not (path.is_file() or path.is_dir()):  # it may never end
        raise RecordError(
            str(path), "is a device or a pipe, not a file.", "Choose one that coatclass wrote.", code="damaged_archive"
        )
    try:
        with zipfile.ZipFile(path) as packed:
            archive = _Archive(packed, path, contents, limits)
            counts, wanted = archive.check(kinds)  # no time limit: nobody is waiting for it
            with records.write("import") as writer:
                _refuse_strange_trail(writer, path, archive)
                chosen = {one.name for one in writer.find(Setting)}
                for kind in kinds:
                    rows = (row for row in archive.rows(kind) if not (isinstance(row, Setting) and row.name in chosen))
                    _insert(writer, KINDS[kind].table, map(to_row, rows))
                _insert(writer, changes, (line.model_dump(exclude={"number"}) for line in archive.trail()))
                missing = [sha256 for sha256 in wanted if not archive.has_photo(sha256)]
                for sha256 in wanted:
                    if archive.has_photo(sha256):
                        writer.store.put(archive.photo(sha256), archive.seen(sha256))
    except FileNotFoundError as error:
        raise RecordError(str(path), "does not exist.", "Check the name and the folder.", code="missing") from error
    except _UNREADABLE as error:
        raise _damaged(path, str(error) or type(error).__name__) from error
    return Archive(path, counts, len(wanted) - len(missing), tuple(missing))


def _refuse_strange_trail(writer: Writer, path: Path, archive: _Archive) -> None:
    """A file can't rewrite the history of a client or dog that is here already."""
    waiting = archive.trail()
    while batch := list(islice(waiting, _BATCH)):
        ids = {one for line in batch for one in (line.record_id, line.about)}
        for kind in (Client, Dog):
            table = KINDS[kind].table
            if writer.connection.execute(select(table.c.id).where(table.c.id.in_(ids)).limit(1)).first() is not None:
                raise RecordError(
                    str(path),
                    "tells of records that are here already.",
                    "Import it into other records; nothing was changed.",
                    code="conflict",
                )


# What reading a damaged or malicious file may raise.
_UNREADABLE = (OSError, zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, KeyError, ValueError,
               NotImplementedError, RuntimeError)  # fmt: skip


def _insert(writer: Writer, table: Table, rows: Iterable[dict[str, Any]]) -> None:
    waiting = iter(rows)
    while batch := list(islice(waiting, _BATCH)):
        writer.connection.execute(insert(table), batch)


class _Archive:
    """An archive being read; nothing in it is trusted until checked. File names are taken from records only."""

    def __init__(self, packed: zipfile.ZipFile, path: Path, contents: str, limits: ArchiveLimits) -> None:
        self._packed, self._path, self._contents, self._limits = packed, path, contents, limits
        self._context = STORED if contents == "backup" else None  # stored values are read back unchanged

    def check(self, kinds: tuple[type[Record], ...]) -> tuple[dict[str, int], dict[str, None]]:
        """Read everything once, keeping nothing; return the records by table and the pictures they name."""
        self._check_sizes()
        said = self._manifest()["counts"]
        counts, wanted = {}, dict[str, None]()
        inside: set[str | None] = {None}  # clients and dogs first: everything else belongs to them
        for kind in kinds:
            name, number = KINDS[kind].table.name, 0
            for value in self.rows(kind):
                number += 1
                if not {getattr(value, "client_id", None), getattr(value, "dog_id", None)} <= inside:
                    raise _damaged(self._path, f"one of its {name} belongs to nothing in it")
                if isinstance(value, Client | Dog):
                    inside.add(value.id)
                if isinstance(value, _PICTURED):
                    wanted[value.sha256] = None
            if number != said.get(name, 0):
                raise _damaged(self._path, f"its list says other than the {number} {name} found")
            counts[name] = number
        counts[changes.name] = sum(1 for _ in self.trail())
        for sha256 in wanted:
            if self.has_photo(sha256):
                self.photo(sha256)
                self.seen(sha256)
        return counts, wanted

    def _check_sizes(self) -> None:
        entries = self._packed.infolist()
        rows = [entry for entry in entries if entry.filename.startswith("records/")]
        unpacked, packed = sum(entry.file_size for entry in rows), sum(entry.compress_size for entry in rows)
        limits = self._limits
        too_large = len(entries) > limits.entries or unpacked > limits.rows_bytes
        if too_large or (unpacked > _SMALL_BYTES and unpacked > limits.ratio * packed):
            raise RecordError(
                str(self._path),
                "would unpack to more than is let in here.",
                "Import it on the machine itself with: coatclass records import FILE.zip; nothing was changed.",
                code="too_large",
            )

    def _unpacked(self, name: str, most: int) -> bytes:
        """One whole entry; its stated size is not trusted."""
        with self._packed.open(name) as stream:
            data = stream.read(most + 1)
        if len(data) > most:
            raise _damaged(self._path, f"{name} is too large")
        return data

    def _manifest(self) -> dict[str, Any]:
        try:
            manifest = json.loads(self._unpacked("manifest.json", self._limits.manifest_bytes))
            ours = manifest["format"] == _FORMAT and manifest["contents"] == self._contents
            ours = ours and isinstance(manifest["counts"], dict)
            version = int(manifest["version"])
        except (KeyError, ValueError, TypeError, RecursionError) as error:
            raise _foreign(self._path, self._contents) from error
        if not ours:
            raise _foreign(self._path, self._contents)
        if version > _VERSION:
            raise RecordError(
                str(self._path),
                "was written by a newer version of coatclass.",
                "Update coatclass.",
                code="newer_archive",
            )
        return dict(manifest)

    def rows(self, kind: type[R]) -> Iterator[R]:
        """All records of a kind."""
        return self._lines(KINDS[kind].table.name, kind)

    def trail(self) -> Iterator[Change]:
        """All lines of the audit trail."""
        return self._lines(changes.name, Change)

    def _lines(self, name: str, kind: type[M]) -> Iterator[M]:
        if name not in self._manifest()["counts"] and f"records/{name}.jsonl" not in self._packed.NameToInfo:
            return  # an archive from before there were such records
        left = self._limits.rows_bytes  # an entry may unpack to more than it declares
        with self._packed.open(f"records/{name}.jsonl") as stream:
            while line := stream.readline(self._limits.line_bytes):
                left -= len(line)
                if left < 0:
                    raise ValueError(f"{name} is too large")
                try:
                    yield kind.model_validate_json(line, context=self._context)
                except ValidationError as error:
                    raise ValueError(f"a line of {name} can't be read") from error

    def has_photo(self, sha256: str) -> bool:
        """Whether the picture is inside."""
        return f"photos/{sha256}.jpg" in self._packed.NameToInfo

    def photo(self, sha256: str) -> bytes:
        """A picture as the store keeps it, without place and device; its bytes must match the SHA-256 in its name."""
        data = self._unpacked(f"photos/{sha256}.jpg", self._limits.photo_bytes)
        if hashlib.sha256(data).hexdigest() != sha256 or not is_bare_jpeg(data):
            raise _damaged(self._path, "a photo that is not what it is called")
        return data

    def seen(self, sha256: str) -> str:
        """What was read from the picture as it came, empty if that is not inside; whoever uses it checks it."""
        name = f"photos/{sha256}.seen"
        return self._unpacked(name, self._limits.seen_bytes).decode() if name in self._packed.NameToInfo else ""


def _foreign(path: Path, contents: str) -> RecordError:
    what = "an export" if contents == "salon" else "a backup"
    return RecordError(
        str(path), f"is not {what} of coatclass.", "Choose one that coatclass wrote.", code="foreign_archive"
    )


def _damaged(path: Path, why: str) -> RecordError:
    return RecordError(
        str(path), f"is damaged ({why}).", "Copy it again, or use another; nothing was changed.", code="damaged_archive"
    )
