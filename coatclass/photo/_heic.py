"""HEIC pictures from phones, decoded in a process of its own with little memory and time.

Decoders of this format have had serious holes, so hostile bytes never meet one inside the program.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from PIL import Image

from coatclass.errors import PhotoError
from coatclass.photo.quality import Limits

_WORKER = Path(__file__).with_name("_heic_worker.py")
_EXPORT = (
    "Export it as JPEG: on the phone choose the most compatible format in the camera settings and take it again, "
    "or share the photo by mail, which turns it into a JPEG."
)


def decode_heic(data: bytes, file: str, limits: Limits, target_px: int) -> tuple[Image.Image, tuple[int, int]]:
    """Decode in a limited process.

    Returns:
        Upright 8-bit RGB, short side at least ``target_px`` or that of the original; and the original size, px.

    Raises:
        PhotoError: ``damaged`` or ``too_many_pixels``.
    """
    # -I: no environment variable and no file beside the photo can change what is run.
    command = [sys.executable, "-I", str(_WORKER)]
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
        raise _damaged(file) from error
    if done.returncode == 3:
        raise PhotoError(file, "has too many pixels for a HEIC photo.", _EXPORT, code="too_many_pixels")
    return _parse(done.stdout, file) if done.returncode == 0 else _fail(file)


def _parse(output: bytes, file: str) -> tuple[Image.Image, tuple[int, int]]:
    """The worker's answer: a line of four numbers, then raw RGB; believed only as far as it adds up."""
    header, _, pixels = output.partition(b"\n")
    try:
        width, height, original_width, original_height = (int(number) for number in header.split())
        image = Image.frombytes("RGB", (width, height), pixels)
    except ValueError:
        return _fail(file)
    return image, (original_width, original_height)


def _damaged(file: str) -> PhotoError:
    return PhotoError(file, "is a damaged HEIC photo.", _EXPORT, code="damaged")


def _fail(file: str) -> tuple[Image.Image, tuple[int, int]]:
    raise _damaged(file)
