"""Which photos a path names, in a stable order and a few at a time: a folder, a pattern, an archive, a table, a URL."""

from __future__ import annotations

import glob
import gzip
import os
import re
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from coatclass.errors import InputError
from coatclass.photo import default_limits
from coatclass.plain_text import shown_path
from coatclass.scoring import tables
from coatclass.scoring.tables import COLUMNS, Remote, Stored, is_url, read_path, storage, written_path

__all__ = ["SUFFIXES", "ListedPhoto", "Photos", "photos_at"]

SUFFIXES = (".heic", ".heif", ".jpeg", ".jpg", ".png", ".webp")
_TABLES = (".csv", ".parquet")
_MARKS = ",;\t"  # between the columns of a list of photos: spreadsheets of many countries write semicolons
_TARS = (".tar", ".tar.gz", ".tgz")
_HOW = (
    "Name a folder of photos, a pattern such as 'dogs/**/*.jpg', a zip or tar of photos, or a table with a column file."
)


@dataclass(frozen=True)
class ListedPhoto:
    """One photo to be scored.

    Attributes:
        file: how the table names it.
        source: a path, or something that holds its bytes.
        carried: the other columns of the list of photos.
    """

    file: str
    source: Path | Stored
    carried: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Photos:
    """Photos that can be iterated more than once; only a few are in memory at a time.

    Attributes:
        name: what was asked for.
        go: starts a new pass.
        carried: further columns of the list, with their types.
        apart: whether each photo can be opened without the others: not so in an archive.
    """

    name: str
    go: Callable[[], Iterator[ListedPhoto]]
    carried: Mapping[str, tables.Kind] = field(default_factory=dict)
    apart: bool = True
    countable: bool = True

    def __iter__(self) -> Iterator[ListedPhoto]:
        return self.go()

    def count(self) -> int | None:
        """How many there are, repeats among them; None where that would take as long as reading them."""
        return sum(1 for _ in self) if self.countable else None


def photos_at(path: Path | str) -> Photos:
    """The photos that ``path`` names, in a stable order.

    Args:
        path: a folder (searched through), a pattern, a zip, tar or tar.gz of photos, a CSV or Parquet with a column
            ``file`` (relative to its folder, or a URL), or the URL of a folder or of such a table.

    Raises:
        InputError: if there is nothing to score.
        MissingExtraError: if a table is Parquet, or a URL is named, and pyarrow is not installed.
    """
    photos = _photos_at(str(path))
    if next(iter(photos), None) is None:
        raise InputError(photos.name, "names no photos.", f"Photos end in {', '.join(SUFFIXES)}. {_HOW}")
    return photos


def _photos_at(text: str) -> Photos:
    if is_url(text):
        return _listed(text, [text]) if _is_table(text) else Photos(text, lambda: _in_storage(text))
    path, name = Path(text), shown_path(text)
    if path.is_dir():
        return Photos(name, lambda: _of_paths(_walk(path, SUFFIXES)))
    if path.exists():
        return _in_file(path, name)
    if not glob.has_magic(text):
        raise InputError(name, "does not exist.", _HOW)
    if _is_table(text):
        return _listed(name, [str(found) for found in _matching(text)])
    return Photos(name, lambda: _of_paths(_matching(text)))


def _in_file(path: Path, name: str) -> Photos:
    ending = path.name.lower()
    if ending.endswith(SUFFIXES):
        return Photos(name, lambda: _of_paths([path]))
    if ending.endswith(".zip"):
        return Photos(name, lambda: _in_zip(path), apart=False)
    if ending.endswith(_TARS):
        return Photos(name, lambda: _in_tar(path), apart=False, countable=False)
    return _listed(name, [str(path)])


def _is_table(text: str) -> bool:
    return text.lower().endswith(_TABLES)


# --- folders and patterns ---------------------------------------------------------------------------------------------


def _of_paths(paths: Iterable[Path]) -> Iterator[ListedPhoto]:
    return (ListedPhoto(written_path(path), path) for path in paths)


def _walk(folder: Path, suffixes: tuple[str, ...]) -> Iterator[Path]:
    """Files below a folder, in the order of their paths; only the names of one folder and those above are held."""
    try:
        with os.scandir(folder) as found:
            entries = sorted((entry.name, entry.is_dir(follow_symlinks=False)) for entry in found)
    except OSError as error:
        problem = f"can't be searched ({error.strerror})."
        raise InputError(shown_path(folder), problem, "Allow it, or name the folders that you may read.") from error
    for name, is_folder in entries:
        if is_folder:
            yield from _walk(folder / name, suffixes)
        elif name.lower().endswith(suffixes):
            yield folder / name


