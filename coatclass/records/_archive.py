"""Everything in one ZIP file: for taking along (export, import) and for keeping safe (backup, restore).

``manifest.json`` says what it is; ``records/*.jsonl`` hold one record a line, in an order in which they can be read
back; ``tables/*.csv`` hold the same for spreadsheets and are not read back; ``photos/`` the pictures by SHA-256.
"""

from __future__ import annotations

import csv
import hashlib
import json
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import StringIO, TextIOWrapper
from pathlib import Path
from typing import IO, Any

from pydantic import BaseModel, ValidationError
from sqlalchemy import func, insert, select

from coatclass.durable import new_file
from coatclass.errors import RecordError
from coatclass.records._records import Records
from coatclass.records._tables import KINDS, changes, to_row
from coatclass.records._transaction import Reader, Writer
from coatclass.records._values import Change, Link, Photo, Record, Session, User

_FORMAT = "coatclass records"
_VERSION = 1
_MOST_LINE_BYTES = 20_000_000
_MOST_PHOTO_BYTES = 50_000_000

# Who may come in is no part of a salon's data; who is signed in right now is no part of anything to keep.
_SALON = tuple(kind for kind in KINDS if kind not in (User, Link, Session))
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
    """Write everything of the salon, for other programs (CSV, JSON, photos) and for :func:`import_salon`."""
    return _write(records, path, "salon", _SALON, for_people=True)


def backup(records: Records, path: Path) -> Archive:
    """Write everything, users and owners' links included, while others go on working. Keep it as safe as the records.

    It fits SQLite and PostgreSQL alike, so it also moves records from one to the other.
    """
    return _write(records, path, "backup", _EVERYTHING, for_people=False)


def import_salon(records: Records, path: Path) -> Archive:
    """Read an export back in, all of it or nothing.

    Raises:
        RecordError: ``conflict`` if a record is there already; ``missing``, ``damaged_archive``, ``foreign_archive``
            or ``newer_archive`` if the file can't be used.
    """
    return _read(records, path, "salon", _SALON)


def restore(records: Records, path: Path) -> Archive:
    """Read a backup into records that hold nothing yet.

    Raises:
        RecordError: ``not_empty``, or as :func:`import_salon`.
    """
    with records.read() as reader:
        filled = [
            kind
            for kind in KINDS
            if reader.connection.execute(select(func.count()).select_from(KINDS[kind].table)).scalar()
        ]
    if filled:
        raise RecordError(
            "restoring", "needs empty records, so that nothing is mixed.", "Open a new database.", code="not_empty"
        )
    return _read(records, path, "backup", _EVERYTHING)


# --- writing --------------------------------------------------------------------------------------------------------


def _write(
    records: Records, path: Path, contents: str, kinds: tuple[type[Record], ...], *, for_people: bool
) -> Archive:
    counts: dict[str, int] = {}
    wanted: dict[str, None] = {}
    with _new_file(path) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        with records.read() as reader:
            for name, values in _tables(reader, kinds):
                counts[name] = len(values)
                wanted.update((value.sha256, None) for value in values if isinstance(value, Photo))
                archive.writestr(f"records/{name}.jsonl", "".join(f"{value.model_dump_json()}\n" for value in values))
                if for_people:
                    archive.writestr(f"tables/{name}.csv", _csv(values))
        missing = [sha256 for sha256 in wanted if not _copy_photo(records, archive, sha256)]
        manifest = {"format": _FORMAT, "version": _VERSION, "contents": contents, "counts": counts, "missing": missing}
        archive.writestr("manifest.json", json.dumps(manifest, indent=2))
    return Archive(path, counts, len(wanted) - len(missing), tuple(missing))


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
    return True


def _csv(values: tuple[BaseModel, ...]) -> bytes:
    if not values:
        return b""
    text = StringIO()
    rows = [value.model_dump(mode="json") for value in values]
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows({name: _cell(content) for name, content in row.items()} for row in rows)
    return b"\xef\xbb\xbf" + text.getvalue().encode()  # the mark by which spreadsheets know UTF-8


