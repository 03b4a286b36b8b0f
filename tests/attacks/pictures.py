"""Malformed pictures, made by mutation from good ones of every kind that is let in; words may come of them, no more."""

from __future__ import annotations

import random
import struct
import time
import zlib
from collections import Counter
from collections.abc import Iterator
from io import BytesIO

from PIL import Image, PngImagePlugin

_MARKERS = (
    b"\xff\xc0",
    b"\xff\xc4",
    b"\xff\xda",
    b"\xff\xdb",
    b"\xff\xe1",
    b"IHDR",
    b"IDAT",
    b"VP8 ",
    b"VP8X",
    b"meta",
    b"iloc",
)
SLOWEST_S = 25.0  # a HEIC may use 20 s before its process is stopped


def _saved(kind: str, **options: object) -> bytes:
    image = Image.effect_noise((160, 120), 70).convert("RGB")
    stream = BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def bases() -> dict[str, bytes]:
    """One good picture a kind."""
    exif = Image.Exif()
    exif[0x0112] = 6
    text = PngImagePlugin.PngInfo()
    text.add_text("note", "x" * 200, zip=True)
    found = {
        "JPEG": _saved("JPEG", quality=85, exif=exif.tobytes()),
        "progressive JPEG": _saved("JPEG", progressive=True),
        "PNG": _saved("PNG", pnginfo=text),
        "WebP": _saved("WEBP"),
        "lossless WebP": _saved("WEBP", lossless=True),
    }
    try:
        import pillow_heif

        pillow_heif.register_heif_opener()
        found["HEIC"] = _saved("HEIF")
    except ImportError:
        pass
    return found


def _flip(data: bytearray, chance: random.Random) -> None:
    for _ in range(chance.choice((1, 1, 3, 20, 200))):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)


def _cut(data: bytearray, chance: random.Random) -> None:
    del data[chance.randrange(3, len(data)) :]


def _drop(data: bytearray, chance: random.Random) -> None:
    start = chance.randrange(len(data))
    del data[start : start + chance.choice((1, 2, 4, 64, 1000))]


def _repeat(data: bytearray, chance: random.Random) -> None:
    start = chance.randrange(len(data))
    data[start:start] = data[start : start + chance.choice((4, 64, 1000))] * chance.choice((1, 5, 50))


def _huge_number(data: bytearray, chance: random.Random) -> None:
    """A length, a count or a size that claims as much as it can."""
    at = chance.randrange(max(1, min(len(data) - 4, chance.choice((64, 400, 10**6)))))
    worst = chance.choice((0, 1, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000))
    struct.pack_into(">I", data, at, worst)


def _around_a_marker(data: bytearray, chance: random.Random) -> None:
    places = [data.find(marker) for marker in _MARKERS if marker in data]
    at = chance.choice(places or [0])
    for _ in range(chance.randint(1, 6)):
        data[min(len(data) - 1, at + chance.randrange(24))] = chance.randrange(256)


def _other_beginning(data: bytearray, chance: random.Random) -> None:
    heads = (b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"RIFF\xff\xff\xff\xffWEBPVP8 ", b"\0\0\0\x18ftypheic")
    data[: chance.choice((0, 4, 8, 12))] = chance.choice(heads)


def _repaired_checksums(data: bytearray, chance: random.Random) -> None:
    """PNG whose damaged parts have right checksums, so that the damage is read."""
    _around_a_marker(data, chance)
    at = 8
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        if at + 12 + size > len(data):
            return
        struct.pack_into(">I", data, at + 8 + size, zlib.crc32(data[at + 4 : at + 8 + size]))
        at += 12 + size


MUTATIONS = (_flip, _cut, _drop, _repeat, _huge_number, _around_a_marker, _other_beginning, _repaired_checksums)


def malformed(count: int, seed: int = 1) -> Iterator[tuple[str, bytes]]:
    """So many pictures, each changed in one to three ways; the same for the same seed."""
    chance = random.Random(seed)
    good = bases()
    kinds = [kind for kind in good if kind != "HEIC"]
    for number in range(count):
        # a HEIC costs a process each, so there are fewer of them
        kind = "HEIC" if "HEIC" in good and number % 25 == 0 else chance.choice(kinds)
        data = bytearray(good[kind])
        for change in chance.sample(MUTATIONS, chance.choice((1, 1, 2, 3))):
            if len(data) > 8:
                change(data, chance)
        yield kind, bytes(data)


def attack(count: int, seed: int = 1) -> Counter[str]:
    """Open each as the program does; count what came of it. Anything but a picture or a refusal is counted as FAULT."""
    from coatclass import photo
    from coatclass.errors import PhotoError

    outcomes: Counter[str] = Counter()
    for kind, data in malformed(count, seed):
        started = time.monotonic()
        try:
            loaded = photo.load(data, name="dog.jpg")
            outcome = "opened" if loaded.image.mode == "RGB" else "FAULT: not RGB"
        except PhotoError as error:
            outcome = f"refused: {error.code}"
        except BaseException as error:
            outcome = f"FAULT: {kind}: {type(error).__name__}: {error}"[:200]
        if time.monotonic() - started > SLOWEST_S:
            outcome = f"FAULT: {kind}: took {time.monotonic() - started:.0f} s"
        outcomes[outcome] += 1
    return outcomes