def _matching(pattern: str) -> Iterator[Path]:
    """Files that fit a pattern, in the order of their paths; ``**`` stands for any folders."""
    parts = Path(pattern).parts
    plain = next(place for place, part in enumerate(parts) if glob.has_magic(part))
    fits = re.compile(_expression(parts[plain:])).fullmatch
    folder = Path(*parts[:plain])
    if folder.is_dir():
        yield from (path for path in _walk(folder, ("",)) if fits(path.relative_to(folder).as_posix()))


def _expression(parts: Iterable[str]) -> str:
    """Parts of a pattern as a regular expression: ``*`` and ``?`` don't cross a slash."""
    written = ""
    for part in parts:
        if part == "**":
            written += "(?:[^/]+/)*"
            continue
        for piece in re.findall(r"\[!?\]?[^]]*\]|.", part, re.DOTALL):
            simple = {"*": "[^/]*", "?": "[^/]"}.get(piece)
            is_set = piece[0] == "[" and len(piece) > 2
            written += simple or (piece.replace("[!", "[^", 1) if is_set else re.escape(piece))
        written += "/"
    return written.removesuffix("/")


# --- tables of photos -------------------------------------------------------------------------------------------------


def _listed(name: str, lists: list[str]) -> Photos:
    if not lists:
        raise InputError(name, "fits no table.", _HOW)
    carried = _carried(tables.columns(lists[0], marks=_MARKS))
    for one in lists:
        if "file" not in tables.columns(one, marks=_MARKS):
            raise InputError(one, "has no column 'file'.", "Add a header row with a column named file.")
        _refuse_unnamed(one)
    return Photos(name, lambda: (photo for one in lists for photo in _of_table(one, carried)), _kinds(carried))


def _refuse_unnamed(table: str) -> None:
    """Refuse a row without a file before the first photo is looked at; it would be missing from the scores unseen."""
    number = 2
    for piece in tables.pieces(table, ["file"], marks=_MARKS):
        named = [bool(str(cell or "").strip()) for cell in piece["file"]]
        if not all(named):
            raise InputError(
                table, f"names no file in row {number + named.index(False)}.", "Fill in the column 'file'."
            )
        number += len(named)


def _carried(columns: Mapping[str, tables.Kind]) -> dict[str, tuple[str, tables.Kind]]:
    """Columns to carry along: their name in the list to that in the table of scores.

    Those of an older table of scores give way to the new ones. A single column that is called like a score, such as a
    label ``category``, becomes ``given_category``.
    """
    ours = set(COLUMNS)
    scored = ours <= set(columns)
    return {
        name: (f"given_{name}" if name in ours else name, kind)
        for name, kind in columns.items()
        if name != "file" and not (scored and name in ours)
    }


def _kinds(carried: Mapping[str, tuple[str, tables.Kind]]) -> dict[str, tables.Kind]:
    return dict(carried.values())


def _of_table(table: str, carried: Mapping[str, tuple[str, tables.Kind]]) -> Iterator[ListedPhoto]:
    for row in tables.rows(table, marks=_MARKS):
        file, source = _located(table, str(row["file"]))
        yield ListedPhoto(file, source, {told: row.get(name) for name, (told, _) in carried.items()})


def _located(table: str, text: str) -> tuple[str, Path | Stored]:
    """A photo that a table names: by URL, or relative to the table."""
    if is_url(text):
        return text, Remote(text)
    if is_url(table):
        url = f"{table.rpartition('/')[0]}/{text}"
        return url, Remote(url)
    path = Path(table).parent / read_path(text)
    return written_path(path), path


# --- archives: read where they lie, one entry at a time ---------------------------------------------------------------

# What reading a damaged or malicious entry may raise.
_UNREADABLE = (OSError, zipfile.BadZipFile, tarfile.TarError, zlib.error, EOFError, ValueError, NotImplementedError,
               RuntimeError)  # fmt: skip


