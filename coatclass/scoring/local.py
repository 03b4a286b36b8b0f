"""Scoring on this machine: rows go to a journal as they are done, and the table is written from it in pieces.

The journal (``TABLE.partial``) holds one line a photo; the table itself appears only when it is whole, by renaming.
Which photos there are, and where each row lies in the journal, is kept in a database on disk that goes with the
process: the memory that is needed does not grow with the number of photos.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing, contextmanager
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread
from typing import IO, Any

from coatclass.durable import only_one
from coatclass.errors import CoatclassError, InputError, require
from coatclass.scoring import tables
from coatclass.scoring.sources import ListedPhoto, Photos
from coatclass.scoring.tables import COLUMNS, FAILED, NUMBERS, Remote, Row, batched, made_by, score_photo

__all__ = ["PhotoIndex", "kind_of", "score"]

_BY = "made_by"  # of a journal's line, beside the columns
_CHUNK, _CHUNK_BYTES = 8, 8_000_000  # photos that a worker is given at a time
_AHEAD = 3  # chunks that wait for each worker


def score(
    photos: Photos,
    out: Path,
    *,
    shard: tuple[int, int] = (1, 1),
    workers: int = 1,
    skip_existing: bool = False,
    advance: Callable[[Row | None], None] = lambda row: None,
) -> Counter[str]:
    """Score ``photos``, each once, into the table ``out`` and count its rows by status.

    An interrupted run continues from its journal. Rows of another release, and rows that failed, are made again.

    Args:
        photos: as from :func:`coatclass.scoring.photos_at`.
        out: ``.csv`` or ``.parquet``; replaced when the new table is whole.
        shard: (part, parts), part from 1; the parts are disjoint and together hold every photo.
        workers: processes; the rows don't depend on it.
        skip_existing: keep the rows that ``out`` holds already for these photos, by path; the files are not compared.
            Rows of photos that are not among ``photos`` go.
        advance: called once a photo with its row, None if that was there already.

    Raises:
        InputError: if the table can't be written, is being written by another run, or ``out`` was made by another
            release and is to be kept.
        MissingExtraError: if Parquet is asked for and not installed.
    """
    kind = kind_of(out)
    release = made_by()
    journal = out.with_name(out.name + ".partial")
    finished = out.with_name(out.name + ".finished")
    # Two runs would write into each other's journal, and rows would come out under other photos' names.
    with _told(out), only_one(out.with_name(out.name + ".lock")), closing(PhotoIndex()) as index:
        if skip_existing and out.exists() and not journal.exists():
            _keep(out, kind, journal, release)
        _resume(journal, index, release)
        with journal.open("ab") as stream:
            for row in _rows(_waiting(photos, shard, index, advance), workers):
                index.done(row["file"], stream.tell())
                stream.write(_line(row, release))
                stream.flush()
                advance(row)
        with journal.open("rb") as stream, tables.open_table(finished, kind, photos.carried, release) as table:
            counts = _write(table, index, stream)
        finished.replace(out)
        journal.unlink()
    return counts


def kind_of(out: Path) -> str:
    """``.csv`` or ``.parquet``.

    Raises:
        InputError: if it is neither, or there is no such folder.
        MissingExtraError: if it is Parquet and pyarrow is not installed.
    """
    if not out.parent.is_dir():
        raise InputError(str(out), f"can't be written: there is no folder {out.parent}.", "Make the folder first.")
    if out.suffix == ".parquet":
        require("Writing Parquet", "parquet", "pyarrow")
    elif out.suffix != ".csv":
        raise InputError(str(out), "is neither .csv nor .parquet.", "Name a file that ends in .csv or .parquet.")
    return out.suffix


@contextmanager
def _told(out: Path) -> Iterator[None]:
    try:
        yield
    except BlockingIOError as error:
        problem = "is being written by another run of this command."
        raise InputError(str(out), problem, "Wait until that has ended, or name another table.") from error
    except (OSError, sqlite3.OperationalError) as error:
        problem = f"can't be written ({getattr(error, 'strerror', None) or error})."
        raise InputError(str(out), problem, "Name a folder you may write to, with room left on the disk.") from error
    except BrokenProcessPool as error:
        raise CoatclassError(
            str(out),
            "can't be finished: a worker process was ended, most likely for want of memory.",
            "What is done is kept: run the same command again, with fewer workers.",
        ) from error


class PhotoIndex:
    """Which photos there are, in their order, and where each row lies; on disk, by SQLite's own temporary file."""

    def __init__(self) -> None:
        self._base = sqlite3.connect("", isolation_level=None)
        self._base.executescript("""
            PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -2000;
            CREATE TABLE done (file TEXT PRIMARY KEY, place INTEGER) WITHOUT ROWID;
            CREATE TABLE listed (position INTEGER PRIMARY KEY, file TEXT UNIQUE, carried TEXT);
            BEGIN;
        """)
        self._listed = 0

    def close(self) -> None:
        """Drop it."""
        self._base.close()

    def done(self, file: str, place: int) -> None:
        """Note that a row lies at ``place``; it replaces an earlier one of the same photo."""
        self._base.execute("INSERT OR REPLACE INTO done VALUES (?, ?)", (file, place))

    def is_done(self, file: str) -> bool:
        """Whether there is a row of this photo."""
        return self._base.execute("SELECT 1 FROM done WHERE file = ?", (file,)).fetchone() is not None

    def add(self, file: str, carried: Mapping[str, Any], shard: tuple[int, int] = (1, 1)) -> bool:
        """List a photo; False if it is listed already or belongs to another shard."""
        values = (self._listed, file, json.dumps(carried) if carried else None)
        if not self._base.execute("INSERT OR IGNORE INTO listed VALUES (?, ?, ?)", values).rowcount:
            return False
        self._listed += 1
        if (self._listed - 1) % shard[1] == shard[0] - 1:
            return True
        self._base.execute("UPDATE listed SET carried = 'elsewhere' WHERE file = ?", (file,))
        return False

    def rows(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Where each listed photo's row lies, and what is carried along, in the order of the list."""
        places = self._base.execute(
            "SELECT place, carried FROM listed JOIN done USING (file) "
            "WHERE carried IS NOT 'elsewhere' ORDER BY position"
        )
        return ((place, json.loads(carried) if carried else {}) for place, carried in places)


# --- the journal ------------------------------------------------------------------------------------------------------


def _line(row: Row, release: str) -> bytes:
    return json.dumps(row | {_BY: release}).encode() + b"\n"


def _resume(journal: Path, index: PhotoIndex, release: str) -> None:
    """Note the rows that an interrupted run has written; a line cut short by the interruption is dropped."""
    if not journal.exists():
        return
    whole = 0
    with journal.open("r+b") as stream:
        for line in stream:
            if not line.endswith(b"\n"):
                break
            try:
                row = json.loads(line)
            except json.JSONDecodeError:
                row = {}
            if row.get(_BY) == release and row["status"] != FAILED:
                index.done(row["file"], whole)
            whole += len(line)
        stream.truncate(whole)


def _keep(out: Path, kind: str, journal: Path, release: str) -> None:
    """Take the rows of a finished table for those of an interrupted run."""
    if kind == ".parquet" and (by := tables.maker(out)) not in (None, release):
        problem = f"was made by {by}; its rows can't stand beside those of {release}."
        raise InputError(str(out), problem, "Leave out --skip-existing, or name another table.")
    if missing := set(COLUMNS) - set(tables.columns(str(out))):
        names = ", ".join(sorted(missing))
        problem = (
            f"is no table of scores: it has no columns {names}."
            if len(missing) > 1
            else f"is no table of scores: it has no column {names}."
        )
        raise InputError(str(out), problem, "Leave out --skip-existing, or name another table.")
    unfinished = journal.with_name(journal.name + ".unfinished")
    with unfinished.open("wb") as stream:
        for row in tables.rows(str(out)):
            stream.write(_line({name: _value(name, row[name]) for name in COLUMNS}, release))
    unfinished.replace(journal)


def _value(name: str, cell: Any) -> Any:
    if cell in (None, ""):
        return None
    return float(cell) if name in NUMBERS else cell


def _write(table: tables.TableWriter, index: PhotoIndex, journal: IO[bytes]) -> Counter[str]:
    counts: Counter[str] = Counter()
    for places in batched(index.rows(), tables.ROWS):
        rows = []
        for place, carried in places:
            journal.seek(place)
            rows.append(json.loads(journal.readline()) | carried)
        counts.update(row["status"] for row in rows)
        table.write(rows)
    return counts


# --- the work ---------------------------------------------------------------------------------------------------------


def _waiting(
    photos: Photos, shard: tuple[int, int], index: PhotoIndex, advance: Callable[[Row | None], None]
) -> Iterator[ListedPhoto]:
    for photo in photos:
        if not index.add(photo.file, photo.carried, shard):
            continue
        if index.is_done(photo.file):
            advance(None)
        else:
            yield photo


def _rows(photos: Iterable[ListedPhoto], workers: int) -> Iterator[Row]:
    """Rows in the order of the photos, with a bounded number of photos on their way."""
    if workers == 1:
        for photo in photos:
            yield score_photo(photo.file, photo.source)
        return
    waiting: deque[Future[list[Row]]] = deque()
    # Fresh processes: a forked one would share the network's threads with its parent.
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin)
    try:
        for chunk in _chunks(photos):
            waiting.append(pool.submit(_score_all, chunk))
            if len(waiting) > _AHEAD * workers:
                yield from waiting.popleft().result()
        for job in waiting:
            yield from job.result()
    finally:
        pool.shutdown(cancel_futures=True)


def _begin() -> None:
    """In each worker: use one core, since the others have their own workers, and end with the parent process.

    Otherwise, workers whose parent was killed would wait for work, and hold their memory, forever.
    """
    os.environ["OMP_NUM_THREADS"] = "1"
    Thread(target=_end_with_first, name="coatclass-follow", daemon=True).start()


def _end_with_first() -> None:
    first = parent_process()
    if first is not None:
        wait([first.sentinel])
        os._exit(1)


def _chunks(photos: Iterable[ListedPhoto]) -> Iterator[list[tuple[str, Any]]]:
    """Work for one worker: what lies in an archive is read here, and travels as bytes; a URL is opened over there."""
    chunk: list[tuple[str, Any]] = []
    held = 0
    for photo in photos:
        source = photo.source if isinstance(photo.source, Path | Remote) else photo.source.read()
        held += len(source) if isinstance(source, bytes) else 0
        chunk.append((photo.file, source))
        if len(chunk) == _CHUNK or held > _CHUNK_BYTES:
            yield chunk
            chunk, held = [], 0
    if chunk:
        yield chunk


def _score_all(chunk: list[tuple[str, Any]]) -> list[Row]:
    return [score_photo(file, source) for file, source in chunk]
