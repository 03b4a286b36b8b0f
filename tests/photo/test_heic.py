"""Phones' HEIC photos open as they come, in a process of its own that can spend little and harm nothing."""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import tomllib
from dataclasses import replace
from importlib.metadata import metadata
from pathlib import Path

import pytest
from heic_files import KINDS, plain
from test_loading import UPRIGHT, corners, scene

from coatclass import photo
from coatclass.errors import PhotoError


@pytest.mark.parametrize("kind", KINDS)
def test_each_makers_kind_opens_upright(kind: str) -> None:
    loaded = photo.load(KINDS[kind](scene(1600, 1300)), name="IMG_1.HEIC")
    assert (loaded.format, loaded.original_size, loaded.image.size) == ("heic", (1600, 1300), (800, 650))
    assert corners(loaded.image) == UPRIGHT
    assert not loaded.image.info


def test_what_is_shipped_decodes_and_has_no_encoder() -> None:
    """x265, the encoder that other wheels carry, is under the GPL."""
    import pi_heif

    assert "HEVC" not in str(pi_heif.libheif_info()["HEIF"])
    project = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text())["project"]
    assert any(one.startswith("pi-heif") for one in project["dependencies"])
    assert "GPL" not in (metadata("pi-heif")["License"] or "")


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_heic_ends_in_a_picture_or_a_refusal(seed: int) -> None:
    moments = random.Random(seed)
    data = bytearray(KINDS[moments.choice(list(KINDS))](scene(300, 260)))
    for _ in range(moments.randint(1, 30)):
        data[moments.randrange(12, len(data))] = moments.randrange(256)
    try:
        loaded = photo.load(bytes(data[: moments.randint(len(data) // 2, len(data))]))
    except PhotoError as error:
        assert error.code in ("damaged", "too_many_pixels", "unsupported_format")
    else:
        assert loaded.image.mode == "RGB"


def test_too_many_pixels_or_too_much_time_is_refused() -> None:
    data = plain(scene(1200, 900))
    few, hasty = (
        replace(photo.default_limits(), max_pixels_heic=1_000_000),
        replace(photo.default_limits(), heic_seconds=0.01),
    )
    for limits, code in ((few, "too_many_pixels"), (hasty, "damaged")):
        with pytest.raises(PhotoError) as caught:
            photo.load(data, limits=limits)
        assert caught.value.code == code


def test_the_process_that_decodes_can_write_no_file_and_has_little_memory() -> None:
    worker = Path(photo.__file__).with_name("_heic_worker.py")
    code = f"""
import runpy, sys, resource
limit = runpy.run_path({str(worker)!r})["_limit"]
limit(1_500_000_000, 20)
print(resource.getrlimit(resource.RLIMIT_AS)[0], resource.getrlimit(resource.RLIMIT_FSIZE)[0])
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert said == ["1500000000", "0"]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0
