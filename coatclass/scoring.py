"""Many photos into one table: deterministic, resumable, split by shard, the same rows whatever the workers.

Rows are first kept in a journal beside the table (``TABLE.partial``), one line a photo as it is done; the table itself
appears only when it is whole, by renaming.
"""

from __future__ import annotations

import csv
import json
import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote_to_bytes

from coatclass.errors import InputError, MissingExtraError
from coatclass.plain_text import shown_path
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = ["COLUMNS", "photo_list", "read_path", "score", "score_photo", "written_path"]

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
_SUFFIXES = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"}
Row = dict[str, Any]


_ENCODED = "file:"


def written_path(path: Path) -> str:
    """A photo's path as a table holds it: :func:`read_path` leads back to the same file.

    A spreadsheet must not take a name for a formula: such a path begins with ``./``. A name that is not UTF-8 is
    written as ``file:`` and percent signs (RFC 3986).
    """
    text = str(path)
    if text.startswith(_ENCODED) or not _is_utf8(text):
        return _ENCODED + quote(os.fsencode(text))
    return f"./{text}" if text[:1] in "=+-@\t\r" else text


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


def photo_list(path: Path, *, shard: tuple[int, int] = (1, 1)) -> list[Path]:
    """The photos that ``path`` names, in a stable order, each once.

    Args:
        path: a folder (searched through) or a CSV with a column ``file`` (relative to the CSV's folder).
        shard: (part, parts), part from 1; the parts are disjoint and together hold every photo.

    Raises:
        InputError: if there is nothing to score.
    """
    if path.is_dir():
        files = sorted(file for file in path.rglob("*") if file.suffix.lower() in _SUFFIXES)
    elif path.is_file():
        files = list(_listed(path))
    else:
        raise InputError(shown_path(path), "does not exist.", "Name a folder of photos, or a CSV with a column 'file'.")
    if not files:
        raise InputError(shown_path(path), "names no photos.", f"Photos end in {', '.join(sorted(_SUFFIXES))}.")
    part, parts = shard
    return list(dict.fromkeys(files))[part - 1 :: parts]


def _listed(path: Path) -> Iterator[Path]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            rows = csv.DictReader(stream)
            if "file" not in (rows.fieldnames or ()):
                raise InputError(str(path), "has no column 'file'.", "Add a header row with a column named file.")
            for row in rows:
                if row["file"]:
                    yield path.parent / read_path(row["file"])
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(str(path), "is not a CSV in UTF-8.", "Save it again as CSV (UTF-8).") from error


def score_photo(path: Path) -> Row:
    """One row of the table. Never raises for a bad photo: the row says ``refused``."""
    from coatclass.estimating import estimate_photo

    estimate, decision, report = estimate_photo(path)
    row: Row = dict.fromkeys(COLUMNS)
    row |= {"file": written_path(path), "status": str(report.status), "dog_probability": report.dog_probability}
    row["verdict"] = str(decision.verdict)
    if estimate is not None:
        row |= {f"p_{category}": p for category, p in zip(CATEGORIES, estimate.category, strict=True)}
        row |= {f"b_{band}": p for band, p in zip(BANDS, estimate.band, strict=True)}
        row["category"] = str(CATEGORIES[max(range(len(CATEGORIES)), key=estimate.category.__getitem__)])
        row["length_band"] = str(BANDS[max(range(len(BANDS)), key=estimate.band.__getitem__)])
        row["category_set"] = " ".join(decision.categories)
    return row


def score(
    files: Sequence[Path], out: Path, *, workers: int = 1, advance: Callable[[], None] = lambda: None
) -> Counter[str]:
    """Score ``files`` into the table ``out`` and count the rows by status.

    Args:
        files: as from :func:`photo_list`.
        out: ``.csv`` or ``.parquet``.
        workers: processes; the rows don't depend on it.
        advance: called once a photo, for a progress bar.

    Raises:
        InputError: if the table can't be written.
        MissingExtraError: if Parquet is asked for and not installed.
    """
    write = _writer(out)
    journal = out.with_name(out.name + ".partial")
    rows = _resume(journal)
    waiting = []
    for file in files:
        if written_path(file) in rows:
            advance()
        else:
            waiting.append(file)
    try:
        with journal.open("a", encoding="utf-8") as stream:
            for row in _rows(waiting, workers):
                stream.write(json.dumps(row) + "\n")
                stream.flush()
                rows[row["file"]] = row
                advance()
        table = [rows[written_path(file)] for file in files]
        finished = out.with_name(out.name + ".finished")
        write(table, finished)
        finished.replace(out)
        journal.unlink()
    except OSError as error:
        problem = f"can't be written ({error.strerror})."
        raise InputError(str(out), problem, "Name a folder you may write to.") from error
    return Counter(str(row["status"]) for row in table)


def _rows(files: Sequence[Path], workers: int) -> Iterator[Row]:
    if workers == 1 or len(files) <= 1:
        yield from map(score_photo, files)
        return
    # Fresh processes: a forked one would share the network's threads with its parent.
    with ProcessPoolExecutor(min(workers, len(files)), mp_context=get_context("spawn")) as pool:
        yield from pool.map(score_photo, files, chunksize=8)


def _resume(journal: Path) -> dict[str, Row]:
    """Rows that an interrupted run has already written; a line cut short by the interruption is dropped."""
    if not journal.exists():
        return {}
    rows: dict[str, Row] = {}
    whole: list[str] = []
    for line in journal.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        rows[row["file"]] = row
        whole.append(line + "\n")
    journal.write_text("".join(whole), encoding="utf-8")
    return rows


def _writer(out: Path) -> Callable[[Sequence[Row], Path], None]:
    if not out.parent.is_dir():
        raise InputError(str(out), f"can't be written: there is no folder {out.parent}.", "Make the folder first.")
    if out.suffix == ".csv":
        return _write_csv
    if out.suffix == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError as error:
            raise MissingExtraError("Writing Parquet", "parquet") from error
        return _write_parquet
    raise InputError(str(out), "is neither .csv nor .parquet.", "Name a file that ends in .csv or .parquet.")


def _write_csv(rows: Sequence[Row], path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, COLUMNS)
        table.writeheader()
        table.writerows(rows)
        stream.flush()
        os.fsync(stream.fileno())


def _write_parquet(rows: Sequence[Row], path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    text = {"file", "status", "category", "category_set", "length_band", "verdict"}
    schema = pa.schema([(name, pa.string() if name in text else pa.float64()) for name in COLUMNS])
    pq.write_table(pa.Table.from_pylist(list(rows), schema=schema), path)
