"""Whether a fetched file is the picture that was labelled, although most originals are larger than what we labelled."""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from typing import Literal

from PIL import Image, ImageOps, UnidentifiedImageError

FORMATS = ("JPEG", "PNG", "WEBP", "GIF")
MOST_PIXELS = 120_000_000
# Of the labelled photos no two of different dogs lie closer than 7 of 64 bits, and none moved by more than 1 bit when
# it was resized threefold and compressed (measured on all 3.3 million pairs, and on 150 photos).
MOST_BITS = 6
# Width to height may differ this far: sizes are rounded to whole pixels, and some photos were resampled.
ASPECT_TOLERANCE = 0.05


@dataclass(frozen=True)
class Verdict:
    """What a fetched file is: byte for byte ours, the same picture, another one, or no picture; and why."""

    is_: Literal["unchanged", "same", "different", "no_picture"]
    detail: str = ""
    distance: int | None = None


def open_picture(data: bytes) -> Image.Image:
    """Decode a picture upright, as RGB.

    Raises:
        ValueError: if it is no picture of the formats above, is damaged, or has too many pixels.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=FORMATS)
            if picture.width * picture.height > MOST_PIXELS:
                raise ValueError(f"has {picture.width} x {picture.height} pixels, too many")
            picture.draft("RGB", (2048, 2048))
            return ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, Image.DecompressionBombError, Warning) as error:
        raise ValueError(f"is no picture that can be opened ({type(error).__name__})") from error


def difference_hash(picture: Image.Image) -> str:
    """Which of neighbouring grey values is brighter on a grid of 9 by 8, as 16 hexadecimal digits.

    Insensitive to size and compression. Source: the difference hash in common use, from memory.
    """
    grey = picture.convert("L").resize((9, 8), Image.Resampling.LANCZOS).tobytes()
    bits = [grey[row * 9 + column + 1] > grey[row * 9 + column] for row in range(8) for column in range(8)]
    return f"{sum(bit << place for place, bit in enumerate(reversed(bits))):016x}"


def hash_distance(one: str, other: str) -> int:
    """How many of the 64 bits differ."""
    return (int(one, 16) ^ int(other, 16)).bit_count()


def examine(data: bytes, sha256: str, dhash: str, size: tuple[int, int]) -> Verdict:
    """Compare a file with the hash, difference hash and size (width, height in pixels) of the labelled picture."""
    if hashlib.sha256(data).hexdigest() == sha256:
        return Verdict("unchanged", distance=0)
    try:
        picture = open_picture(data)
    except ValueError as problem:
        return Verdict("no_picture", str(problem))
    distance = hash_distance(difference_hash(picture), dhash)
    if distance > MOST_BITS:
        return Verdict("different", f"looks different ({distance} of 64 bits)", distance)
    ratio = (picture.width / picture.height) / (size[0] / size[1])
    if abs(ratio - 1) > ASPECT_TOLERANCE:
        shape = f"{picture.width} x {picture.height} instead of {size[0]} x {size[1]}"
        return Verdict("different", f"is cropped: {shape}", distance)
    return Verdict("same", distance=distance)


def reduced(data: bytes, size: tuple[int, int]) -> bytes:
    """The picture as JPEG at the size that was labelled; unchanged bytes if it already has this size and is a JPEG."""
    with Image.open(io.BytesIO(data), formats=FORMATS) as probe:
        if probe.size == size and probe.format == "JPEG":
            return data
    buffer = io.BytesIO()
    open_picture(data).resize(size, Image.Resampling.LANCZOS).save(buffer, "JPEG", quality=90)
    return buffer.getvalue()
