"""A JPEG that holds one picture and nothing else is told from all others by its segments (ITU-T T.81, annex B)."""

from __future__ import annotations

from io import BytesIO

import pytest
from PIL import Image

from coatclass.photo import is_bare_jpeg
from coatclass.records import prepare


def jpeg(**how) -> bytes:
    stream = BytesIO()
    Image.effect_noise((90, 60), 80).convert("RGB").save(stream, "JPEG", **how)
    return stream.getvalue()


def place() -> Image.Exif:
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"  # EXIF 2.32: north or south latitude
    return exif


TOLD = {
    "comment": {"comment": b"Quill Lane"},
    "place": {"exif": place()},
    "xmp": {"xmp": b"<x:xmpmeta/>"},
    "profile": {"icc_profile": b"x" * 200},
}


@pytest.mark.parametrize("how", [{}, {"progressive": True}, {"optimize": True}, {"subsampling": 2, "quality": 30}])
def test_a_picture_alone_is_bare(how):
    assert is_bare_jpeg(jpeg(**how))


@pytest.mark.parametrize("how", TOLD.values(), ids=TOLD)
def test_whatever_is_told_beside_the_picture_is_found_and_the_store_removes_it(how):
    assert not is_bare_jpeg(jpeg(**how))
    assert is_bare_jpeg(prepare(jpeg(**how)).data)


def test_nothing_stands_behind_the_end_and_nothing_is_missing():
    whole = jpeg()
    assert not is_bare_jpeg(whole + b"<script>")
    assert not is_bare_jpeg(whole + whole)
    assert not any(is_bare_jpeg(whole[:end]) for end in range(len(whole)))


@pytest.mark.parametrize("data", [b"", b"\xff", b"\xff\xd8", b"\xff\xd8\xff", b"\xff\xd8\xff\xda\x00\x00", b"GIF89a"])
def test_what_is_no_jpeg_is_none(data):
    assert not is_bare_jpeg(data)
