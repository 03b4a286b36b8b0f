"""Opening one picture safely: limits of size, kind of file, upright 8-bit RGB; and the report on the photo."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import warnings
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from io import BytesIO
from pathlib import Path, PurePath
from typing import IO

import numpy as np
from PIL import Image

from coatclass.contract import PhotoEvidence, PhotoReport, PhotoStatus, Reason
from coatclass.errors import PhotoError
from coatclass.photo.quality import (
    TARGET_PX,
    Limits,
    Quality,
    default_limits,
    measure,
    quality_findings,
    status_of,
)
from coatclass.plain_text import shown_path
from coatclass.reasons import reason

_SEND = "Send a photo as JPEG, PNG or WebP."
_HEIC_WORKER = Path(__file__).with_name("_heic_worker.py")
_EXPORT_HEIC = (
    "Export it as JPEG: on the phone choose the most compatible format in the camera settings and take it again, "
    "or share the photo by mail, which turns it into a JPEG."
)


def read_source(source: str | os.PathLike[str] | bytes, name: str, max_bytes: int) -> bytes:
    """The whole picture file.

    Raises:
        PhotoError: ``missing``, ``directory``, ``unreadable``, ``empty`` or ``too_many_bytes``.
    """
    data = source if isinstance(source, bytes) else _read_file(Path(source), name, max_bytes)
    if not data:
        raise PhotoError(name, "is empty (0 bytes).", "Copy or download the photo again.", code="empty")
    if len(data) > max_bytes:
        raise PhotoError(
            name,
            f"is larger than {max_bytes / 1e6:g} MB.",
            "Save it smaller, for example as a JPEG of 12 megapixels.",
            code="too_many_bytes",
        )
    return data


def _read_file(path: Path, name: str, max_bytes: int) -> bytes:
    """At most one byte more than the ceiling, so that a huge file is never read in full."""
    try:
        if path.is_dir():
            raise PhotoError(name, "is a folder, not a photo.", "Name a photo inside it.", code="directory")
        if path.exists() and not path.is_file():
            raise PhotoError(name, "is a device or a pipe, not a file.", _SEND, code="unreadable")
        with path.open("rb") as stream:
            return stream.read(max_bytes + 1)
    except FileNotFoundError as error:
        raise PhotoError(name, "does not exist.", "Check the name and the folder.", code="missing") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(
            name, f"can't be read ({reason}).", "Check that you may open this file.", code="unreadable"
        ) from error


# Signatures: JPEG ITU-T T.81 B.1; PNG W3C 2003 5.2; WebP RFC 9649; ISO base media files ISO/IEC 14496-12 4.3.
_PREFIXES = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"GIF8", "GIF"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"BM", "BMP"),
    (b"%PDF", "PDF"),
    (b"\x00\x00\x00\x0cJXL ", "JPEG XL"),
    (b"\xff\x0a", "JPEG XL"),
    (b"PK\x03\x04", "ZIP"),
    (b"<svg", "SVG"),
)
_HEIC_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}

EXTENSIONS = {
    "JPEG": {".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"},
    "PNG": {".png"},
    "WEBP": {".webp"},
    "HEIC": {".heic", ".heif", ".hif"},
}
"""File name endings that go with a kind that can be opened, lower case."""


def kind_of(data: bytes) -> str | None:
    """The kind of file, or None if its beginning is unknown."""
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp":
        brands = {data[8:12], *(data[start : start + 4] for start in range(16, min(len(data), 64), 4))}
        if brands & _AVIF_BRANDS:
            return "AVIF"
        return "HEIC" if brands & _HEIC_BRANDS else "video"
    return next((kind for prefix, kind in _PREFIXES if data.startswith(prefix)), None)


# Cut-out pictures are laid on mid grey: white would swallow a white dog's outline and pass for overexposure,
# black would do the same to a black dog.
_GROUND = (128, 128, 128, 255)
_ORIENTATION = 0x0112  # EXIF 2.32, tag 274


def upright_rgb(image: Image.Image, target_px: int) -> tuple[Image.Image, tuple[int, int]]:
    """Decode a just opened picture, no larger than needed, and turn it upright.

    Args:
        image: opened, not yet decoded.
        target_px: the short side of the result is at least this long, or that of the original.

    Returns:
        The picture (8-bit RGB, no metadata) and the original's upright (width, height), px.
    """
    turned = _orientation(image)
    width, height = image.size
    image.draft("RGB", (target_px, target_px))  # JPEG: decode at 1/2, 1/4 or 1/8; nothing happens for other formats
    image.load()
    rgb = _to_rgb(_reduced(image, target_px))
    if turned in _METHODS:
        rgb = rgb.transpose(_METHODS[turned])
    rgb.info.clear()  # pixels alone, no trace of the file: a copy by Pillow carries nothing else over
    return rgb, (height, width) if turned >= 5 else (width, height)


def _reduced(image: Image.Image, target_px: int) -> Image.Image:
    """Averaged down by 2, 4 or 8, as ``draft`` does for JPEG, before anything makes copies of it."""
    factor = next((step for step in (8, 4, 2) if min(image.size) >= step * target_px), 1)
    if factor == 1:
        return image
    if image.mode in ("P", "PA", "1"):
        image = image.convert("RGBA" if image.has_transparency_data else "RGB")
    if image.mode.startswith("I"):
        image = _to_rgb(image)
    if image.mode in ("RGB", "L") and image.has_transparency_data:
        image = image.convert("RGBA")
    return image.reduce(factor)


def _orientation(image: Image.Image) -> int:
    """The EXIF orientation, 1-8; 1 if there is none or it can't be read."""
    try:
        value = image.getexif().get(_ORIENTATION, 1)
    except (OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, OverflowError):
        return 1  # damaged metadata is no reason to refuse the pixels
    return value if value in range(1, 9) else 1