def _cell(content: object) -> object:
    """A spreadsheet must not take an owner's words for a formula."""
    if isinstance(content, (dict, list)):
        return json.dumps(content, ensure_ascii=False)
    if isinstance(content, str) and content[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{content}"
    return content


@contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """A file that appears under its name only once it is whole, with what can go wrong in words."""
    try:
        with new_file(path) as stream:
            yield stream
    except OSError as error:
        raise RecordError(
            str(path), f"can't be written ({error.strerror}).", "Choose another folder.", code="unwritable"
        ) from error


# --- reading --------------------------------------------------------------------------------------------------------


def _read(records: Records, path: Path, contents: str, kinds: tuple[type[Record], ...]) -> Archive:
    try:
        with zipfile.ZipFile(path) as archive, records.write("import") as writer:
            manifest = _manifest(archive, path, contents)
            counts, wanted = {}, dict[str, None]()
            for kind in kinds:
                name = KINDS[kind].table.name
                values = list(_lines(archive, name, kind))
                counts[name] = len(values)
                if len(values) != manifest["counts"].get(name):
                    raise _damaged(path, f"its list says other than the {len(values)} {name} found")
                wanted.update((value.sha256, None) for value in values if isinstance(value, Photo))
                if values:
                    writer.connection.execute(insert(KINDS[kind].table), [to_row(value) for value in values])
            counts[changes.name] = _read_trail(archive, writer)
            missing = [sha256 for sha256 in wanted if not _take_photo(archive, writer, path, sha256)]
    except FileNotFoundError as error:
        raise RecordError(str(path), "does not exist.", "Check the name and the folder.", code="missing") from error
    except (OSError, zipfile.BadZipFile, EOFError, KeyError, ValueError, NotImplementedError) as error:
        raise _damaged(path, str(error) or type(error).__name__) from error
    return Archive(path, counts, len(wanted) - len(missing), tuple(missing))


def _manifest(archive: zipfile.ZipFile, path: Path, contents: str) -> dict[str, Any]:
    try:
        manifest = json.loads(archive.read("manifest.json"))
        ours = manifest["format"] == _FORMAT and manifest["contents"] == contents
        ours = ours and isinstance(manifest["counts"], dict)
        version = int(manifest["version"])
    except (KeyError, ValueError, TypeError) as error:
        raise _foreign(path, contents) from error
    if not ours:
        raise _foreign(path, contents)
    if version > _VERSION:
        raise RecordError(
            str(path), "was written by a newer version of coatclass.", "Update coatclass.", code="newer_archive"
        )
    return dict(manifest)


def _lines(archive: zipfile.ZipFile, name: str, kind: type[BaseModel]) -> Iterator[Any]:
    with archive.open(f"records/{name}.jsonl") as stream, TextIOWrapper(stream, "utf-8") as text:
        while line := text.readline(_MOST_LINE_BYTES):
            try:
                yield kind.model_validate_json(line)
            except ValidationError as error:
                raise ValueError(f"a line of {name} can't be read") from error


def _read_trail(archive: zipfile.ZipFile, writer: Writer) -> int:
    rows = [change.model_dump(exclude={"number"}) for change in _lines(archive, changes.name, Change)]
    if rows:
        writer.connection.execute(insert(changes), rows)
    return len(rows)


def _take_photo(archive: zipfile.ZipFile, writer: Writer, path: Path, sha256: str) -> bool:
    """Names come from records alone, never from the archive, and bytes must be what they are called."""
    try:
        entry = archive.getinfo(f"photos/{sha256}.jpg")
    except KeyError:
        return False
    if entry.file_size > _MOST_PHOTO_BYTES:
        raise _damaged(path, "a photo too large to be one")
    data = archive.read(entry)
    if hashlib.sha256(data).hexdigest() != sha256 or not data.startswith(b"\xff\xd8\xff"):
        raise _damaged(path, "a photo that is not what it is called")
    writer.store.put(data)
    return True


def _foreign(path: Path, contents: str) -> RecordError:
    what = "an export" if contents == "salon" else "a backup"
    return RecordError(str(path), f"is not {what} of coatclass.", f"Choose {what}.", code="foreign_archive")


def _damaged(path: Path, why: str) -> RecordError:
    return RecordError(
        str(path), f"is damaged ({why}).", "Copy it again, or use another; nothing was changed.", code="damaged_archive"
    )
