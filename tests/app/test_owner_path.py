"""An owner gets from a photo to a kit, on a phone and on a desktop, and everything on the way can be read and used."""

from __future__ import annotations

from pathlib import Path

import pytest
from owner_walk import DESKTOP, PHONE, add_photo, begin, press_and_wait, step_of, to_result, token_of, unfold

pytestmark = pytest.mark.browser

HAVANESE = {
    "breed": "Havanese", "breed_known_by": "papers", "age_months": 40, "feel": "soft", "curl": "wavy",
    "lie": "lies_flat", "shedding": "little", "keeps_growing": True, "beard_and_brows": True,
    "undercoat_seen": "light", "comb_reaches_skin": True, "wet_lock_curls": False, "last_trim_how": "scissored",
    "last_trim_weeks": 9, "skin_trouble": [], "mats": {"behind_ears": "tangles", "trunk": "none"},
    "patience": "tolerates", "minutes_per_week": 60, "wished_length_mm": 40, "weight_kg": 5.5, "days_since_combed": 5,
    "baths_per_month": 1, "brushed_before_bath": "sometimes", "expecting": False, "swims": False, "wears_harness": True,
    "wears_clothing": False, "collar_on_full_neck": False,
}  # fmt: skip


FITS = (Path(__file__).parent / "fits.js").read_text(encoding="utf-8")


@pytest.mark.photos
@pytest.mark.slow
@pytest.mark.parametrize("screen", [(PHONE, "dark"), (DESKTOP, "light")], ids=["phone", "desktop"])
def test_an_owner_gets_from_a_photo_to_a_kit_and_every_view_is_accessible(server, visitor, axe, photos, screen):
    page = visitor(*screen)
    problems: dict[str, list[str]] = {}

    def look() -> None:
        found = axe(page) + page.evaluate(FITS)
        if found:
            problems[step_of(page)] = found

    page.goto(f"{server.url}/owner/")
    page.wait_for_selector("[data-form=start]")
    look()
    begin(page, server.url)
    look()
    add_photo(page, photos / "oxford" / "havanese_1.jpg")
    assert page.locator("figcaption p").first.inner_text()  # a word on its quality, at once
    look()
    press_and_wait(page, "[data-go=next].main")
    asked = to_result(page, HAVANESE, look)
    look()
    unfold(page)
    look()
    assert problems == {}
    assert page.said == []
    assert 5 <= len(asked) <= 15

    page.evaluate("document.querySelectorAll('img[loading]').forEach(picture => picture.loading = 'eager')")
    page.wait_for_function("() => [...document.querySelectorAll('.page img')].every(picture => picture.complete)")
    assert (
        page.evaluate("[...document.querySelectorAll('.page img')].filter(p => !p.naturalWidth).map(p => p.src)") == []
    )
    words = page.inner_text("#content")
    assert "in 10 dogs that look like this and have answers like these" in words
    for part in (
        "Why not another tool",
        "At today's length the coat takes",
        "Dates",
        "Good to know",
        "What was looked at",
    ):
        assert part in words
    hosts = {address.split("/")[2] for address in page.asked if address.startswith("http")}
    assert hosts == {server.url.split("/")[2]}  # nothing asks any other host
    files = {name: page.request.get(f"{server.url}/api/v1/dogs/by-link/{token_of(page)}/{name}").body() for name in
             ("sheet.pdf", "calendar.ics", "sheet.html")}  # fmt: skip
    assert files["sheet.pdf"].startswith(b"%PDF")
    assert files["calendar.ics"].startswith(b"BEGIN:VCALENDAR")
    assert b"Bramble" in files["sheet.html"]


def test_the_check_for_accessibility_finds_what_is_wrong(visitor, axe):
    page = visitor()
    page.set_content('<html lang="en"><title>x</title><img src="x.png"><p style="color:#999">pale</p></html>')
    assert {problem.split(":")[0] for problem in axe(page)} == {"image-alt", "color-contrast"}


def test_every_question_can_be_passed_and_the_result_then_says_that_nobody_knows(server, visitor):
    page = visitor()
    begin(page, server.url)
    press_and_wait(page, "[data-go=next]")
    passed = []
    while step_of(page) != "result":
        assert step_of(page) not in passed  # nothing is asked twice
        passed.append(step_of(page))
        assert len(passed) < 25
        press_and_wait(page, "[data-pass]")
    assert page.inner_text("h1") == "Nothing is known yet"  # no photo was given, so none could fail
    assert "nobody can name a tool" in page.inner_text("#content")
    assert page.locator(".tool").count() == 0


def test_a_felted_dog_in_pain_gets_a_stop_before_any_tool(server, visitor, web, axe):
    token = server.start_dog("Juniper")
    given = {"breed": "Bichon Frise", "feel": "cottony", "mats": {"trunk": "felted"}, "skin_trouble": ["pain", "sores"]}
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json=given).raise_for_status()
    page = visitor()
    page.goto(f"{server.url}/owner/?dog={token}#result")
    page.wait_for_selector(".page[data-step=result]")
    stop = page.locator(".note.stop").first
    assert stop.bounding_box()["y"] < page.locator(".answer").bounding_box()["y"]
    assert "vet" in stop.inner_text().lower() or "groomer" in stop.inner_text().lower()
    assert axe(page) == []


def test_a_coat_that_only_hands_can_tell_comes_with_what_to_say_and_what_is_safe(server, visitor, web):
    token = server.start_dog("Fennel")
    given = {"parents": ["Golden Retriever", "Standard Poodle"], "feel": "soft", "curl": "wavy", "shedding": "steady"}
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json=given).raise_for_status()
    verdict = web.get(f"/api/v1/dogs/by-link/{token}/assessment").json()["verdict"]
    assert verdict == "hands_on"
    page = visitor()
    page.goto(f"{server.url}/owner/?dog={token}#result")
    page.wait_for_selector(".page[data-step=result]")
    assert "needs a pair of hands" in page.inner_text(".answer")
    unfold(page)
    words = page.inner_text("#content")
    assert "Please part the hair behind the shoulder" in words
    assert "Now, until the visit" in words and "Don't clip or cut the coat yourself" in words
