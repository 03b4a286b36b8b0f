"""A dog's private link as a pattern of squares (QR code, ISO/IEC 18004), and its photo made small."""

from __future__ import annotations

import os
from dataclasses import dataclass
from io import BytesIO

from coatclass.errors import InputError
from coatclass.words import catalogue

__all__ = ["QrCode", "qr_code", "small_photo"]

_LONGEST_LINK = 500  # characters; a longer one makes squares too small for a phone at 24 mm
_QUIET = 4  # modules of white around the code: ISO/IEC 18004, 5.3.8
_PHOTO_PX = 480


@dataclass(frozen=True)
class QrCode:
    """A link as squares: rows of 0 (white) and 1 (black) with the white border; ``says`` tells what it is."""

    rows: tuple[tuple[int, ...], ...]
    says: str


def qr_code(address: str, language: str) -> QrCode:
    """The code of a web address.

    Raises:
        InputError: if it is no web address, or too long to print.
    """
    import segno

    address = address.strip()
    if not address.startswith(("http://", "https://")) or len(address) > _LONGEST_LINK or not address.isprintable():
        raise InputError(
            "the link", "is no web address that can be printed.", "Give one that starts with https://.", code="link"
        )
    code = segno.make_qr(address, error="m")
    rows = tuple(tuple(int(bit) for bit in row) for row in code.matrix_iter(border=_QUIET))
    return QrCode(rows, catalogue(language).say("plan.title.link"))


def small_photo(source: str | os.PathLike[str] | bytes) -> bytes:
    """A small upright JPEG of a photo, without place, device or any other metadata.

    Raises:
        PhotoError: if it can't be opened.
    """
    from coatclass import photo

    image = photo.load(source, target_px=_PHOTO_PX).image
    image.thumbnail((_PHOTO_PX, _PHOTO_PX))
    stream = BytesIO()
    image.save(stream, "JPEG", quality=82, optimize=True)
    return stream.getvalue()
