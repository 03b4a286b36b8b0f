"""The table of scores: what a row holds, and tables in pieces, a few thousand rows at a time, wherever they lie.

Tables are CSV or Parquet; they and photos lie on this machine or, by URL, on object storage or the web: whatever
pyarrow and fsspec can read.
"""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import chain, islice, zip_longest
from pathlib import Path
from time import sleep
from typing import TYPE_CHECKING, Any, Literal, Protocol
from urllib.parse import quote, unquote_to_bytes

from coatclass.errors import CoatclassError, InputError, require
from coatclass.photo import default_limits
from coatclass.plain_text import reads_as_formula
from coatclass.taxonomy import BANDS, CATEGORIES

if TYPE_CHECKING:
    from coatclass.contract import CoatEstimate, Decision, PhotoReport
    from coatclass.estimating import PhotoSource

__all__ = [
    "COLUMNS",
    "FAILED",
    "NUMBERS",
    "PROBLEM",
    "ROWS",
    "Kind",
    "Remote",
    "Row",
    "Stored",
    "TableWriter",
    "batched",
    "columns",
    "is_url",
    "lacking",
    "made_by",
    "maker",
    "open_table",
    "parquet_schema",
    "pieces",
    "read_path",
    "refuse_doubles",
    "row_of",
    "rows",
    "score_photo",
    "storage",
    "written_path",
]

# --- a row ------------------------------------------------------------------------------------------------------------

COLUMNS = (
    "file",
    "status",
    "dog_probability",
    *(f"p_{category}" for category in CATEGORIES),
    "category",
    "category_set",
    *(f"b_{band}" for band in BANDS),
    "length_band",
    "verdict",
)
NUMBERS = frozenset(name for name in COLUMNS if name == "dog_probability" or name[:2] in ("p_", "b_"))
"""Columns of probabilities; all others hold text."""
FAILED = "failed"
"""Status of a photo on which the program itself failed, whatever the photo is."""
PROBLEM = "problem"
"""Of a failed row, beside the columns: what went wrong. The table has no such column."""
Row = dict[str, Any]

_ENCODED = "file:"


def written_path(path: Path | str) -> str:
    """A photo's path as a table holds it: :func:`read_path` leads back to the same file.

    A spreadsheet must not take a name for a formula: such a path begins with ``./``. A name that is not UTF-8 is
    written as ``file:`` and percent signs (RFC 3986).
    """
    text = str(path)
    if (text.startswith(_ENCODED) and "://" not in text) or not _is_utf8(text):
        return _ENCODED + quote(os.fsencode(text))
    return f"./{text}" if reads_as_formula(text) else text


def read_path(text: str) -> Path:
    """The path that :func:`written_path` wrote, or any other path."""
    if text.startswith(_ENCODED):
        return Path(os.fsdecode(unquote_to_bytes(text.removeprefix(_ENCODED))))
    return Path(text)


