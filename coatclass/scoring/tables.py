"""Tables in pieces: CSV and Parquet are read and written a few thousand rows at a time."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any, Literal, Protocol

from coatclass.errors import InputError, require
from coatclass.scoring.rows import COLUMNS, NUMBERS, Row
from coatclass.scoring.storage import is_url, storage

__all__ = ["ROWS", "Kind", "Table", "batched", "columns", "maker", "open_table", "parquet_schema", "pieces", "rows"]

ROWS = 4096
"""Rows of a piece, and of a row group of Parquet."""
Kind = Literal["text", "whole", "number", "yes_no"]
"""What a column holds; anything else is carried as text."""


class Table(Protocol):
    """A table being written."""

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows at the end."""


def batched(items: Iterable[Any], size: int) -> Iterator[list[Any]]:
    """Lists of at most ``size`` items."""
    waiting = iter(items)
    while batch := list(islice(waiting, size)):
        yield batch


# --- reading ----------------------------------------------------------------------------------------------------------


def columns(table: str) -> dict[str, Kind]:
    """Names and kinds of a table's columns.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if _is_parquet(table):
        with _parquet(table) as file:
            return {entry.name: _kind(entry.type) for entry in file.schema_arrow}
    with _csv(table) as reader:
        return dict.fromkeys(reader.fieldnames or (), "text")


def rows(table: str) -> Iterator[Row]:
    """Every row of a table; a CSV's cells are texts.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if not _is_parquet(table):
        with _csv(table) as reader:
            yield from reader
        return
    with _parquet(table) as file:
        kinds = {entry.name: _kind(entry.type) for entry in file.schema_arrow}
        odd = [entry.name for entry in file.schema_arrow if kinds[entry.name] == "text"]
        for batch in file.iter_batches(batch_size=ROWS):
            for row in batch.to_pylist():
                yield row | {name: None if row[name] is None else str(row[name]) for name in odd}


def pieces(table: str, wanted: Sequence[str]) -> Iterator[dict[str, list[Any]]]:
    """Some columns of a table, :data:`ROWS` rows at a time.

    Raises:
        InputError: if it can't be read.
        MissingExtraError: if it is Parquet, or at a URL, and pyarrow is not installed.
    """
    if _is_parquet(table):
        with _parquet(table) as file:
            for batch in file.iter_batches(batch_size=ROWS, columns=list(wanted)):
                yield {name: batch.column(name).to_pylist() for name in wanted}
        return
    with _csv(table) as reader:
        names = list(reader.fieldnames or ())
        places = {name: names.index(name) for name in wanted}
        for batch in batched((row for row in reader.reader if row), ROWS):
            columns = [list(column) for column in zip_longest(*batch, fillvalue="")]
            columns += [[""] * len(batch)] * (len(names) - len(columns))
            yield {name: columns[place] for name, place in places.items()}


def maker(table: Path) -> str | None:
    """What made a Parquet table of scores, as :func:`open_table` wrote it; None where it does not say."""
    with _parquet(str(table)) as file:
        said = (file.schema_arrow.metadata or {}).get(b"coatclass")
    return said.decode() if said else None


def _is_parquet(table: str) -> bool:
    return table.lower().endswith(".parquet")


@contextmanager
def _csv(table: str) -> Iterator[csv.DictReader[str]]:
    try:
        with _text(table) as stream:
            yield csv.DictReader(stream)
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
def open_table(path: Path, kind: str, carried: Mapping[str, Kind], made_by: str) -> Iterator[Table]:
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