_METHODS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def _to_rgb(image: Image.Image) -> Image.Image:
    """8-bit RGB: sixteen bits keep their upper eight, see-through pixels show mid grey."""
    if image.mode.startswith("I"):
        levels = np.clip(np.asarray(image, dtype=np.int64), 0, 65535) >> 8
        return Image.fromarray(levels.astype(np.uint8)).convert("RGB")
    if image.has_transparency_data:
        ground = Image.new("RGBA", image.size, _GROUND)
        return Image.alpha_composite(ground, image.convert("RGBA")).convert("RGB")
    return image.convert("RGB")


_OPENED = {"JPEG": "PIL.JpegImagePlugin", "PNG": "PIL.PngImagePlugin", "WEBP": "PIL.WebPImagePlugin"}
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
        image, original_size = _decode_heic(data, file, limits, target_px)
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
            warnings.simplefilter("ignore")  # the check below says it in plain words
            opened = _reader(kind)(BytesIO(data), "")
        with opened:
            _check_before_decoding(opened, kind, file, limits)
            return upright_rgb(opened, target_px)
    except _DAMAGE as error:
        raise _damaged(file, kind, error) from error


def _reader(kind: str) -> Callable[[IO[bytes], str], Image.Image]:
    """Pillow's reader of one kind of file; ``Image.open`` would import those of five kinds first."""
    import_module(_OPENED[kind])
    return Image.OPEN[kind][0]


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
    """A note if the file's name says otherwise than its content, which decides."""
    extension = PurePath(file).suffix.lower()
    if not extension[1:].isalpha() or extension in EXTENSIONS[kind]:
        return ()
    return (reason("wrong_extension", extension=extension, format=kind),)


_WORST_LAST = (PhotoStatus.USED, PhotoStatus.DOUBTFUL, PhotoStatus.REFUSED)


