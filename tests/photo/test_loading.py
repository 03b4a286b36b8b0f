"""Any ordinary picture comes out upright, 8-bit RGB, small enough and without a trace of its file."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, features

from coatclass import photo
from coatclass.photo import opening


def as_bytes(image: Image.Image, kind: str, **options: object) -> bytes:
    stream = BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def scene(width: int = 400, height: int = 300) -> Image.Image:
    """Four corners of different colours, so that turning shows: red, green, blue, white, clockwise from top left."""
    image = Image.new("RGB", (width, height))
    half = (width // 2, height // 2)
    for colour, corner in (("red", (0, 0)), ("lime", (half[0], 0)), ("white", (0, half[1])), ("blue", half)):
        image.paste(colour, (*corner, corner[0] + half[0], corner[1] + half[1]))
    return image


def corners(image: Image.Image) -> list[str]:
    """Names of the corners' colours, clockwise from top left."""
    named = {"red": (255, 0, 0), "lime": (0, 255, 0), "blue": (0, 0, 255), "white": (255, 255, 255)}
    w, h = image.size
    pixels = [image.getpixel(at) for at in ((8, 8), (w - 9, 8), (w - 9, h - 9), (8, h - 9))]
    return [min(named, key=lambda name: np.abs(np.subtract(named[name], pixel)).sum()) for pixel in pixels]


UPRIGHT = ["red", "lime", "blue", "white"]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("way", ["path", "text", "bytes"])
def test_each_format_opens_from_a_file_and_from_bytes(kind: str, way: str, tmp_path: Path) -> None:
    data = as_bytes(scene(), kind)
    path = tmp_path / f"dog.{kind.lower()}"
    path.write_bytes(data)
    loaded = photo.load({"path": path, "text": str(path), "bytes": data}[way])
    assert (loaded.image.mode, loaded.image.size, loaded.format) == ("RGB", (400, 300), kind.lower())
    assert corners(loaded.image) == UPRIGHT
    assert loaded.file == ("photo" if way == "bytes" else str(path))


# EXIF 2.32 (CIPA DC-008), tag 274: what has to be done to the stored picture to show it upright, undone here.
STORED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", STORED)
def test_the_camera_may_be_held_in_any_of_eight_ways(kind: str, orientation: int) -> None:
    method = STORED[orientation]
    stored = scene() if method is None else scene().transpose(method)
    exif = Image.Exif()
    exif[274] = orientation
    loaded = photo.load(as_bytes(stored, kind, exif=exif))
    assert corners(loaded.image) == UPRIGHT
    assert loaded.original_size == (400, 300)


def test_orientation_that_makes_no_sense_is_passed_over() -> None:
    exif = Image.Exif()
    exif[274] = 99
    assert corners(photo.load(as_bytes(scene(), "JPEG", exif=exif)).image) == UPRIGHT


def test_place_and_device_do_not_leave_with_the_picture() -> None:
    exif = Image.Exif()
    exif[271] = "A maker"
    exif.get_ifd(0x8825)[1] = "N"
    loaded = photo.load(as_bytes(scene(), "JPEG", exif=exif, comment=b"my garden"))
    assert loaded.image.info == {}
    assert not loaded.image.getexif()


def _sixteen_bit() -> Image.Image:
    return Image.fromarray(np.full((200, 200), 40_000, dtype=np.uint16))


@pytest.mark.parametrize(
    ("image", "kind", "expected"),
    [
        pytest.param(Image.new("L", (200, 200), 90), "PNG", (90, 90, 90), id="grey"),
        pytest.param(Image.new("L", (200, 200), 90), "JPEG", (90, 90, 90), id="grey JPEG"),
        pytest.param(_sixteen_bit(), "PNG", (40_000 >> 8,) * 3, id="16-bit grey"),
        pytest.param(Image.new("1", (200, 200), 1), "PNG", (255, 255, 255), id="1-bit"),
        pytest.param(Image.new("CMYK", (200, 200), (0, 255, 255, 0)), "JPEG", (255, 0, 0), id="CMYK"),
        pytest.param(Image.new("P", (200, 200), 0), "PNG", (0, 0, 0), id="palette"),
        pytest.param(Image.new("RGBA", (200, 200), (255, 255, 255, 0)), "PNG", (128, 128, 128), id="see-through"),
        pytest.param(Image.new("RGBA", (200, 200), (255, 255, 255, 0)), "WEBP", (128, 128, 128), id="see-through WebP"),
        pytest.param(Image.new("LA", (200, 200), (255, 0)), "PNG", (128, 128, 128), id="see-through grey"),
        pytest.param(Image.new("RGBA", (200, 200), (255, 0, 0, 255)), "PNG", (255, 0, 0), id="opaque alpha"),
    ],
)
@pytest.mark.parametrize("target_px", [600, 40], ids=["as it is", "reduced"])
def test_every_way_of_storing_colour_gives_the_same_rgb(
    image: Image.Image, kind: str, expected: tuple[int, int, int], target_px: int
) -> None:
    loaded = photo.load(as_bytes(image, kind), target_px=target_px)
    assert loaded.image.mode == "RGB"
    assert np.abs(np.asarray(loaded.image, int) - expected).max() <= 2


