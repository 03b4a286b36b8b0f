"""What is wrong with a picture is found, and ordinary photos are left in peace."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter

from coatclass import photo
from coatclass.contract import PhotoEvidence, PhotoStatus
from coatclass.resources import released


def split_of(photos: Path, split: str) -> list[Path]:
    with (photos / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        return [photos / row["file"] for row in csv.DictReader(stream) if row["split"] == split]


@pytest.fixture(scope="module")
def sharp(photos: Path) -> list[Image.Image]:
    """Ordinary photos of the train split in which nothing was found."""
    loaded = [photo.load(path) for path in split_of(photos, "train")[::43]]
    return [one.image for one in loaded if not one.findings]


def codes(image: Image.Image) -> set[str]:
    return {found.code for found in photo.quality_findings(photo.measure(image))}


def exposed(image: Image.Image, factor: float) -> Image.Image:
    """The light multiplied, by a plain gamma of 2.2."""
    light = (np.asarray(image, np.float32) / 255) ** 2.2
    return Image.fromarray((np.clip(light * factor, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8))


def share_with(images: list[Image.Image], *wanted: str) -> float:
    return float(np.mean([bool(codes(image) & set(wanted)) for image in images]))


@pytest.mark.photos
def test_false_alarms_on_photos_that_took_no_part_in_choosing_the_limits(photos: Path) -> None:
    paths = split_of(photos, "val")
    alarms = Counter(found.code for path in paths for found in photo.load(path).findings)
    for code in ("too_small", "dark", "blown_out", "blurred"):
        assert alarms[code] / len(paths) <= 0.02, (code, alarms)
    assert not [code for code in alarms if code.startswith("far_")]  # no ordinary photo is refused


@pytest.mark.photos
def test_dogs_are_seldom_called_no_dog_and_cats_mostly_are(photos: Path, not_dogs: Path) -> None:
    from coatclass import vision

    def told(paths: list[Path]) -> list[PhotoStatus]:
        loaded = [photo.load(path) for path in paths]
        reports = [photo.report(one, vision.read(one, file=one.file)) for one in loaded]
        return [
            PhotoStatus.REFUSED if "no_dog" in codes else PhotoStatus.DOUBTFUL if "dog_unlikely" in codes
            else PhotoStatus.USED
            for codes in ({reason.code for reason in report.reasons} for report in reports)
        ]  # fmt: skip

    dogs = told(split_of(photos, "val")[::3])
    cats = told(sorted(not_dogs.rglob("*.jpg"))[::5])
    assert np.mean([one is not PhotoStatus.USED for one in dogs]) <= 0.04  # 129 photos; of all, below
    assert np.mean([one is PhotoStatus.REFUSED for one in dogs]) <= 0.01
    assert np.mean([one is PhotoStatus.REFUSED for one in cats]) >= 0.95


@pytest.mark.parametrize("name", ["evidence.npz", "evidence_unseen_breeds.npz"])
def test_out_of_fold_a_settled_coat_stays_possible_for_98_of_100_dogs(name: str) -> None:
    """And hardly one is refused, of breeds that training knew and of breeds that it never saw."""
    with np.load(released(f"models/{name}")) as columns:
        margin = columns["dog_margin"][columns["fold"] >= 0]
    limits = photo.default_limits().dog_margin
    assert len(margin) == 2098
    assert (margin < limits.refused).mean() <= 0.006
    assert (margin < limits.doubtful).mean() <= 0.023


@pytest.mark.photos
def test_blur_is_found(sharp: list[Image.Image]) -> None:
    blurred = [one.filter(ImageFilter.GaussianBlur(2 * max(1, min(one.size) / 224))) for one in sharp]
    assert share_with(blurred, "blurred", "far_blurred") > 0.95


@pytest.mark.photos
def test_dim_light_is_called_dark_and_not_blurred(sharp: list[Image.Image]) -> None:
    dim = [exposed(one, 1 / 16) for one in sharp]
    assert share_with(dim, "dark", "far_too_dark") > 0.95
    assert share_with(dim, "blurred", "far_blurred") < 0.05
    assert share_with([exposed(one, 1 / 64) for one in sharp], "far_too_dark") > 0.95


@pytest.mark.photos
def test_overexposure_is_found(sharp: list[Image.Image]) -> None:
    assert share_with([exposed(one, 8) for one in sharp], "blown_out", "far_blown_out") > 0.85


def test_a_thumbnail_is_doubtful_and_an_icon_is_refused() -> None:
    texture = Image.effect_noise((128, 160), 60).convert("RGB")
    assert codes(texture) == {"too_small"}
    assert codes(texture.crop((0, 0, 48, 60))) == {"far_too_small"}


def test_a_picture_of_nothing_is_not_sharp() -> None:
    assert photo.measure(Image.new("RGB", (300, 300), (120, 120, 120))).sharpness == 0


def test_a_short_side_of_one_pixel_can_be_measured() -> None:
    assert photo.measure(Image.new("RGB", (9, 1))).sharpness == 0


def test_sharpness_of_a_checkerboard_is_that_of_its_definition() -> None:
    """On a checkerboard of 0 and 2a every Laplacian is +-8a (variance 64 a^2) and luma's variance is a^2."""
    board = (np.indices((100, 100)).sum(0) % 2 * 200).astype(np.uint8)
    assert photo.measure(Image.fromarray(board)).sharpness == pytest.approx(64, rel=1e-3)