@dataclass(frozen=True)
class _ArchiveEntry:
    """A photo in an archive: read at most one byte past the ceiling, whatever the archive claims."""

    open: Callable[[], Any]

    def read(self) -> bytes:
        try:
            with closing(self.open()) as stream:
                return bytes(stream.read(default_limits().max_bytes + 1))
        except _UNREADABLE:
            return b""


@contextmanager
def _damage_told(path: Path) -> Iterator[None]:
    try:
        yield
    except _UNREADABLE as error:
        problem = f"can't be read as an archive ({error})."
        raise InputError(
            shown_path(path), problem, "Copy or make it again, or unpack it and name the folder."
        ) from error


def _too_large(path: Path) -> InputError:
    problem = "would unpack to far more than photos take up."
    return InputError(shown_path(path), problem, "If you trust it, unpack it and name the folder.")


def _in_zip(path: Path) -> Iterator[ListedPhoto]:
    limits = default_limits()
    with _damage_told(path):
        packed = zipfile.ZipFile(path)
    with packed:
        entries = packed.infolist()
        unpacked = sum(entry.file_size for entry in entries)
        grown = unpacked > limits.archive_small_bytes and unpacked > limits.archive_ratio * path.stat().st_size
        if grown or len(entries) > limits.archive_entries:
            raise _too_large(path)
        for entry in entries:
            # The other methods of compression unpack in pieces of any size.
            if _is_photo(entry.filename) and entry.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                yield ListedPhoto(_inside(path, entry.filename), _ArchiveEntry(partial(packed.open, entry)))


def _in_tar(path: Path) -> Iterator[ListedPhoto]:
    limits = default_limits()
    most = max(limits.archive_small_bytes, limits.archive_ratio * path.stat().st_size)
    with _damage_told(path), path.open("rb") as raw:
        stream: Any = gzip.GzipFile(fileobj=raw) if raw.read(2) == b"\x1f\x8b" else raw
        raw.seek(0)
        meter: Any = _Metered(stream, limits.max_bytes)
        packed: Any
        with tarfile.open(fileobj=meter, mode="r:") as packed:
            number = 0
            while (entry := packed.next()) is not None:
                packed.members = []  # it would remember every entry
                number += 1
                if number > limits.archive_entries or packed.offset > most:
                    raise _too_large(path)
                if entry.isreg() and _is_photo(entry.name):
                    yield ListedPhoto(_inside(path, entry.name), _ArchiveEntry(partial(packed.extractfile, entry)))
                meter.begin()


class _Metered:
    """A stream that refuses to hand out more for one entry than a photo and its header may take."""

    _HEADERS = 1 << 20

    def __init__(self, stream: Any, most: int) -> None:
        self._stream, self._most = stream, most + self._HEADERS
        self.seek, self.tell = stream.seek, stream.tell
        self.begin()

    def begin(self) -> None:
        """Another entry."""
        self._left = self._most

    def read(self, size: int) -> bytes:
        """At most ``size`` bytes."""
        self._left -= size
        if size < 0 or self._left < 0:
            raise tarfile.ReadError("an entry is too large")
        return bytes(self._stream.read(size))


def _is_photo(name: str) -> bool:
    parts = PurePosixPath(name.lower()).parts
    # macOS packs a shadow of each file into a folder of this name.
    return name.lower().endswith(SUFFIXES) and "__macosx" not in parts


def _inside(archive: Path, name: str) -> str:
    return written_path(f"{archive}/{name.lstrip('/')}")


# --- storage by URL ---------------------------------------------------------------------------------------------------


def _in_storage(url: str) -> Iterator[ListedPhoto]:
    system, path = storage(url)
    base = url.rstrip("/")
    for found in _walk_storage(system, path.rstrip("/") or path, url):
        file = f"{base}/{found.lstrip('/').removeprefix(path.strip('/')).lstrip('/')}"  # some begin with a slash
        yield ListedPhoto(file, Remote(file))


def _walk_storage(system: Any, folder: str, url: str) -> Iterator[str]:
    from pyarrow import fs

    try:
        entries = sorted(system.get_file_info(fs.FileSelector(folder)), key=lambda entry: entry.base_name)
    except OSError as error:
        raise InputError(url, f"can't be searched ({error}).", "Check the URL and your right to read it.") from error
    for entry in entries:
        if entry.type == fs.FileType.Directory:
            yield from _walk_storage(system, entry.path, url)
        elif entry.base_name.lower().endswith(SUFFIXES):
            yield entry.path