def _dog_findings(evidence: PhotoEvidence, limits: Limits) -> list[Reason]:
    margin = evidence.dog_margin
    if margin is not None and margin < limits.dog_margin.refused:
        return [reason("no_dog")]
    found = []
    if margin is not None and margin < limits.dog_margin.doubtful:
        found.append(reason("dog_unlikely"))
    share = evidence.dog_share
    if share is not None and share < limits.dog_share.doubtful:
        code = "dog_far_too_small" if share < limits.dog_share.refused else "dog_small"
        found.append(reason(code, dog_percent=f"{100 * share:.0f}"))
    single = evidence.single_dog_probability
    if single is not None and single < limits.single_dog_probability:
        found.append(reason("several_or_part"))
    return found


def report(
    photo: LoadedPhoto,
    evidence: PhotoEvidence | None = None,
    *,
    limits: Limits | None = None,
) -> PhotoReport:
    """Combine what the pixels and the image model say about a photo.

    Args:
        photo: the loaded photo with its pixel-level findings.
        evidence: what the image model read; None if it has not looked.
        limits: limits of quality; those of the data file if not given.

    Returns:
        The photo's status, which is that of its worst finding, and all findings.
    """
    return report_of(photo.file, photo.findings, evidence, limits=limits)


def report_of(
    file: str, findings: Sequence[Reason], evidence: PhotoEvidence | None, *, limits: Limits | None = None
) -> PhotoReport:
    """As :func:`report`, of a photo whose pixels are not at hand any more: from what was found on them."""
    dog = [] if evidence is None else _dog_findings(evidence, limits or default_limits())
    probability = None if evidence is None else evidence.dog_probability
    return also(PhotoReport(file=file, status=PhotoStatus.USED, dog_probability=probability), *findings, *dog)


def also(told: PhotoReport, *findings: Reason) -> PhotoReport:
    """The report with further findings; its status is that of the worst."""
    status = max((told.status, *(status_of(found.code) for found in findings)), key=_WORST_LAST.index)
    return told.model_copy(update={"status": status, "reasons": (*told.reasons, *findings)})


def refusal(error: PhotoError) -> PhotoReport:
    """The report of a photo that could not be opened."""
    why = Reason(code=error.code, text=f"The file {error.problem} {error.next_step}")
    return PhotoReport(file=error.source, status=PhotoStatus.REFUSED, reasons=(why,))


# --- HEIC, as phones take it ------------------------------------------------------------------------------------------


def _decode_heic(data: bytes, file: str, limits: Limits, target_px: int) -> tuple[Image.Image, tuple[int, int]]:
    """Decode a HEIC picture in a process of its own, with little memory and time.

    Decoders of this format have had serious holes, so hostile bytes never meet one inside the program.

    Returns:
        Upright 8-bit RGB, short side at least ``target_px`` or that of the original; and the original size, px.

    Raises:
        PhotoError: ``damaged`` or ``too_many_pixels``.
    """
    # -I: no environment variable and no file beside the photo can change what is run.
    command = [sys.executable, "-I", str(_HEIC_WORKER)]
    numbers = (limits.heic_memory_bytes, int(limits.heic_seconds), limits.max_pixels_heic, target_px)
    try:
        done = subprocess.run(
            [*command, *map(str, numbers)],
            input=data,
            capture_output=True,
            timeout=limits.heic_seconds,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise _damaged_heic(file) from error
    if done.returncode == 3:
        raise PhotoError(file, "has too many pixels for a HEIC photo.", _EXPORT_HEIC, code="too_many_pixels")
    if done.returncode != 0:
        raise _damaged_heic(file)
    return _heic_pixels(done.stdout, file)


def _heic_pixels(output: bytes, file: str) -> tuple[Image.Image, tuple[int, int]]:
    """The worker's answer: a line of four numbers, then raw RGB; believed only as far as it adds up."""
    header, _, pixels = output.partition(b"\n")
    try:
        width, height, original_width, original_height = (int(number) for number in header.split())
        image = Image.frombytes("RGB", (width, height), pixels)
    except ValueError as error:
        raise _damaged_heic(file) from error
    return image, (original_width, original_height)


def _damaged_heic(file: str) -> PhotoError:
    return PhotoError(file, "is a damaged HEIC photo.", _EXPORT_HEIC, code="damaged")