def test_a_see_through_palette_colour_shows_mid_grey() -> None:
    image = Image.new("P", (200, 200), 0)
    loaded = photo.load(as_bytes(image, "PNG", transparency=0))
    assert loaded.image.getpixel((100, 100)) == (128, 128, 128)


def test_sixteen_bit_colour_keeps_its_upper_eight_bits(tmp_path: Path) -> None:
    """A PNG written by hand (W3C PNG 11.2: IHDR, IDAT, IEND), since the library can't write 16-bit colour."""
    import struct
    import zlib

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    row = b"\x00" + struct.pack(">HHH", 0xC8FF, 0x6400, 0x0A80) * 150
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 150, 150, 16, 2, 0, 0, 0))
    data += chunk(b"IDAT", zlib.compress(row * 150)) + chunk(b"IEND", b"")
    assert photo.load(data).image.getpixel((70, 70)) == (0xC8, 0x64, 0x0A)


def test_a_twelve_megapixel_jpeg_is_decoded_at_a_quarter(monkeypatch: pytest.MonkeyPatch) -> None:
    decoded = []
    reduced = opening._reduced
    monkeypatch.setattr(opening, "_reduced", lambda image, px: (decoded.append(image.size), reduced(image, px))[1])
    loaded = photo.load(as_bytes(scene(4000, 3000), "JPEG"))
    assert decoded == [(1000, 750)]  # what left the decoder, before any resizing of ours
    assert (loaded.image.size, loaded.original_size) == ((1000, 750), (4000, 3000))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("short_side", [599, 600, 1199, 1200, 1700, 2400])
def test_the_short_side_never_falls_below_the_target(kind: str, short_side: int) -> None:
    loaded = photo.load(as_bytes(Image.new("RGB", (short_side + 40, short_side), "grey"), kind))
    assert min(loaded.image.size) >= min(short_side, 600)
    assert min(loaded.image.size) < 1200


def test_both_ways_of_reducing_show_the_same_picture() -> None:
    original = scene(1600, 1200)
    by_decoder = photo.load(as_bytes(original, "JPEG", quality=95, subsampling=0), target_px=300).image
    by_averaging = photo.load(as_bytes(original, "PNG"), target_px=300).image
    assert by_decoder.size == by_averaging.size
    assert np.abs(np.asarray(by_decoder, int) - np.asarray(by_averaging, int)).mean() < 2


def test_a_phones_jpeg_with_a_second_picture_inside_is_no_animation() -> None:
    data = as_bytes(scene(), "MPO", save_all=True, append_images=[Image.new("RGB", (100, 75))])
    loaded = photo.load(data, name="portrait.jpg")
    assert corners(loaded.image) == UPRIGHT
    assert [found.code for found in loaded.findings if found.code == "wrong_extension"] == []


def test_content_decides_and_a_wrong_name_is_mentioned() -> None:
    loaded = photo.load(as_bytes(scene(), "PNG"), name="dog.JPG")
    assert loaded.format == "png"
    assert "wrong_extension" in [found.code for found in loaded.findings]
    assert photo.report(loaded).status in ("used", "doubtful")


def test_real_photos_open_without_complaint(photos: Path) -> None:
    for path in sorted((photos / "oxford").glob("*.jpg"))[::100]:
        loaded = photo.load(path)
        with Image.open(path) as raw:
            assert loaded.original_size == raw.size
        assert loaded.image.size == loaded.original_size  # short side under twice the target: nothing to reduce


def test_the_three_formats_are_built_in() -> None:
    assert features.check("jpg") and features.check("webp") and features.check("zlib")
