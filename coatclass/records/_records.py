"""The records: opening them, and one way in for reading and for writing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy import select

from coatclass.errors import RecordError
from coatclass.records._photos import PhotoStore, prepare
from coatclass.records._transaction import Reader, Writer
from coatclass.records._values import Change, Photo, Record
from coatclass.records.database import bring_up_to_date, connect, parse_url, reading, writing
from coatclass.records.tables import photos, place_photos, salon

R = TypeVar("R", bound=Record)


class Records:
    """The salon's records, on SQLite or PostgreSQL, with the photo store beside them. Use :func:`open_records`."""

    def __init__(self, url: str, photo_folder: Path) -> None:
        parsed = parse_url(url)
        self.source = "the records"
        self.engine = connect(parsed)
        self.store = PhotoStore(photo_folder)

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """Read several things from one moment."""
        with reading(self.engine, self.source) as connection:
            yield Reader(connection, self.store)

    @contextmanager
    def write(self, who: str) -> Iterator[Writer]:
        """Change several things together; an error undoes them all.

        Args:
            who: whose change it is: a user's name, or such as "owner's link".
        """
        if not who.strip():
            raise RecordError("a change", "needs a name.", "Say who makes it.", code="nobody")
        with writing(self.engine, self.source) as connection:
            yield Writer(connection, self.store, who)

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
        with self.write(who) as writer:
            return writer.add(value)

    def change(self, seen: R, *, who: str, **fields: Any) -> R:
        """See :meth:`Writer.change`."""
        with self.write(who) as writer:
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
        with self.write(who) as writer:
            return writer.add_photo(dog_id, picture, taken_on=taken_on)

    def trail(self, record_id: str | None = None) -> tuple[Change, ...]:
        """See :meth:`Reader.trail`."""
        with self.read() as reader:
            return reader.trail(record_id)

    def sweep_photos(self) -> int:
        """Remove pictures that no record names any more; return how many."""
        with writing(self.engine, self.source) as connection:
            named = {
                sha256
                for table in (photos, place_photos)
                for sha256 in connection.execute(select(table.c.sha256)).scalars()
            }
            loose = [sha256 for sha256 in self.store.names() if sha256 not in named]
            for sha256 in loose:
                self.store.remove(sha256)
        return len(loose)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Records:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def default_folder() -> Path:
    """Where records lie when nobody says otherwise."""
    from platformdirs import user_data_path

    return user_data_path("coatclass", appauthor=False)


def open_records(url: str | None = None, *, photo_folder: Path | None = None) -> Records:
    """Open the records, making or migrating the database where needed.

    Args:
        url: ``sqlite:///path`` or ``postgresql://...``; SQLite in the user's data folder if not given.
        photo_folder: where pictures lie; beside the SQLite file, or in the user's data folder, if not given.

    Raises:
        RecordError: ``bad_url``, ``unavailable``, ``newer_schema``, ``foreign_database``, ``foreign_photos``,
            ``folder``.
        MissingExtraError: PostgreSQL without the extra ``postgres``.
    """
    url = url or f"sqlite:///{default_folder() / 'records.sqlite'}"
    records = Records(url, photo_folder or _photo_folder(url))
    try:
        bring_up_to_date(records.engine, records.source)
        with reading(records.engine, records.source) as connection:
            records.store.claim(connection.execute(select(salon.c.id)).scalar_one())
        records.sweep_photos()  # what a kill left behind, or a deletion had no time for
    except BaseException:
        records.close()
        raise
    return records


def _photo_folder(url: str) -> Path:
    """Beside the SQLite file and named after it, or in the user's data folder and named after the database."""
    parsed = parse_url(url)
    database = str(parsed.database)
    if parsed.get_backend_name() == "sqlite":
        return Path(database).with_name(f"{Path(database).stem}-photos")
    return default_folder() / f"{database}-photos"
