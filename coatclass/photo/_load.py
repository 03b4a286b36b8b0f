"""Opening one picture of a dog."""

from __future__ import annotations

import os
import struct
import warnings
import zlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import PurePath

from PIL import Image

from coatclass.contract import Reason
from coatclass.errors import PhotoError
from coatclass.photo._heic import decode_heic
from coatclass.photo._kinds import EXTENSIONS, kind_of
from coatclass.photo._quality import Quality, measure, quality_findings
from coatclass.photo._source import read_source
from coatclass.photo.convert import upright_rgb
from coatclass.photo.limits import TARGET_PX, Limits, default_limits, finding
from coatclass.plain_text import shown_path

_OPENED = ("JPEG", "PNG", "WEBP")
# What Pillow's readers raise on damaged files of these formats.
_DAMAGE = (OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, EOFError, OverflowError, struct.error,
           zlib.error)  # fmt: skip
_CONVERT = "Open it in any picture program and save it as JPEG."


@dataclass(frozen=True, eq=False)
class LoadedPhoto:
    """A picture ready to be looked at.

    Attributes:
        image: upright, 8-bit RGB, without metadata; short side at least ``target_px`` or that of the original.
        file: how the picture is called.
        original_size: upright (width, height) before reduction, px.
        format: ``jpeg``, ``png``, ``webp`` or ``heic``, by content.
        quality: what was measured.
        findings: what is wrong with it, in words; empty if nothing is.
    """

    image: Image.Image
    file: str
    original_size: tuple[int, int]
    format: str
    quality: Quality
    findings: tuple[Reason, ...] = ()


def load(
    source: str | os.PathLike[str] | bytes,
    *,
    name: str | None = None,
    limits: Limits | None = None,
    target_px: int = TARGET_PX,
) -> LoadedPhoto:
    """Open a JPEG, PNG, WebP or HEIC picture safely.

    Args:
        source: path, or the file's bytes.
        name: what to call the picture; the path, or "photo", if not given.
        limits: ceilings and limits of quality; those of the data file if not given.
        target_px: the short side of the result stays at least this long, so that the image model only ever reduces.

    Raises:
        PhotoError: with one of the codes ``missing``, ``directory``, ``unreadable``, ``empty``, ``too_many_bytes``,
            ``too_many_pixels``, ``too_narrow``, ``not_a_picture``, ``unsupported_format``, ``animated``,
            ``truncated``, ``damaged``.
    """
    limits = limits or default_limits()
    file = shown_path(name or ("photo" if isinstance(source, bytes) else source))
    data = read_source(source, file, limits.max_bytes)
    kind = kind_of(data)
    if kind == "HEIC":
        image, original_size = decode_heic(data, file, limits, target_px)
    elif kind in _OPENED:
        image, original_size = _decode(data, kind, file, limits, target_px)
    else:
        raise _unsupported(kind, file)
    quality = measure(image, short_side=min(original_size), limits=limits)
    findings = (*_extension_findings(file, kind), *quality_findings(quality, limits))
    return LoadedPhoto(image, file, original_size, kind.lower(), quality, findings)


def _decode(data: bytes, kind: str, file: str, limits: Limits, target_px: int) -> tuple[Image.Image, tuple[int, int]]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the ceiling below says it in plain words
            opened = Image.open(BytesIO(data), formats=(kind,))
        with opened:
            _check_before_decoding(opened, kind, file, limits)
            return upright_rgb(opened, target_px)
    except Image.DecompressionBombError as error:
        raise _too_many_pixels(file, limits.max_pixels_jpeg if kind == "JPEG" else limits.max_pixels_other) from error
    except _DAMAGE as error:
        raise _damaged(file, kind, error) from error


def _check_before_decoding(opened: Image.Image, kind: str, file: str, limits: Limits) -> None:
    """Refuse by the header what would cost too much, or is no single picture."""
    width, height = opened.size
    ceiling = limits.max_pixels_jpeg if kind == "JPEG" else limits.max_pixels_other
    if width * height > ceiling:
        raise _too_many_pixels(file, ceiling)
    if max(width, height) > limits.max_aspect * min(width, height):
        raise PhotoError(
            file,
            f"is a strip of {width} x {height} px.",
            "Send an ordinary photo of the whole dog.",
            code="too_narrow",
        )
    # A phone's JPEG may hold a second picture (depth, brightness); only PNG and WebP are animations.
    if kind != "JPEG" and getattr(opened, "n_frames", 1) > 1:
        raise PhotoError(
            file,
            "is an animation; which of its pictures is meant can't be told.",
            "Send a still photo.",
            code="animated",
        )


def _too_many_pixels(file: str, ceiling: int) -> PhotoError:
    return PhotoError(
        file,
        f"has more than {ceiling / 1e6:g} million pixels.",
        "Save it smaller: 12 megapixels are plenty.",
        code="too_many_pixels",
    )


def _damaged(file: str, kind: str, error: Exception) -> PhotoError:
    said = str(error).lower()
    if "truncated" in said or "not enough" in said or isinstance(error, EOFError):
        return PhotoError(
            file,
            f"breaks off in the middle ({kind}).",
            "Copy or download the whole photo again.",
            code="truncated",
        )
    return PhotoError(
        file, f"is a damaged {kind}.", "Copy or download it again, or send another photo.", code="damaged"
    )


def _unsupported(kind: str | None, file: str) -> PhotoError:
    if kind is None:
        return PhotoError(file, "is not a picture.", "Send a photo as JPEG, PNG or WebP.", code="not_a_picture")
    if kind == "GIF":
        return PhotoError(file, "is a GIF, a format for animations.", "Send a still photo.", code="unsupported_format")
    if kind == "video":
        return PhotoError(
            file, "is a film.", "Send a photo, or a still picture taken from the film.", code="unsupported_format"
        )
    return PhotoError(file, f"is a {kind} file, which can't be opened here.", _CONVERT, code="unsupported_format")


def _extension_findings(file: str, kind: str) -> tuple[Reason, ...]:
    """Content decides; a name that says otherwise is worth a word."""
    extension = PurePath(file).suffix.lower()
    if not extension[1:].isalpha() or extension in EXTENSIONS[kind]:
        return ()
    return (finding("wrong_extension", extension=extension, format=kind),)
