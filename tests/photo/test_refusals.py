"""What can't be used is refused in plain words: which input, what is wrong, what to do."""

from __future__ import annotations

import os
import struct
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from coatclass import photo
from coatclass.contract import PhotoStatus
from coatclass.errors import PhotoError


def noise(kind: str = "JPEG", side: int = 200) -> bytes:
    stream = BytesIO()
    Image.effect_noise((side, side), 80).convert("RGB").save(stream, kind)
    return stream.getvalue()


def refused(source: object, **options: object) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        photo.load(source, **options)  # type: ignore[arg-type]
    error = caught.value
    assert error.problem.endswith(".") and error.next_step.endswith(".")
    assert error.exit_code == 3
    return error


def png_claiming(width: int, height: int) -> bytes:
    """A few bytes that claim to be a huge picture."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


def animation(kind: str) -> bytes:
    stream = BytesIO()
    frames = [Image.new("RGB", (200, 200), colour) for colour in ("red", "lime", "blue")]
    frames[0].save(stream, kind, save_all=True, append_images=frames[1:])
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_an_animation_is_refused_since_no_frame_is_the_one_meant(kind: str) -> None:
    error = refused(animation(kind), name="dog.png")
    assert error.code == "animated"
    assert "still photo" in error.next_step


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("kept", [0.5, 0.9])
def test_a_photo_that_breaks_off_is_refused(kind: str, kept: float) -> None:
    data = noise(kind)
    assert refused(data[: int(len(data) * kept)]).code in ("truncated", "damaged")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_bare_beginning_is_refused(kind: str) -> None:
    assert refused(noise(kind)[:24]).code in ("truncated", "damaged")


def test_a_jpeg_cut_in_half_is_called_broken_off() -> None:
    data = noise("JPEG")
    assert refused(data[: len(data) // 2]).code == "truncated"


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b"Dear groomer, see attached", "not_a_picture"),
        (b"<html><body>404</body></html>", "not_a_picture"),
        (b"\x00" * 4096, "not_a_picture"),
        (b"%PDF-1.7 ...", "unsupported_format"),
        (b"GIF89a" + bytes(40), "unsupported_format"),
        (b"II*\x00" + bytes(40), "unsupported_format"),
        (b"\x00\x00\x00\x1cftypavif" + bytes(40), "unsupported_format"),
        (b"\x00\x00\x00\x20ftypisom" + bytes(40), "unsupported_format"),
    ],
)
def test_what_is_no_photo_is_named(data: bytes, code: str) -> None:
    assert refused(data, name="dog.jpg").code == code


def test_a_missing_file_a_folder_a_pipe_and_a_name_that_can_not_be(tmp_path: Path) -> None:
    assert refused(tmp_path / "gone.jpg").code == "missing"
    assert refused(tmp_path).code == "directory"
    os.mkfifo(tmp_path / "pipe.jpg")
    assert refused(tmp_path / "pipe.jpg").code == "unreadable"
    assert refused("a\x00b.jpg").code == "unreadable"
    assert refused("x" * 5000).code == "unreadable"


def test_a_file_that_may_not_be_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(noise())

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", deny)  # root may open anything, so the system's answer is played
    error = refused(path)
    assert error.code == "unreadable"
    assert "Permission denied" in error.problem


def test_a_file_over_the_ceiling_is_not_read_in_full(tmp_path: Path) -> None:
    path = tmp_path / "huge.jpg"
    with path.open("wb") as stream:
        stream.write(b"\xff\xd8\xff")
        stream.truncate(photo.default_limits().max_bytes * 40)  # sparse: 2 GB that take no disk
    assert refused(path).code == "too_many_bytes"


@pytest.mark.parametrize("size", [(5000, 5001), (12_000, 10_000), (30_000, 30_000), (2_000_000_000, 2)])
def test_a_decompression_bomb_is_refused_by_its_header(size: tuple[int, int]) -> None:
    assert refused(png_claiming(*size)).code == "too_many_pixels"


def test_a_jpeg_may_have_the_pixels_of_a_large_phone_camera_but_not_more() -> None:
    stream = BytesIO()
    Image.new("L", (200, 200)).save(stream, "JPEG")
    data = bytearray(stream.getvalue())
    frame = data.index(b"\xff\xc0")  # SOF0 (ITU-T T.81 B.2.2): length, precision, lines, samples per line
    struct.pack_into(">HH", data, frame + 5, 12_000, 12_000)
    assert refused(bytes(data)).code == "too_many_pixels"
    struct.pack_into(">HH", data, frame + 5, 8_000, 12_000)
    assert photo.load(bytes(data)).original_size == (12_000, 8_000)  # 96 megapixels, decoded at an eighth


def test_a_strip_is_refused() -> None:
    stream = BytesIO()
    Image.new("RGB", (3000, 100)).save(stream, "PNG")
    assert refused(stream.getvalue()).code == "too_narrow"


def test_a_refusal_becomes_a_report() -> None:
    told = photo.refusal(refused(b"", name="dog.jpg"))
    assert (told.file, told.status, told.dog_probability) == ("dog.jpg", PhotoStatus.REFUSED, None)
    assert told.reasons[0].code == "empty"
    assert "0 bytes" in told.reasons[0].text


BASES = {kind: noise(kind, 80) for kind in ("JPEG", "PNG", "WEBP")}


@settings(max_examples=150, deadline=None)
@given(kind=st.sampled_from(sorted(BASES)), at=st.floats(0, 0.999), junk=st.binary(min_size=1, max_size=40))
def test_any_damage_ends_in_a_picture_or_a_refusal(kind: str, at: float, junk: bytes) -> None:
    data = bytearray(BASES[kind])
    start = int(at * len(data))
    data[start : start + len(junk)] = junk
    try:
        loaded = photo.load(bytes(data))
    except PhotoError:
        return
    assert loaded.image.mode == "RGB"


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_are_refused(data: bytes) -> None:
    refused(data)
