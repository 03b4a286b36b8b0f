"""HEIC files as different makers' phones write them, made here: ISO/IEC 23008-12 (HEIF), boxes of ISO/IEC 14496-12."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from io import BytesIO

import pillow_heif
from PIL import Image

pillow_heif.register_heif_opener()


def plain(image: Image.Image, **options: object) -> bytes:
    """One picture, 8 bits, colour at half resolution: the commonest kind."""
    stream = BytesIO()
    image.save(stream, "HEIF", quality=90, **options)
    return stream.getvalue()


def ten_bits(image: Image.Image) -> bytes:
    """10 bits a colour, as phones with a high dynamic range write (brand ``heix``)."""
    deep = bytes(byte for value in image.tobytes() for byte in struct.pack("<H", value << 2))
    stream = BytesIO()
    file = pillow_heif.from_bytes("RGB;10", image.size, deep)
    file.save(stream, quality=90)
    return stream.getvalue()


def with_alpha(image: Image.Image) -> bytes:
    """An auxiliary picture beside the first one."""
    return plain(image.convert("RGBA"))


def with_thumbnail(image: Image.Image) -> bytes:
    """A small picture for galleries inside."""
    file = pillow_heif.from_pillow(image)
    stream = BytesIO()
    file.save(stream, quality=90, thumbnails=[128])
    return stream.getvalue()


def burst(image: Image.Image) -> bytes:
    """Several pictures in one file; the second is the one that the phone shows."""
    file = pillow_heif.HeifFile()
    for other in (Image.new("RGB", (200, 200)), image, Image.new("RGB", (300, 200))):
        file.add_from_pillow(other)
    stream = BytesIO()
    file.save(stream, quality=90, primary_index=1)
    return stream.getvalue()


def turned(image: Image.Image) -> bytes:
    """Stored on its side, with the turn in the file's own properties and in EXIF: as held upright."""
    exif = Image.Exif()
    exif[0x0112] = 6
    return plain(image.transpose(Image.Transpose.ROTATE_90), exif=exif.tobytes())


def tiles(image: Image.Image, tile: int = 512) -> bytes:
    """A grid of tiles, as most phones write: each tile is a picture of its own, and an item says how they lie."""
    across, down = -(-image.width // tile), -(-image.height // tile)
    file = pillow_heif.HeifFile()
    for row in range(down):
        for column in range(across):
            corner = (column * tile, row * tile)
            file.add_from_pillow(image.crop((*corner, corner[0] + tile, corner[1] + tile)))
    stream = BytesIO()
    file.save(stream, quality=90)
    return _with_grid(stream.getvalue(), across, down, image.size)


# --- boxes ----------------------------------------------------------------------------------------------------------


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        size = size or len(data) - at
        yield kind, data[at + 8 : at + size]
        at += size


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", len(body) + 8, kind) + body


def _with_grid(data: bytes, across: int, down: int, size: tuple[int, int]) -> bytes:
    """Add a grid item over all pictures of a file and make it the one that is shown."""
    top = list(_boxes(data))
    meta = dict(_boxes(dict(top)[b"meta"][4:]))
    count = across * down
    grid_id = 1000
    # pitm: the grid is the picture (version 0: 16-bit id)
    meta[b"pitm"] = b"\0\0\0\0" + struct.pack(">H", grid_id)
    # iinf: one more item; tiles are hidden (flag 1 of infe)
    items = meta[b"iinf"]
    version, (number,) = items[0], struct.unpack_from(">H", items, 4)
    assert version == 0
    entries = b"".join(
        _box(kind, body[:3] + b"\1" + body[4:] if body[8:12] == b"hvc1" else body) for kind, body in _boxes(items[6:])
    )
    grid_entry = b"\2\0\0\0" + struct.pack(">HH4s", grid_id, 0, b"grid") + b"\0"
    meta[b"iinf"] = items[:4] + struct.pack(">H", number + 1) + entries + _box(b"infe", grid_entry)
    # idat and iloc: where the grid's few bytes lie (construction method 1: in idat)
    meta[b"idat"] = struct.pack(">BBBBHH", 0, 0, down - 1, across - 1, *size)
    places = _places(meta[b"iloc"])
    # iref: which pictures the grid is made of, row by row
    ids = [place for place, *_ in places if place in _pictures(items)][:count]
    reference = struct.pack(">HH", grid_id, count) + b"".join(struct.pack(">H", one) for one in ids)
    known = meta.get(b"iref", b"\0\0\0\0")
    meta[b"iref"] = known + _box(b"dimg", reference)
    # iprp: the whole picture's size, as one more property
    properties = dict(_boxes(meta[b"iprp"]))
    own = list(_boxes(properties[b"ipco"]))
    properties[b"ipco"] += _box(b"ispe", b"\0\0\0\0" + struct.pack(">II", *size))
    linked = properties[b"ipma"]
    assert linked[:4] == b"\0\0\0\0"
    (links,) = struct.unpack_from(">I", linked, 4)
    properties[b"ipma"] = (
        linked[:4] + struct.pack(">I", links + 1) + linked[8:] + struct.pack(">HBB", grid_id, 1, 0x80 | (len(own) + 1))
    )
    meta[b"iprp"] = b"".join(_box(kind, body) for kind, body in properties.items())
    before = len(data) - len(dict(top)[b"mdat"])
    for _ in range(2):  # the second time with the offsets that the first made
        shift = len(_joined(top, meta)) - len(dict(top)[b"mdat"]) - before
        meta[b"iloc"] = _iloc([(one, offset + shift, length) for one, offset, length in places], grid_id)
    return _joined(top, meta)


def _joined(top: list[tuple[bytes, bytes]], meta: dict[bytes, bytes]) -> bytes:
    body = b"\0\0\0\0" + b"".join(_box(kind, content) for kind, content in meta.items())
    return b"".join(_box(kind, body if kind == b"meta" else content) for kind, content in top)


def _pictures(items: bytes) -> set[int]:
    return {struct.unpack_from(">H", body, 4)[0] for _, body in _boxes(items[6:]) if body[8:12] == b"hvc1"}


def _places(iloc: bytes) -> list[tuple[int, int, int]]:
    """(item, offset, length) of each item."""
    version, sizes = iloc[0], iloc[4:6]
    offset_size, length_size, base_size = sizes[0] >> 4, sizes[0] & 15, sizes[1] >> 4
    at, (number,) = 8, struct.unpack_from(">H", iloc, 6)
    found = []
    for _ in range(number):
        (item,) = struct.unpack_from(">H", iloc, at)
        at += 2 + (2 if version else 0) + 2
        base = int.from_bytes(iloc[at : at + base_size], "big")
        at += base_size + 2
        offset = int.from_bytes(iloc[at : at + offset_size], "big")
        length = int.from_bytes(iloc[at + offset_size : at + offset_size + length_size], "big")
        at += offset_size + length_size
        found.append((item, base + offset, length))
    return found


def _iloc(places: list[tuple[int, int, int]], grid_id: int) -> bytes:
    rows = b"".join(struct.pack(">HHHHII", one, 0, 0, 1, offset, length) for one, offset, length in places)
    rows += struct.pack(">HHHHII", grid_id, 1, 0, 1, 0, 8)
    return b"\1\0\0\0" + b"\x44\0" + struct.pack(">H", len(places) + 1) + rows


KINDS = {
    "plain": plain,
    "10 bits": ten_bits,
    "alpha": with_alpha,
    "thumbnail": with_thumbnail,
    "burst": burst,
    "turned": turned,
    "tiles": tiles,
}