def _is_utf8(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def made_by() -> str:
    """What the rows depend on, beside the photo: the versions of program, image model and ensemble.

    Raises:
        ModelFilesError: if released files are missing or damaged.
    """
    from coatclass import __version__, ensemble, vision

    return f"coatclass {__version__}, {vision.read_manifest().model_version}, ensemble {ensemble.load().version}"


class Stored(Protocol):
    """A photo that is not a file of its own."""

    def read(self) -> bytes:
        """Its bytes, or one more than the ceiling; none where there is no such photo, or a damaged one.

        Raises:
            Exception: if it may be there, but can't be reached.
        """


def score_photo(file: str, source: PhotoSource | Stored) -> Row:
    """One row of the table. Never raises for a bad photo: the row says ``refused``.

    Where the program itself fails, or storage, the row says ``failed`` and, under :data:`PROBLEM`, how: one photo must
    not cost the rows of all others, and is tried again in the next run.

    Args:
        file: how the table names the photo.
        source: its path, its bytes, or what reads them.

    Raises:
        ModelFilesError: if released files are missing or damaged: then no photo could be scored.
    """
    try:
        return _scored(source if isinstance(source, str | bytes | os.PathLike) else source.read(), file)
    except CoatclassError:
        raise
    except Exception as error:
        return dict.fromkeys(COLUMNS) | {"file": file, "status": FAILED, PROBLEM: f"{type(error).__name__}: {error}"}


def _scored(source: PhotoSource, file: str) -> Row:
    from coatclass.estimating import estimate_photo

    return row_of(file, *estimate_photo(source, name=file if isinstance(source, bytes) else None))


def row_of(file: str, estimate: CoatEstimate | None, decision: Decision | None, report: PhotoReport | None) -> Row:
    """The row of a photo whose estimate is known."""
    row: Row = dict.fromkeys(COLUMNS) | {"file": file}
    if report is not None:
        row |= {"status": str(report.status), "dog_probability": report.dog_probability}
    if decision is not None:
        row["verdict"] = str(decision.verdict)
    if estimate is not None:
        row |= {f"p_{category}": p for category, p in zip(CATEGORIES, estimate.category, strict=True)}
        row |= {f"b_{band}": p for band, p in zip(BANDS, estimate.band, strict=True)}
        row["category"] = str(CATEGORIES[max(range(len(CATEGORIES)), key=estimate.category.__getitem__)])
        row["length_band"] = str(BANDS[max(range(len(BANDS)), key=estimate.band.__getitem__)])
        row["category_set"] = " ".join(decision.categories) if decision else None
    return row


# --- files by URL -----------------------------------------------------------------------------------------------------


def is_url(text: str) -> bool:
    """Whether a text names something by URL, such as ``s3://bucket/dogs``."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text) is not None


_TRIES, _PAUSE_S = 3, 2.0


@dataclass(frozen=True)
class Remote:
    """A photo at a URL; it travels to whoever reads it."""

    url: str

    def read(self) -> bytes:
        """Its bytes. Retried on failure, since remote storage fails now and then.

        Raises:
            Exception: of whatever kind the driver has, if it fails again and again: that makes no photo a bad one.
        """
        system, path = storage(self.url)
        for attempt in range(_TRIES):
            if attempt:
                sleep(_PAUSE_S * attempt)
            try:
                with system.open_input_stream(path) as stream:
                    return bytes(stream.read(default_limits().max_bytes + 1))
            except FileNotFoundError:
                return b""
            except Exception as error:  # drivers raise their own kinds, too
                failed = error
        raise failed


def storage(url: str) -> tuple[Any, str]:
    """The file system behind a URL or path, as pyarrow has it or else fsspec, and the path in it.

    Raises:
        InputError: if nothing installed can read it.
    """
    base, _, rest = url.partition("://") if is_url(url) else ("file", "", str(Path(url).absolute()))
    place, _, path = rest.partition("/") if is_url(url) else ("", "", rest)
    system, root = _system(f"{base}://{place}" if is_url(url) else "")
    return system, f"{root}{path}" if root else path


@cache
def _system(base: str) -> tuple[Any, str]:
    require("Reading from storage", "parquet", "pyarrow")
    from pyarrow import fs

    if not base:
        return fs.LocalFileSystem(), ""
    protocol, _, place = base.partition("://")
    if protocol == "file":
        return fs.LocalFileSystem(), "/"
    try:
        system, root = fs.FileSystem.from_uri(base)
        return system, f"{root.rstrip('/')}/"
    except (ValueError, NotImplementedError, OSError):
        pass
    try:
        import fsspec

        system = fsspec.filesystem(protocol)
        root = f"{base}/" if protocol.startswith("http") else (f"{place}/" if place else "")
        return fs.PyFileSystem(fs.FSSpecHandler(system)), root
    except (ImportError, ValueError) as error:
        step = f"Install what reads it, such as: pip install 'fsspec[{protocol}]'"
        raise InputError(base, f"can't be read ({error}).", step) from error


# --- tables in pieces -------------------------------------------------------------------------------------------------

ROWS = 4096
"""Rows of a piece, and of a row group of Parquet."""
Kind = Literal["text", "whole", "number", "yes_no"]
"""What a column holds; anything else is carried as text."""


class TableWriter(Protocol):
    """A table being written."""

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows at the end."""


def batched(items: Iterable[Any], size: int) -> Iterator[list[Any]]:
    """Lists of at most ``size`` items."""
    waiting = iter(items)
    while batch := list(islice(waiting, size)):
        yield batch


# --- reading ----------------------------------------------------------------------------------------------------------


def columns(table: str, *, marks: str = ",") -> dict[str, Kind]:
    """Names and kinds of a table's columns; ``marks`` are those that may lie between a CSV's, the likeliest first.

    Raises:
        InputError: if it can't be read, or two columns have one name.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if _is_parquet(table):
        with _parquet(table) as file:
            refuse_doubles(table, file.schema_arrow.names)
            return {entry.name: _kind(entry.type) for entry in file.schema_arrow}
    with _csv(table, marks) as reader:
        refuse_doubles(table, reader.fieldnames or ())
        return dict.fromkeys(reader.fieldnames or (), "text")


def refuse_doubles(table: str, names: Sequence[str]) -> None:
    """Refuse a table in which two columns have one name: nobody can tell which of them counts.

    Raises:
        InputError: naming the first such column; columns without a name are no concern.
    """
    if double := next((name for place, name in enumerate(names) if name and name in names[:place]), None):
        raise InputError(
            table,
            f"has more than one column called '{double}'.",
            "Keep one of them, or give each a name of its own.",
        )


def lacking(table: str, missing: Collection[str], next_step: str) -> InputError:
    """The refusal of a table that lacks one column, or several."""
    names = ", ".join(sorted(missing))
    problem = f"has no columns {names}." if len(missing) > 1 else f"has no column {names}."
    return InputError(table, problem, next_step)


def rows(table: str, *, marks: str = ",") -> Iterator[Row]:
    """Every row of a table; a CSV's cells are texts, with one of ``marks`` between them.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if not _is_parquet(table):
        with _csv(table, marks) as reader:
            yield from reader
        return
    with _parquet(table) as file:
        kinds = {entry.name: _kind(entry.type) for entry in file.schema_arrow}
        odd = [entry.name for entry in file.schema_arrow if kinds[entry.name] == "text"]
        for batch in file.iter_batches(batch_size=ROWS):
            for row in batch.to_pylist():
                yield row | {name: None if row[name] is None else str(row[name]) for name in odd}


def pieces(table: str, wanted: Sequence[str], *, marks: str = ",") -> Iterator[dict[str, list[Any]]]:
    """Some columns of a table, :data:`ROWS` rows at a time; ``marks`` as for :func:`columns`.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if _is_parquet(table):
        with _parquet(table) as file:
            for batch in file.iter_batches(batch_size=ROWS, columns=list(wanted)):
                yield {name: batch.column(name).to_pylist() for name in wanted}
        return
    with _csv(table, marks) as reader:
        names = list(reader.fieldnames or ())
        places = {name: names.index(name) for name in wanted}
        for batch in batched((row for row in reader.reader if row), ROWS):
            columns = [list(column) for column in zip_longest(*batch, fillvalue="")]
            columns += [[""] * len(batch)] * (len(names) - len(columns))
            yield {name: columns[place] for name, place in places.items()}


def maker(table: Path) -> str | None:
    """The versions that made a Parquet table of scores, as :func:`open_table` wrote them; None if it has none."""
    with _parquet(str(table)) as file:
        said = (file.schema_arrow.metadata or {}).get(b"coatclass")
    return said.decode() if said else None


def _is_parquet(table: str) -> bool:
    return table.lower().endswith(".parquet")


@contextmanager
def _csv(table: str, marks: str = ",") -> Iterator[csv.DictReader[str]]:
    try:
        with _text(table) as stream:
            lines = iter(stream)
            head = next(lines, "")
            between = next((mark for mark in marks if mark in head), marks[0])
            yield csv.DictReader(chain([head] if head else [], lines), delimiter=between)
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(table, "is not a CSV in UTF-8.", "Save it again as CSV (UTF-8).") from error
    except OSError as error:
        raise InputError(table, f"can't be read ({error.strerror or error}).", "Name a CSV file.") from error


@contextmanager
def _text(table: str) -> Iterator[Iterable[str]]:
    if not is_url(table):
        with Path(table).open(newline="", encoding="utf-8-sig") as stream:
            yield stream
        return
    from io import TextIOWrapper

    system, path = storage(table)
    with system.open_input_stream(path) as raw, TextIOWrapper(raw, encoding="utf-8-sig", newline="") as stream:
        yield stream


@contextmanager
def _parquet(table: str) -> Iterator[Any]:
    require("Reading Parquet", "parquet", "pyarrow")
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        system, path = storage(table)
        with system.open_input_file(path) as stream:
            yield pq.ParquetFile(stream)
    except (OSError, pa.ArrowException) as error:
        raise InputError(table, f"can't be read as Parquet ({error}).", "Write the table again.") from error


def _kind(of: Any) -> Kind:
    from pyarrow import types

    if types.is_boolean(of):
        return "yes_no"
    if types.is_integer(of) and not types.is_uint64(of):
        return "whole"
    return "number" if types.is_floating(of) else "text"


# --- writing ----------------------------------------------------------------------------------------------------------


@contextmanager
def open_table(path: Path, kind: str, carried: Mapping[str, Kind], made_by: str) -> Iterator[TableWriter]:
    """A new table of scores: the columns of every such table, then those that are carried along.

    Args:
        path: the file.
        kind: ``.csv`` or ``.parquet``.
        carried: further columns.
        made_by: what the rows depend on; Parquet keeps it.

    Raises:
        OSError: if it can't be written.
    """
    if kind == ".csv":
        with path.open("w", newline="", encoding="utf-8") as stream:
            table = _CsvTable(csv.DictWriter(stream, (*COLUMNS, *carried), extrasaction="ignore"))
            yield table
            stream.flush()
            os.fsync(stream.fileno())
        return
    import pyarrow.parquet as pq

    schema = parquet_schema(carried, made_by)
    with pq.ParquetWriter(path, schema) as writer:
        yield _ParquetTable(writer, schema)


class _CsvTable:
    def __init__(self, writer: csv.DictWriter[str]) -> None:
        self._writer = writer
        writer.writeheader()

    def write(self, rows: Sequence[Row]) -> None:
        self._writer.writerows(rows)


class _ParquetTable:
    def __init__(self, writer: Any, schema: Any) -> None:
        self._writer, self._schema = writer, schema

    def write(self, rows: Sequence[Row]) -> None:
        import pyarrow as pa

        self._writer.write_table(pa.Table.from_pylist(list(rows), schema=self._schema))


def parquet_schema(carried: Mapping[str, Kind], made_by: str) -> Any:
    """The schema of a table of scores, for pyarrow; ``made_by`` stands in its metadata under ``coatclass``."""
    import pyarrow as pa

    types = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64(), "yes_no": pa.bool_()}
    own = [(name, pa.float64() if name in NUMBERS else pa.string()) for name in COLUMNS]
    return pa.schema([*own, *((name, types[kind]) for name, kind in carried.items())], {"coatclass": made_by})
