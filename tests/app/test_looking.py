"""One photo, one word: what a kept photo says is what the photo said as it came, after a restart and a move too."""

from __future__ import annotations

import json
from io import BytesIO

import pytest
from PIL import Image, ImageOps

from app.looking import Looks
from app.owner.dog import keep_photo
from coatclass.answers import Answers
from coatclass.assessing import assess_readings
from coatclass.estimating import read_photo
from coatclass.records import Dog, Photo, backup, open_records, restore

pytestmark = pytest.mark.photos
MOST = 8


@pytest.fixture
def salon(tmp_path):
    with open_records(f"sqlite:///{tmp_path / 'salon' / 'records.sqlite'}") as records:
        yield records


def sent(path, how):
    """A photo's file as an owner might send it: as it is, turned by its EXIF data, or saved as PNG."""
    if how == "as it is":
        return path.read_bytes()
    stream, picture = BytesIO(), Image.open(path)
    if how == "turned":
        exif = Image.Exif()
        exif[0x0112] = 6
        picture.rotate(90, expand=True).save(stream, "JPEG", quality=95, exif=exif)
    else:
        ImageOps.exif_transpose(picture).save(stream, "PNG")
    return stream.getvalue()


def keep(salon, content):
    dog = salon.add(Dog(name="Fennel"), who="Ada")
    kept, report = keep_photo(salon, Looks(), dog.id, content, "dog.jpg", most=MOST, who="Ada", when_full="")
    return dog, kept, report


@pytest.mark.parametrize("how", ["as it is", "turned", "PNG"])
def test_a_kept_photo_gives_the_estimate_that_the_command_line_gives_of_the_file(salon, photos, tmp_path, how):
    doubtful = sorted((photos / "open").glob("goldendoodle*.jpg"))[0]
    content = sent(doubtful, how)
    _, kept, report = keep(salon, content)
    alone = read_photo(content, name="photo 1")
    assert (report.status, report.reasons) == (alone.report.status, alone.report.reasons)
    [again] = Looks().readings(salon, (kept,))  # another process, or this one after a restart
    assert again == alone
    assert assess_readings([again], Answers()) == assess_readings([alone], Answers())

    copied = read_photo(salon.store.read(kept.sha256), name="photo 1")
    assert copied.evidence != alone.evidence  # or the copy would do, and nothing were shown here

    backup(salon, tmp_path / "salon.zip")
    with open_records(f"sqlite:///{tmp_path / 'moved' / 'records.sqlite'}") as moved:
        restore(moved, tmp_path / "salon.zip")
        assert Looks().readings(moved, moved.find(Photo)) == [alone]


@pytest.mark.parametrize("wrong", ["", "{", "model", "short", "infinite", "ragged"])
def test_numbers_that_are_missing_anothers_or_no_numbers_are_read_anew_from_the_copy(salon, photos, wrong):
    _, kept, _ = keep(salon, sorted((photos / "open").glob("goldendoodle*.jpg"))[0].read_bytes())
    beside = salon.store.path(kept.sha256).with_suffix(".seen")
    numbers = json.loads(beside.read_text("utf-8"))
    if wrong == "model":
        numbers["evidence"]["model_version"] = "an older one"
    elif wrong == "short":
        numbers["evidence"]["texture"] = numbers["evidence"]["texture"][:6]
    elif wrong == "infinite":
        numbers["evidence"]["dog_margin"] = 1e999
    elif wrong == "ragged":
        numbers["mask"][0] = numbers["mask"][0][1:]
    beside.write_text(wrong if len(wrong) < 2 else json.dumps(numbers), "utf-8")
    assert Looks().readings(salon, (kept,)) == [read_photo(salon.store.read(kept.sha256), name="photo 1")]


def test_what_was_read_goes_with_the_picture_and_a_lone_one_is_swept(salon, photos):
    dog, kept, _ = keep(salon, sorted((photos / "open").glob("goldendoodle*.jpg"))[0].read_bytes())
    beside = salon.store.path(kept.sha256).with_suffix(".seen")
    assert beside.exists() and list(salon.store.names()) == [kept.sha256] and beside.exists()
    lone = beside.with_name(f"{kept.sha256[:2]}{'0' * 62}.seen")
    lone.write_text("{}")
    salon.sweep_photos()
    assert list(salon.store.names()) == [kept.sha256] and beside.exists() and not lone.exists()
    with salon.write("Ada", only=dog.id) as writer:
        writer.erase(kept)
    salon.sweep_erased(writer.loose)
    assert not beside.exists() and not salon.store.path(kept.sha256).exists()
