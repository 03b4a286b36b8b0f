"""The dog on the table: from the look on arrival over both offers to what is signed, printed and kept."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import Any

import httpx
import pytest
from PIL import Image
from pypdf import PdfReader
from salon_walk import change, enter, make_known, note, show, sign_in

from coatclass.intake import WORKS
from coatclass.records import Intake, Records, open_records

RATES = {
    "after": "€", "per_hour": 48, "de_matting_per_hour": 60, "least": 35, "step": 5,
    "table": [{"up_to_kg": 10, "minutes": 90, "price": 70}],
}  # fmt: skip
LEGS = {"places": {"left.legs": {"mats": "mats", "signs": []}}, "looked_over": True}


@pytest.fixture
def groomer(server: Any, web: httpx.Client) -> httpx.Client:
    make_known(server.data)
    sign_in(web)
    return web


def new_dog(web: httpx.Client, name: str, coat: str = "curly", patience: str = "tolerates", **known: Any) -> str:
    """An invented dog of an invented owner, whose coat hands have found."""
    owner = web.post("/api/v1/clients", json={"name": f"{name}'s owner", "phone": "0000 200"}).raise_for_status().json()
    born = (datetime.now(UTC) - timedelta(days=365 * known.pop("years", 4))).date().isoformat()
    dog = {"name": name, "client_id": owner["id"], "weight_kg": 9.0, "born_on": born, "breed": "", **known}
    dog_id = web.post("/api/v1/dogs", json=dog).raise_for_status().json()["id"]
    finding = {"category": coat, "lengths_mm": {"trunk": 45}, "patience": patience, "undercoat": "light"}
    web.post(f"/api/v1/dogs/{dog_id}/findings", json=finding).raise_for_status()
    return str(dog_id)


def look(web: httpx.Client, dog: str, found: dict[str, Any], seen: str = "", language: str = "en") -> str:
    body = {"found": found, "language": language, "seen": seen}
    return str(web.put(f"/api/v1/dogs/{dog}/intake", json=body).raise_for_status().json()["seen"])


def keep_rates(web: httpx.Client, rates: dict[str, Any]) -> None:
    web.put("/api/v1/rates", json=rates | {"seen": web.get("/api/v1/rates").json()}).raise_for_status()


def told(web: httpx.Client, dog: str) -> str:
    page = web.get(f"/groomer/offers/{dog}").raise_for_status().text
    return re.findall(r'data-told="([0-9a-f]{64})"', page)[0]


def signing(web: httpx.Client, dog: str, seen: str, **more: Any) -> httpx.Response:
    body = {"chosen": "keep", "how": "typed", "name": "Ottoline Farrow", "seen": seen, "told": told(web, dog)} | more
    return web.post(f"/api/v1/dogs/{dog}/intake/sign", json=body)


def records_of(server: Any) -> Records:
    return open_records(f"sqlite:///{server.data / 'records.sqlite'}")


def photo() -> bytes:
    stream = BytesIO()
    Image.effect_noise((600, 500), 80).convert("RGB").save(stream, "JPEG")
    return stream.getvalue()


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


# --- what is kept -----------------------------------------------------------------------------------------------------


def test_what_was_signed_without_a_look_is_not_signed_again_when_the_answer_got_lost(server, groomer):
    dog = new_dog(groomer, "Signedonce")
    words = told(groomer, dog)
    assert signing(groomer, dog, "", told=words).status_code == 201
    again = signing(groomer, dog, "", told=words)
    assert (again.status_code, again.json()["code"]) == (409, "conflict")
    with records_of(server) as salon:
        [signed] = salon.find(Intake, dog_id=dog)
    seen = groomer.post(f"/api/v1/dogs/{dog}/intakes/{signed.id}/again").raise_for_status().json()["seen"]
    assert signing(groomer, dog, seen).json()["version"] == 2  # a new version may be signed the same day


def test_two_looks_at_one_dog_that_stood_twice_become_one_and_nothing_is_lost(server, groomer):
    kept, other = new_dog(groomer, "Twice"), new_dog(groomer, "Twice again")
    mine = {
        "places": {"left.legs": {"mats": "mats", "signs": ["lump"]}, "right.ears": {"mats": "none", "signs": []}},
        "ears": "trouble", "nails": "long", "health": ["heart"], "looked_over": True, "remarks": "Grey muzzle.",
    }  # fmt: skip
    theirs = {
        "places": {"left.legs": {"mats": "felted", "signs": ["sores"]}, "top.trunk": {"mats": "tangles", "signs": []}},
        "ears": "dirty", "patience": "cannot_bear", "health": ["joints"], "remarks": "Limps behind.",
    }  # fmt: skip
    look(groomer, kept, mine)
    look(groomer, other, theirs)
    groomer.post(f"/api/v1/dogs/{kept}/merge", json={"duplicate": other}).raise_for_status()
    page = groomer.get(f"/groomer/intake/{kept}").raise_for_status().text
    assert "Grey muzzle." in page and "Limps behind." in page
    with records_of(server) as salon:
        [draft] = [one for one in salon.find(Intake, dog_id=kept) if one.signed_at is None]
    found = json.loads(draft.content)["found"]
    assert found["places"] == {
        "left.legs": {"mats": "felted", "signs": ["sores", "lump"]},
        "right.ears": {"mats": "none", "signs": []},
        "top.trunk": {"mats": "tangles", "signs": []},
    }
    assert (found["ears"], found["nails"], found["patience"]) == ("trouble", "long", "cannot_bear")
    assert found["health"] == ["heart", "joints"] and found["looked_over"] is False
    signing(groomer, kept, draft.sha256, chosen="vet").raise_for_status()


def test_remarks_too_long_for_one_look_are_all_shown_until_somebody_shortens_them(server, groomer):
    kept, other = new_dog(groomer, "Long"), new_dog(groomer, "Long again")
    for dog, word in ((kept, "one"), (other, "two")):
        look(groomer, dog, {"places": {}, "remarks": f"{word} " * 400})
    groomer.post(f"/api/v1/dogs/{kept}/merge", json={"duplicate": other}).raise_for_status()
    page = groomer.get(f"/groomer/intake/{kept}").raise_for_status().text
    assert page.count("one ") >= 400 and page.count("two ") >= 400
    with records_of(server) as salon:
        drafts = salon.find(Intake, dog_id=kept)
    assert len(drafts) == 2
    seen = re.findall(r'data-seen="([0-9a-f]{64})"', page)[0]
    look(groomer, kept, {"places": {}, "remarks": "one and two"}, seen=seen)
    with records_of(server) as salon:
        [draft] = salon.find(Intake, dog_id=kept)
    assert json.loads(draft.content)["found"]["remarks"] == "one and two"


def test_what_is_signed_stays_word_for_word_whatever_changes_later(groomer: httpx.Client) -> None:
    keep_rates(groomer, RATES)
    dog = new_dog(groomer, "Bilberry")
    seen = look(groomer, dog, LEGS, language="de")
    kept = signing(groomer, dog, seen).raise_for_status().json()
    address = f"/api/v1/dogs/{dog}/intakes/{kept['id']}/sheet.pdf"
    before = groomer.get(address).raise_for_status().content
    said = text_of(before)
    assert "Was gefunden und was vereinbart wurde" in said and "Entfilzen und das Fell erhalten" in said
    assert "Beine, linke Seite" in said and "€" in said and kept["sha256"] in said.replace(" ", "")
    keep_rates(groomer, RATES | {"per_hour": 99, "after": "Fr."})
    change(groomer, f"dogs/{dog}", name="Renamed", weight_kg=30.0).raise_for_status()
    assert groomer.get(address, params={"language": "en"}).content == before
    file = groomer.get(f"/api/v1/dogs/{dog}").json()
    assert [one["state"] for one in file["appointments"]] == ["planned"]  # it belongs to a visit, made now


def test_a_new_version_leaves_the_signed_one(groomer: httpx.Client) -> None:
    dog = new_dog(groomer, "Sorrel")
    first = signing(groomer, dog, look(groomer, dog, LEGS)).json()
    again = groomer.post(f"/api/v1/dogs/{dog}/intakes/{first['id']}/again").raise_for_status().json()
    more = {"places": {**LEGS["places"], "top.tail": {"mats": "felted", "signs": []}}, "looked_over": True}
    second = signing(groomer, dog, look(groomer, dog, more, again["seen"])).json()
    assert (first["version"], second["version"]) == (1, 2)
    sheets = [
        text_of(groomer.get(f"/api/v1/dogs/{dog}/intakes/{one['id']}/sheet.pdf").content) for one in (first, second)
    ]
    assert "tail" not in sheets[0].lower().split("both ways")[0] and "Tail, from above felted" in sheets[1]
    assert "It replaces version 1" in sheets[1]


def test_nobody_signs_what_was_not_on_the_screen(groomer: httpx.Client) -> None:
    dog = new_dog(groomer, "Medlar")
    seen = look(groomer, dog, LEGS)
    words = told(groomer, dog)
    newer = look(groomer, dog, LEGS | {"remarks": "shy of feet"}, seen)
    refusals = {
        "an older look": signing(groomer, dog, seen),
        "older words": signing(groomer, dog, newer, told=words),
        "nothing drawn": signing(groomer, dog, newer, how="screen", strokes=[]),
        "a dot": signing(groomer, dog, newer, how="screen", strokes=[[[300, 200], [304, 203], [300, 200]]]),
        "nobody's name": signing(groomer, dog, newer, name=" \u200b "),
        "a name of blanks": signing(groomer, dog, newer, name="   "),
        "a way that is not offered": signing(groomer, dog, newer, chosen="vet"),
    }
    assert {why: one.status_code for why, one in refusals.items()} == {
        "an older look": 409, "older words": 409, "nothing drawn": 422, "a dot": 422, "nobody's name": 422,
        "a name of blanks": 422, "a way that is not offered": 422,
    }  # fmt: skip
    assert (
        groomer.put(f"/api/v1/dogs/{dog}/intake", json={"found": LEGS, "language": "en", "seen": seen}).status_code
        == 409
    )
    assert signing(groomer, dog, newer).status_code == 201
    twice = signing(groomer, dog, newer, chosen="clip")
    assert twice.status_code == 409 and "was signed already" in twice.text


def test_photos_of_places_go_with_the_signed_record_and_stay(groomer: httpx.Client) -> None:
    dog = new_dog(groomer, "Quince")
    seen = look(groomer, dog, LEGS)
    add = f"/api/v1/dogs/{dog}/intake/photos"
    upload = {"photos": ("leg.jpg", photo(), "image/jpeg")}
    assert groomer.post(add, params={"place": "left.wing"}, files=upload).status_code == 422
    loose, kept = (groomer.post(add, params={"place": "left.legs"}, files=upload).json()[0] for _ in range(2))
    assert groomer.delete(f"/api/v1/dogs/{dog}/places/{loose['id']}").status_code == 204
    signed = signing(groomer, dog, seen).raise_for_status().json()
    assert groomer.delete(f"/api/v1/dogs/{dog}/places/{kept['id']}").json()["code"] == "signed"
    printed = groomer.get(f"/api/v1/dogs/{dog}/intakes/{signed['id']}/sheet.pdf").content
    assert sum(len(page.images) for page in PdfReader(BytesIO(printed)).pages) == 1
    assert "Photos Legs, left side" in text_of(printed)
    assert groomer.get(f"/api/v1/dogs/{dog}/places/{kept['id']}").headers["content-type"] == "image/jpeg"
    groomer.post(f"/api/v1/dogs/{dog}/delete", json={"name": "Quince"}).raise_for_status()
    assert groomer.get(f"/api/v1/dogs/{dog}/places/{kept['id']}").status_code == 404


def test_a_dog_with_sores_is_offered_nothing_but_a_vet(groomer: httpx.Client) -> None:
    dog = new_dog(groomer, "Teasel")
    seen = look(groomer, dog, {"places": {"top.trunk": {"mats": "felted", "signs": ["sores"]}}, "looked_over": True})
    page = groomer.get(f"/groomer/offers/{dog}").text
    assert 'name="chosen" value="vet"' in page
    assert 'name="chosen" value="keep"' not in page and 'name="chosen" value="clip"' not in page
    assert signing(groomer, dog, seen, chosen="clip").status_code == 422
    assert signing(groomer, dog, seen, chosen="vet").status_code == 201


def test_only_groomers_see_any_of_it(server: Any, groomer: httpx.Client) -> None:
    dog = new_dog(groomer, "Yarrow")
    kept = signing(groomer, dog, look(groomer, dog, LEGS)).json()
    with httpx.Client(base_url=server.url, timeout=60) as stranger:
        for path in (f"intakes/{kept['id']}/sheet.pdf", "intake/sheet.pdf"):
            assert stranger.get(f"/api/v1/dogs/{dog}/{path}").status_code in (401, 403)
        assert stranger.put(f"/api/v1/dogs/{dog}/intake", json={}).status_code in (401, 403)
        assert stranger.get("/api/v1/rates").status_code in (401, 403)


@pytest.mark.parametrize(("chosen", "work"), [("keep", "de_matting"), ("clip", "short_clip"), ("none", None)])
def test_the_work_that_was_signed_is_chosen_at_the_end_of_the_visit(
    groomer: httpx.Client, chosen: str, work: str | None
) -> None:
    dog = new_dog(groomer, f"Fescue {chosen}")
    signing(groomer, dog, look(groomer, dog, LEGS), chosen=chosen).raise_for_status()
    for page in (f"end/{dog}", f"dog/{dog}"):
        chosen_works = re.findall(r'<option value="(\w+)" selected>', groomer.get(f"/groomer/{page}").text)
        assert [one for one in chosen_works if one in WORKS] == ([work] if work else [])


def test_minutes_that_visits_took_change_what_is_told_next(groomer: httpx.Client) -> None:
    """Finished visits of an invented dog that took twice as long as assumed."""
    dog = new_dog(groomer, "Campion")
    ranges = []
    for _ in range(4):
        kept = signing(groomer, dog, look(groomer, dog, LEGS)).json()
        visit = groomer.get(f"/api/v1/dogs/{dog}").json()["appointments"][-1]
        said = text_of(groomer.get(f"/api/v1/dogs/{dog}/intakes/{kept['id']}/sheet.pdf").content)
        ranges.append(int(re.findall(r"about (\d+) minutes", said)[0]))
        said = {"state": "done", "took_minutes": 2 * ranges[0], "work": "de_matting"}
        note(groomer, dog, visit["id"], **said).raise_for_status()
    assert ranges == sorted(ranges) and ranges[0] < ranges[-1] < 2 * ranges[0]
    page = groomer.get("/groomer/rates").text
    assert re.search(r"On \d+ finished visits with their minutes", page) and "Visits left out" not in page
    # A slip of the pen teaches nothing, is told, and can be corrected where it was noted.
    note(groomer, dog, visit["id"], **said | {"took_minutes": 3}).raise_for_status()
    slipped = groomer.get("/groomer/rates").text
    assert "Visits left out: 1." in slipped and slipped.count("finished visits") == page.count("finished visits")
    form = groomer.get(f"/groomer/dog/{dog}").text
    assert "Correct the minutes" in form and re.search(r'name="took_minutes"[^>]* value="3"', form)
    note(groomer, dog, visit["id"], **said).raise_for_status()
    assert groomer.get("/groomer/rates").text == page


# --- the journey ------------------------------------------------------------------------------------------------------

BROWSER = pytest.mark.browser


def name_by_keyboard(page: Any) -> None:
    """Walk to the belly seen from below, open it, say tangles and a lump, and come back."""
    page.locator('svg[data-view="below"] .zone[tabindex="0"]').focus()
    for _ in range(8):
        if page.evaluate("document.activeElement.dataset.zone") == "belly":
            break
        page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "button"
    assert page.evaluate("document.activeElement.dataset.zone") == "belly"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.name") == "place-mats"
    page.keyboard.press("ArrowRight")  # not looked at -> none
    page.keyboard.press("ArrowRight")  # -> tangles
    page.locator('[name="place-sign"][value="lump"]').focus()
    page.keyboard.press("Space")
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.dataset.zone") == "belly"
    assert "lump" in page.evaluate("document.activeElement.getAttribute('aria-label')")


def draw_signature(page: Any) -> None:
    field = page.locator("[data-signature]")
    field.scroll_into_view_if_needed()
    box = field.bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + 40)
    page.mouse.down()
    for step in range(12):
        page.mouse.move(box["x"] + 20 + 18 * step, box["y"] + 40 + (25 if step % 2 else -10))
    page.mouse.up()


@BROWSER
@pytest.mark.parametrize("width", [360, 1280])
def test_from_the_look_over_both_offers_to_the_signed_page(
    width: int, server: Any, groomer: httpx.Client, visitor: Callable[..., Any], axe: Callable[..., list[str]]
) -> None:
    keep_rates(groomer, RATES)
    dog = new_dog(groomer, f"Bryony {width}", patience="enjoys")
    page = visitor({"width": width, "height": 800})
    enter(page, server.url)
    show(page, f"intake/{dog}")
    assert axe(page) == []
    name_by_keyboard(page)
    # By tapping.
    page.locator('svg[data-view="left"] .zone[data-zone="legs"]').click(position={"x": 5, "y": 20}, force=True)
    page.locator("[name=place-mats][value=mats]").check()
    page.locator("[name=looked_over]").check()
    page.wait_for_selector('[data-saved-word]:has-text("Saved.")')
    assert axe(page) == []
    # What was entered is there after loading the page again.
    page.reload()
    page.wait_for_selector("[data-open-place]")
    assert page.locator("[data-open-place]").count() == 2
    page.locator("[data-after-saving]").click()
    page.wait_for_selector("[data-sign]")
    assert page.locator("[data-way=keep] dd", has_text="legs").count() == 1
    assert axe(page) == []
    assert all("€" in page.locator(f"[data-way={way}]").inner_text() for way in ("keep", "clip"))
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.locator("[type=submit]", has_text="Sign and keep").click()
    assert "Choose first" in page.locator("[data-sign] [data-error]").inner_text()
    page.locator('[name="chosen"][value="keep"]').check()
    draw_signature(page)
    page.locator("[type=submit]", has_text="Sign and keep").click()
    page.wait_for_selector(".chosen")
    assert axe(page) == []
    assert page.locator(".chosen b").inner_text().startswith("☒ Keep the coat")
    assert page.locator(".signature path").count() == 1
    href = page.locator("a", has_text="Print (PDF)").get_attribute("href")
    printed = page.request.get(f"{server.url}{href}").body()
    said = text_of(printed)
    assert "Signed on the screen by" in said and "Belly, from below tangles and lump" in said
    assert page.said == []


@BROWSER
@pytest.mark.parametrize("language", ["en", "de"])
def test_what_is_signed_while_the_line_is_down_waits_on_the_screen_and_is_signed_once(
    language: str, server: Any, groomer: httpx.Client, visitor: Callable[..., Any]
) -> None:
    dog = new_dog(groomer, f"Campion {language}", patience="enjoys")
    look(groomer, dog, LEGS)
    page, other = (visitor({"width": 1024, "height": 768}, locale=language) for _ in range(2))
    for one in (page, other):
        enter(one, server.url)
        show(one, f"offers/{dog}")
    page.locator('[name="chosen"][value="clip"]').check()
    draw_signature(page)
    page.context.set_offline(True)
    page.locator("[data-sign] [type=submit]").click()
    complaint = page.locator("[data-sign] [data-error]")
    complaint.wait_for()
    assert page.locator("[data-signature] .ink").count() == 1
    page.context.set_offline(False)
    page.locator("[data-sign] [type=submit]").click()
    page.wait_for_selector(".chosen")
    # The other tab still shows both ways.
    other.locator('[name="chosen"][value="keep"]').check()
    other.locator('[name="how"][value="typed"]').check()
    other.locator("[data-sign] [type=submit]").click()
    complaint = other.locator("[data-sign] [data-error]")
    complaint.wait_for()
    assert ("signed already" if language == "en" else "schon unterschrieben") in complaint.inner_text()
    assert groomer.get(f"/groomer/dog/{dog}").text.count('href="/groomer/signed/') == 1
    assert page.said == other.said == []


@BROWSER
def test_a_look_that_was_begun_is_kept_when_one_leaves_at_once(
    server: Any, groomer: httpx.Client, visitor: Callable[..., Any]
) -> None:
    dog = new_dog(groomer, "Tansy")
    page = visitor({"width": 1024, "height": 768})
    enter(page, server.url)
    show(page, f"intake/{dog}")
    page.locator("#remarks").fill("is afraid of the dryer")
    page.locator(f'a[data-go="dog/{dog}"]').click()
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    show(page, f"intake/{dog}")
    assert page.locator("#remarks").input_value() == "is afraid of the dryer"
    seen = page.locator("[data-intake]").get_attribute("data-seen")
    assert json.loads(page.locator("[data-places]").get_attribute("data-places")) == {} and len(seen) == 64
