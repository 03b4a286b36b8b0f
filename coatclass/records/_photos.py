"""Pictures by content: a file's name is the SHA-256 of what is in it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from coatclass import photo
from coatclass.durable import sync_folder, write_whole
from coatclass.errors import RecordError

# Short side kept, px: four times what the image model looks at, so that a better one finds more later.
_KEPT_PX = 1200
_QUALITY = 90
_SUFFIX = ".jpg"
_MARK = "salon"


@dataclass(frozen=True)
class Picture:
    """A picture made ready for the store: upright JPEG without metadata."""

    data: bytes
    width: int
    height: int

    @property
    def sha256(self) -> str:
        """The name under which the store keeps it."""
        return hashlib.sha256(self.data).hexdigest()


def prepare(source: str | os.PathLike[str] | bytes, name: str | None = None) -> Picture:
    """Make a picture ready: upright, re-encoded, stripped of place and device. Slow, so done outside transactions.

    Raises:
        PhotoError: if it can't be opened.
    """
    image = photo.load(source, name=name, target_px=_KEPT_PX).image
    stream = BytesIO()
    image.save(stream, "JPEG", quality=_QUALITY, optimize=True)
    return Picture(stream.getvalue(), *image.size)


class PhotoStore:
    """A folder of JPEG files without metadata, each written in full or not at all.

    Args:
        folder: where the pictures lie.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def claim(self, salon_id: str) -> None:
        """Make sure that the folder belongs to this salon; a new one is marked.

        Raises:
            RecordError: ``foreign_photos`` if it belongs to another, or holds files and no mark.
        """
        mark = self.folder / _MARK
        try:
            if not mark.exists():
                self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                owner = salon_id if not any(self.folder.iterdir()) else ""
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
        """Where a picture lies, whether or not it is there."""
        return self.folder / sha256[:2] / f"{sha256}{_SUFFIX}"

    def put(self, data: bytes) -> str:
        """Keep a prepared picture; return its SHA-256. Only while holding the records' write lock."""
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256)
        try:
            if not path.is_file():
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                write_whole(path, data)
                sync_folder(self.folder)
        except OSError as error:
            raise _unavailable(error) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """A picture's bytes.

        Raises:
            RecordError: ``missing`` or ``damaged``.
        """
        try:
            data = self.path(sha256).read_bytes()
        except OSError as error:
            raise RecordError(
                f"photo {sha256[:12]}", "is not in the photo store.", "Restore it from a backup.", code="missing"
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordError(
                f"photo {sha256[:12]}", "is damaged on the disk.", "Restore it from a backup.", code="damaged"
            )
        return data

    def remove(self, sha256: str) -> None:
        """Forget a picture; nothing happens if it is not there."""
        self.path(sha256).unlink(missing_ok=True)

    def names(self) -> Iterator[str]:
        """SHA-256 of every picture; leftovers of writes that were cut short are swept away on the way.

        Only while holding the records' write lock.
        """
        for folder in sorted(self.folder.glob("??")):
            for path in folder.iterdir():
                if path.suffix == _SUFFIX:
                    yield path.stem
                else:
                    path.unlink(missing_ok=True)


def _unavailable(error: OSError) -> RecordError:
    return RecordError(
        "the photo store",
        f"can't be written ({error.strerror}).",
        "Make room on the disk, or choose a folder you may write to.",
        code="unavailable",
    )