@pytest.mark.parametrize("size", [(1, 1), (2, 1), (21, 1), (40, 30), (97, 13)])
def test_the_brightest_is_the_95th_percentile(size: tuple[int, int]) -> None:
    """By linear interpolation between neighbours, as numpy does it in double precision."""
    pixels = np.random.default_rng(sum(size)).integers(0, 256, size[::-1], dtype=np.uint8)
    assert photo.measure(Image.fromarray(pixels)).brightest == pytest.approx(np.percentile(pixels, 95), abs=1e-4)


def loaded_noise() -> photo.LoadedPhoto:
    stream = BytesIO()
    Image.effect_noise((300, 300), 60).convert("RGB").save(stream, "PNG")
    return photo.load(stream.getvalue(), name="dog.png")


def evidence(margin: float = 3.0, dog_share: float | None = 0.4, single: float | None = 0.9) -> PhotoEvidence:
    return PhotoEvidence(
        "dog.png", (0.0,) * 7, (0.0,) * 7, (0.0,) * 4, 0.9, dog_share, 0.0, "none", single, dog_margin=margin
    )


@pytest.mark.parametrize(
    ("seen", "status", "code"),
    [
        (None, PhotoStatus.USED, None),
        (evidence(), PhotoStatus.USED, None),
        (evidence(dog_share=None), PhotoStatus.USED, None),
        (evidence(margin=0.1), PhotoStatus.DOUBTFUL, "dog_unlikely"),
        (evidence(margin=-0.1), PhotoStatus.DOUBTFUL, "dog_unlikely"),
        (evidence(margin=-0.3), PhotoStatus.REFUSED, "no_dog"),
        (evidence(dog_share=0.05), PhotoStatus.DOUBTFUL, "dog_small"),
        (evidence(dog_share=0.001), PhotoStatus.REFUSED, "dog_far_too_small"),
        (evidence(single=0.2), PhotoStatus.USED, "several_or_part"),
        (evidence(single=None), PhotoStatus.USED, None),
    ],
)
def test_the_report_takes_the_worst_finding(seen: PhotoEvidence | None, status: PhotoStatus, code: str | None) -> None:
    told = photo.report(loaded_noise(), seen)
    assert told.status == status
    assert [reason.code for reason in told.reasons] == ([code] if code else [])
    assert told.dog_probability == (None if seen is None else seen.dog_probability)


def test_a_release_may_bring_its_own_limit() -> None:
    limits = photo.default_limits()
    stricter = replace(limits, dog_margin=replace(limits.dog_margin, refused=1.0, doubtful=2.0))
    assert photo.report(loaded_noise(), evidence(0.8), limits=stricter).status == PhotoStatus.REFUSED


def test_every_finding_has_words_for_people_that_say_what_to_do() -> None:
    from coatclass.photo import quality
    from coatclass.reasons import reason

    table = quality._data()["finding"]
    for code, status in table.items():
        text = reason(code, short_side=50, dog_percent="3", extension=".png", format="JPEG", other="dog.jpg").text
        assert "{" not in text and text.endswith("."), code
        assert PhotoStatus(status)
