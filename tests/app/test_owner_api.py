"""An owner's link over HTTP: one dog, nobody else's, and every refusal in plain words."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO

import pytest
from PIL import Image

from app.looking import Looks
from app.owner import dog as owners
from coatclass import estimating
from coatclass.records import AnswerSheet, Dog, Finding, StoredAssessment, linked_dog, make_link, open_records

LINKS = "/api/v1/dogs/by-link"


@pytest.fixture
def token(server) -> str:
    return server.start_dog()


def photo_with_place(path) -> bytes:
    """A real photo to which a place and a device were added."""
    picture = Image.open(path)
    exif = picture.getexif()
    exif[0x010F] = "A camera"  # make
    exif.get_ifd(0x8825)[1] = "N"  # GPS latitude
    stream = BytesIO()
    picture.convert("RGB").save(stream, "JPEG", exif=exif)
    return stream.getvalue()


@pytest.mark.parametrize("call", ["", "/assessment", "/sheet.pdf", "/shop.pdf", "/sheet.html", "/calendar.ics"])
def test_a_link_that_nobody_made_shows_nothing(web, call):
    answer = web.get(f"{LINKS}/{'x' * 43}{call}")
    assert answer.status_code == 404
    assert answer.json()["next_step"]


def test_an_expired_link_sounds_like_one_that_never_was(server, web):
    url = f"sqlite:///{server.data / 'records.sqlite'}"
    with open_records(url) as salon:
        dog = salon.add(Dog(name="Sorrel"), who="a test")
        old = make_link(salon, dog.id, valid_for=timedelta(seconds=-1), who="a test")
    assert web.get(f"{LINKS}/{old}").json() == web.get(f"{LINKS}/{'x' * 43}").json()


def test_answers_are_kept_at_once_and_null_takes_one_back(web, token):
    web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky", "age_months": 30}).raise_for_status()
    web.patch(f"{LINKS}/{token}/answers", json={"feel": None, "curl": "wavy"}).raise_for_status()
    assert web.get(f"{LINKS}/{token}").json()["answers"] == {"age_months": 30.0, "curl": "wavy"}


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"age_months": 5000}, "360"),
        ({"feel": "silkyy"}, "silky"),
        ({"colour": "red"}, "not a question"),
        ({"feel": "silky", "age_months": "old"}, "number"),
    ],
)
def test_a_wrong_answer_is_refused_in_words_and_nothing_of_it_is_kept(web, token, wrong, word):
    answer = web.patch(f"{LINKS}/{token}/answers", json=wrong)
    assert answer.status_code == 422
    assert word in answer.json()["problem"]
    assert web.get(f"{LINKS}/{token}").json()["answers"] == {}


@pytest.mark.photos
def test_a_photo_gets_a_word_at_once_and_comes_back_without_place_and_device(web, token, photos):
    content = photo_with_place(photos / "oxford" / "havanese_1.jpg")
    assert Image.open(BytesIO(content)).getexif()
    [kept] = web.post(f"{LINKS}/{token}/photos", files=[("photos", ("dog.jpg", content))]).raise_for_status().json()
    assert kept["report"]["status"] in ("used", "doubtful")
    shown = web.get(f"{LINKS}/{token}/photos/{kept['id']}")
    assert shown.headers["content-type"] == "image/jpeg"
    assert not Image.open(BytesIO(shown.content)).getexif()
    over = Image.open(BytesIO(web.get(f"{LINKS}/{token}/photos/{kept['id']}/looked-at").content))
    assert over.mode == "RGBA"
    assert over.width / over.height == pytest.approx(kept["width"] / kept["height"], rel=0.02)
    lightest, darkest = over.getchannel("A").resize((40, 40)).getextrema()
    assert lightest < 60  # a part was looked at
    assert darkest > 150  # another was not


@pytest.mark.photos
def test_no_link_shows_or_removes_a_photo_of_another_dog(web, server, token, photos):
    content = (photos / "oxford" / "havanese_1.jpg").read_bytes()
    [kept] = web.post(f"{LINKS}/{token}/photos", files=[("photos", ("dog.jpg", content))]).json()
    other = server.start_dog("Otter")
    for method, path in (("GET", ""), ("GET", "/looked-at"), ("DELETE", "")):
        assert web.request(method, f"{LINKS}/{other}/photos/{kept['id']}{path}").status_code == 404
    assert web.get(f"{LINKS}/{token}/photos/{kept['id']}").status_code == 200


@pytest.mark.photos
def test_a_photo_taken_back_is_gone_from_the_disk(web, server, token, photos):
    content = (photos / "oxford" / "havanese_7.jpg").read_bytes()
    [kept] = web.post(f"{LINKS}/{token}/photos", files=[("photos", ("dog.jpg", content))]).json()
    before = set(server.data.rglob("*.jpg"))
    assert web.delete(f"{LINKS}/{token}/photos/{kept['id']}").status_code == 204
    assert len(before) - len(set(server.data.rglob("*.jpg"))) == 1


@pytest.mark.photos
def test_a_dog_has_no_more_photos_than_are_looked_at(web, server, token, photos):
    names = sorted((photos / "oxford").glob("havanese_1*.jpg"))[:9]
    reports = []
    for name in names:
        reports += web.post(f"{LINKS}/{token}/photos", files=[("photos", (name.name, name.read_bytes()))]).json()
    assert [bool(report["id"]) for report in reports] == [True] * 8 + [False]
    assert "already" in reports[-1]["report"]["reasons"][0]["text"]


def test_a_file_that_is_no_picture_is_refused_and_the_others_are_kept(web, token):
    files = [("photos", ("a.jpg", b"not a picture")), ("photos", ("b.gif", b"GIF89a" + bytes(40)))]
    reports = web.post(f"{LINKS}/{token}/photos", files=files).raise_for_status().json()
    assert [report["report"]["status"] for report in reports] == ["refused", "refused"]
    assert all(report["report"]["reasons"][0]["text"] for report in reports)


def test_the_sheet_and_the_dates_speak_german_too(web, token):
    web.patch(f"{LINKS}/{token}/answers", json={"breed": "Havanese", "feel": "soft", "curl": "wavy"}).raise_for_status()
    german = web.get(f"{LINKS}/{token}/sheet.html", params={"language": "de"})
    assert 'lang="de"' in german.text
    assert web.get(f"{LINKS}/{token}/sheet.pdf", params={"paper": "Letter"}).content.startswith(b"%PDF")
    assert web.get(f"{LINKS}/{token}/sheet.html", params={"language": "xx"}).status_code == 422


def test_there_is_no_sheet_of_a_dog_of_which_nothing_is_known(web, token):
    answer = web.get(f"{LINKS}/{token}/sheet.pdf")
    assert answer.status_code == 422
    assert "photo or some answers" in answer.json()["problem"]


@pytest.mark.parametrize(
    ("corners", "code"),
    [
        ([[0, 0], [10, 0], [10, 6], [0, 6]], "card_small"),
        ([[0, 0], [856, 0], [0, 0], [856, 0]], "card_small"),
        ([[0, 0], [600, 0], [600, 600], [0, 600]], "card_steep"),
    ],
)
def test_marks_that_are_no_cards_are_refused_in_words(web, token, corners, code):
    answer = web.post(f"{LINKS}/{token}/length", json={"corners": corners, "hair": [[0, 0], [100, 0]]})
    assert answer.status_code == 422
    assert answer.json()["code"] == code


def test_a_length_is_reckoned_without_being_kept_unless_wished(web, token):
    marks = {"corners": [[0, 0], [856, 0], [856, 539.8], [0, 539.8]], "hair": [[900, 0], [900, 400]]}
    found = web.post(f"{LINKS}/{token}/length", json=marks).raise_for_status().json()
    assert found["length_mm"] == pytest.approx(40, rel=0.04)
    assert found["low_mm"] < found["length_mm"] < found["high_mm"]
    assert web.get(f"{LINKS}/{token}").json()["answers"] == {}


def test_another_sites_page_can_not_change_a_dog_in_an_owners_name(web, token):
    headers = {"sec-fetch-site": "cross-site", "origin": "http://elsewhere.test"}
    assert web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"}, headers=headers).status_code == 403
    assert web.get(f"{LINKS}/{token}").json()["answers"] == {}


def test_every_change_is_noted_with_who_and_when(web, server, token):
    web.patch(f"{LINKS}/{token}/answers", json={"breed": "Havanese", "feel": "soft"}).raise_for_status()
    with open_records(f"sqlite:///{server.data / 'records.sqlite'}") as salon:
        dog = linked_dog(salon, token)
        notes = [change for change in salon.trail() if change.about == dog.id and "content" in (change.after or {})]
    assert [note.who for note in notes] == ["owner's link"]
    assert notes[0].after["content"] == {"breed": "Havanese", "feel": "soft"}


def test_what_was_told_is_kept_once_and_with_the_answers_it_used(tmp_path):
    with open_records(f"sqlite:///{tmp_path / 'records.sqlite'}") as salon:
        dog, token = owners.start(salon, "Tansy", days=1)
        looks = Looks()
        for feel in ("silky", "silky", "soft"):
            owners.save_answers(salon, token, {"breed": "Yorkshire Terrier", "feel": feel})
            for _ in range(2):
                of = owners.find(salon, token)
                owners.keep_assessment(salon, looks, of, owners.assess(salon, looks, of))
        kept = salon.find(StoredAssessment, dog_id=dog.id)
        assert len(kept) == 2
        assert [salon.get(AnswerSheet, one.answers_id).content["feel"] for one in kept] == ["silky", "soft"]


@pytest.mark.photos
def test_a_photo_is_looked_at_once_as_it_came(tmp_path, photos, monkeypatch):
    looked_at, look = [], estimating.look
    monkeypatch.setattr(estimating, "look", lambda content, name: looked_at.append(content) or look(content, name=name))
    with open_records(f"sqlite:///{tmp_path / 'records.sqlite'}") as salon:
        _, token = owners.start(salon, "Teasel", days=1)
        looks = Looks()
        content = (photos / "oxford" / "havanese_1.jpg").read_bytes()
        kept, report = owners.add_photo(salon, looks, token, content, "teasel.jpg", most=4)
        (told,) = looks.reports(salon, (kept,))
        assert looked_at == [content]
        assert (report.file, told.file) == ("teasel.jpg", "photo 1")
        assert report.model_copy(update={"file": told.file}) == told


def test_a_picture_without_a_dog_is_refused_by_its_name_and_not_kept(tmp_path):
    stream = BytesIO()
    Image.new("RGB", (400, 300), "green").save(stream, "PNG")
    with open_records(f"sqlite:///{tmp_path / 'records.sqlite'}") as salon:
        _, token = owners.start(salon, "Teasel", days=1)
        kept, report = owners.add_photo(salon, Looks(), token, stream.getvalue(), "lawn.png", most=4)
        assert (kept, report.file, report.status) == (None, "lawn.png", "refused")
        assert not owners.find(salon, token).photos


def test_what_a_groomers_hands_found_replaces_the_estimate_on_the_owners_page(tmp_path):
    with open_records(f"sqlite:///{tmp_path / 'records.sqlite'}") as salon:
        dog, token = owners.start(salon, "Fennel", days=1)
        owners.save_answers(salon, token, {"breed": "Beagle", "feel": "harsh"})
        salon.add(Finding(dog_id=dog.id, category="curly", by="Ada", lengths_mm={"trunk": 33.0}), who="Ada")
        of = owners.find(salon, token)
        told = owners.assess(salon, Looks(), of)
        assert told.regime == "hands_on"
        assert told.category.best == "curly"
        assert owners.situation(of, told).measured_mm == 33.0


@pytest.mark.photos
def test_an_owner_deletes_everything_by_the_link_and_no_browser_keeps_a_photo(server, web, photos):
    token = server.start_dog("Wilhelmina")
    content = (photos / "oxford" / "havanese_1.jpg").read_bytes()
    [kept] = web.post(f"{LINKS}/{token}/photos", files=[("photos", ("dog.jpg", content))]).json()
    for what in ("", "/looked-at"):
        picture = web.get(f"{LINKS}/{token}/photos/{kept['id']}{what}")
        assert "no-store" in picture.headers["cache-control"]
    web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"}).raise_for_status()
    assert web.delete(f"{LINKS}/{token}").json() == {"all_gone": True}
    assert web.get(f"{LINKS}/{token}").status_code == 404
    assert web.get(f"{LINKS}/{token}/photos/{kept['id']}").status_code == 404
    with open_records(f"sqlite:///{server.data / 'records.sqlite'}") as salon:
        assert not [dog for dog in salon.find(Dog) if dog.name == "Wilhelmina"]


def test_what_a_salon_entered_stays_with_the_salon_when_the_owner_deletes(server, web):
    token = server.start_dog("Theodora")
    web.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"}).raise_for_status()
    with open_records(f"sqlite:///{server.data / 'records.sqlite'}") as salon:
        dog = linked_dog(salon, token)
        salon.add(Finding(dog_id=dog.id, category="hair", by="Ada"), who="Ada")
        assert web.delete(f"{LINKS}/{token}").json() == {"all_gone": False}
        assert salon.get(Dog, dog.id).name == "Theodora"
        assert len(salon.find(Finding, dog_id=dog.id)) == 1
        assert not salon.find(AnswerSheet, dog_id=dog.id)
        assert linked_dog(salon, token) is None


def test_the_same_sheet_asked_for_again_is_not_made_again_and_a_change_is_seen_at_once(web, token):
    web.patch(f"{LINKS}/{token}/answers", json={"breed": "beagle", "trunk_length_mm": 12}).raise_for_status()
    first = web.get(f"{LINKS}/{token}/sheet.html").text
    assert web.get(f"{LINKS}/{token}/sheet.html").text == first
    web.patch(f"{LINKS}/{token}", json={"name": "Quillon"}).raise_for_status()
    assert "Quillon" in web.get(f"{LINKS}/{token}/sheet.html").text
