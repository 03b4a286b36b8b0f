"""The end of a visit: the technique check changes the plan, the next one shows it, and what was noted stays private."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from io import BytesIO
from pathlib import Path

import httpx
import pytest
from fastapi.testclient import TestClient
from icalendar import Calendar
from PIL import Image
from salon_walk import PASSWORD, change, doubtful_dog, enter, make_known, show, sign_in

from app.server import create_app
from app.settings import Settings
from coatclass.records import CheckRecord, Dog, UserRole, add_user, open_records
from coatclass.words import catalogue

FITS = Path(__file__).with_name("fits.js").read_text("utf-8")
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
FINDING = {"category": "curly", "lengths_mm": {"trunk": 40}, "mats": {"armpits": "tangles"}, "patience": "tolerates"}
FAILED = {"zones": {"trunk": "passed", "legs": "stopped"}, "faults": ["surface_only"], "tool": "boar_bristle_brush"}


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    app = create_app(Settings(data=tmp_path_factory.mktemp("salon"), workbench=False))
    add_user(app.state.records, "Ada", PASSWORD, UserRole.GROOMER)
    web = TestClient(app)
    assert sign_in(web).status_code == 200
    return web


@pytest.fixture
def dog(web):
    found = doubtful_dog(web)
    web.post(f"/api/v1/dogs/{found}/findings", json=FINDING).raise_for_status()
    return found


def check(web, dog, **entry):
    return web.post(f"/api/v1/dogs/{dog}/checks", json=FAILED | entry)


# --- over HTTP --------------------------------------------------------------------------------------------------------


def test_a_check_is_kept_and_changes_assessment_page_sheet_and_terminal_json(web, dog):
    before = web.get(f"/api/v1/dogs/{dog}/assessment").json()
    assert before["changes"] == []
    assert check(web, dog).status_code == 201
    after = web.get(f"/api/v1/dogs/{dog}/assessment").json()
    [surface, *_] = [one["text"] for one in after["changes"]]
    assert "Part the hair" in surface
    for address in (f"/groomer/dog/{dog}", f"/api/v1/dogs/{dog}/sheet.html"):
        assert surface.split(".")[0] in web.get(address).text, address
    german = web.get(f"/api/v1/dogs/{dog}/sheet.html?language=de").text
    assert "Scheiteln Sie das Haar" in german


@pytest.mark.parametrize(
    ("entry", "status"),
    [
        ({"zones": {}}, 422),
        ({"zones": {"wing": "passed"}}, 422),
        ({"zones": {"legs": "perhaps"}}, 422),
        ({"faults": ["bad weather"]}, 422),
        ({"tool": "A Brush!"}, 422),
        ({"appointment_id": "0" * 32}, 404),
    ],
)
def test_what_is_no_check_is_refused_and_nothing_is_kept(web, dog, entry, status):
    said = check(web, dog, **entry)
    assert said.status_code == status, said.text
    assert "problem" in said.json() or "detail" in said.json()
    assert web.app.state.records.find(CheckRecord, dog_id=dog) == ()


def test_a_dog_in_pain_gets_no_check_and_the_page_offers_none(web, dog):
    web.patch(f"/api/v1/dogs/{dog}/answers", json={"skin_trouble": ["pain"]}).raise_for_status()
    said = check(web, dog)
    assert said.status_code == 409 and "must not be brushed" in said.text
    page = web.get(f"/groomer/check/{dog}").text
    assert "No technique check today" in page and "data-list" not in page


@pytest.mark.parametrize(
    ("place", "refused"),
    [({"signs": ["pain"]}, {"trunk", "legs"}), ({"signs": ["redness"]}, {"legs"}), ({"mats": "tight_mats"}, {"legs"})],
)
def test_what_was_seen_on_arrival_today_closes_the_check_there(still_clock, web, dog, place, refused):
    look = {"found": {"places": {"left.legs": place}}, "language": "en", "seen": ""}
    web.put(f"/api/v1/dogs/{dog}/intake", json=look).raise_for_status()
    for zone in ("legs", "trunk"):
        said = check(web, dog, zones={zone: "passed"}, faults=[])
        assert said.status_code == (409 if zone in refused else 201), (zone, said.text)


def test_a_place_that_waits_for_the_groomer_is_not_combed(web, dog):
    web.post(f"/api/v1/dogs/{dog}/findings", json=FINDING | {"mats": {"tail": "tight_mats"}}).raise_for_status()
    assert check(web, dog, zones={"tail": "passed"}).status_code == 409
    page = web.get(f"/groomer/check/{dog}").text
    assert 'data-key="tail"' not in page and "Left out" in page


def test_a_check_taken_back_changes_nothing_any_more(web, dog):
    kept = check(web, dog).json()
    assert web.delete(f"/api/v1/dogs/{dog}/checks/{kept['id']}").status_code == 204
    assert web.get(f"/api/v1/dogs/{dog}/assessment").json()["changes"] == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_end_of_a_visit_tells_what_was_noted_today(still_clock, web, dog, language):
    at = still_clock.astimezone().replace(hour=12)
    web.post(f"/api/v1/dogs/{dog}/appointments", json={"starts_at": at.isoformat()}).raise_for_status()
    words = catalogue(language, "visit")
    page = web.get(f"/groomer/end/{dog}", headers={"accept-language": language}).text
    assert page.count(words.say("page.done")) == 1, "the finding"
    check(web, dog)
    page = web.get(f"/groomer/end/{dog}", headers={"accept-language": language}).text
    assert page.count(words.say("page.done")) == 2


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_next_visit_is_the_one_after_todays_on_page_sheet_link_and_calendar(still_clock, web, dog, language):
    day = still_clock.astimezone().date()
    today, ahead = (
        datetime.combine(day + timedelta(days=days), at).astimezone()
        for days, at in ((0, time(23, 58)), (41, time(10, 15)))
    )
    words, link = catalogue(language), web.post(f"/api/v1/dogs/{dog}/links").raise_for_status().json()["path"]
    token = link.partition("dog=")[2]
    title = words.say("care.event.booked", dog="Fennel")

    def shown():
        paper = web.get(f"/api/v1/dogs/{dog}/sheet.html?language={language}").raise_for_status().text
        dates = web.get(f"/api/v1/dogs/{dog}/calendar.ics?language={language}").raise_for_status().text
        own = TestClient(web.app).get(f"/api/v1/dogs/by-link/{token}/calendar.ics?language={language}").text
        return paper, dates, own

    web.post(f"/api/v1/dogs/{dog}/appointments", json={"starts_at": today.isoformat()}).raise_for_status()
    assert not any(title in one for one in shown())
    booked = {"starts_at": ahead.isoformat(), "minutes": 75}
    web.post(f"/api/v1/dogs/{dog}/appointments", json=booked).raise_for_status()
    paper, *calendars = shown()
    assert title in paper and f"{words.day(ahead.date())}, 10:15" in paper
    for calendar in calendars:
        [event] = [one for one in Calendar.from_ical(calendar).events if str(one["SUMMARY"]) == title]
        assert event["DTSTART"].dt == ahead.replace(tzinfo=None) and event["DURATION"].dt == timedelta(minutes=75)
    page = web.get(f"/groomer/end/{dog}", headers={"accept-language": language}).text
    assert f"{words.day(ahead.date())}, 10:15" in page and words.day(today.date()) not in page


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_dog_of_which_nothing_is_known_is_not_said_to_be_in_pain(web, language):
    unknown = web.post("/api/v1/dogs", json={"name": "Moss"}).raise_for_status().json()["id"]
    page = web.get(f"/groomer/check/{unknown}", headers={"accept-language": language}).text
    words = catalogue(language, "visit")
    assert words.say("page.check_unknown") in page and words.say("page.check_none") not in page
    assert f"/groomer/finding/{unknown}" in page
    said = web.post(f"/api/v1/dogs/{unknown}/checks", json=FAILED, headers={"accept-language": language})
    assert said.status_code == 409 and "dieser Hund darf" not in said.text and "must not be" not in said.text


def test_the_researchers_page_tells_no_total_over_few_dogs(web, dog):
    web.put(f"/api/v1/dogs/{dog}/counted", json={"counted": True}).raise_for_status()
    check(web, dog).raise_for_status()
    assert "Too few dogs count yet." in web.get("/researcher/").text


def test_a_dog_whose_comb_stopped_stands_on_todays_list_until_it_passes(web, dog):
    change(web, f"dogs/{dog}", name="Quillon").raise_for_status()
    check(web, dog).raise_for_status()
    assert "Quillon" in _stopped(web)
    check(web, dog, zones={"trunk": "passed", "legs": "passed"}, faults=[]).raise_for_status()
    assert "Quillon" not in _stopped(web)


def _stopped(web):
    page = web.get("/groomer/today").text
    start = page.find('id="h-stopped"')
    return page[start:] if start >= 0 else ""


def test_a_photo_of_the_finding_stays_with_the_check_until_it_is_removed(web, dog):
    there = f"/api/v1/dogs/{dog}/intake/photos?place=left.legs"
    [photo] = web.post(there, files={"photos": ("legs.png", a_picture())}).raise_for_status().json()
    kept = check(web, dog, photo_id=photo["id"]).raise_for_status().json()
    assert photo["id"] in web.get(f"/groomer/dog/{dog}").text
    assert web.delete(f"/api/v1/dogs/{dog}/places/{photo['id']}").status_code == 204
    assert web.app.state.records.get(CheckRecord, kept["id"]).photo_id is None


def test_nobody_counts_a_dog_before_the_owner_has_agreed(web, dog):
    assert web.app.state.records.get(Dog, dog).counted_since is None
    web.put(f"/api/v1/dogs/{dog}/counted", json={"counted": True}).raise_for_status()
    assert web.app.state.records.get(Dog, dog).counted_since is not None
    web.put(f"/api/v1/dogs/{dog}/counted", json={"counted": False}).raise_for_status()
    assert web.app.state.records.get(Dog, dog).counted_since is None


def test_the_salons_guards_stand_in_the_lengths_to_come(web, dog):
    web.patch(f"/api/v1/dogs/{dog}/answers", json={"minutes_per_week": 60, "weight_kg": 8}).raise_for_status()
    assert web.put("/api/v1/guards", json={"guards": {"no mm": 0}, "seen": {}}).status_code == 422
    entered = {f"snap-on {mm}": mm for mm in (25, 3, 6, 9, 13, 16, 19, 22)}
    kept = web.put("/api/v1/guards", json={"guards": entered, "seen": {}}).raise_for_status().json()
    assert [one["mm"] for one in kept] == sorted(entered.values())
    assert "snap-on" in web.get(f"/api/v1/dogs/{dog}/sheet.html").text
    assert "snap-on 13" in web.get("/groomer/guards").text


def test_without_a_sign_in_none_of_it_is_there(web, dog):
    stranger = TestClient(web.app)
    assert stranger.post(f"/api/v1/dogs/{dog}/checks", json=FAILED).status_code in (401, 403)
    assert stranger.put(f"/api/v1/dogs/{dog}/counted", json={"counted": True}).status_code in (401, 403)
    assert stranger.get("/api/v1/guards").status_code in (401, 403)


def test_a_coat_goes_in_with_two_taps(web):
    dog = doubtful_dog(web, "Teasel")
    feel = web.get(f"/api/v1/dogs/{dog}/assessment").json()["feel"]
    assert 1 <= len(feel) <= 3
    first = feel[0]["touch"]
    outcome = next(iter(feel[0]["says"]))
    page = web.get(f"/groomer/bench/{dog}?{first}={outcome}").text  # the first tap
    assert "Keep as found" in page and f"POST /api/v1/dogs/{dog}/findings" in page


# --- in a browser -----------------------------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.parametrize("language", ["en", "de"])
def test_on_a_phone_every_zone_of_the_check_stands_clear_of_its_answers(server, visitor, language):
    make_known(server.data)
    with httpx.Client(base_url=server.url, timeout=60) as salon:
        sign_in(salon).raise_for_status()
        dog = doubtful_dog(salon, f"Nettle {language}")
        salon.post(f"/api/v1/dogs/{dog}/findings", json=FINDING).raise_for_status()
    page = visitor({"width": 360, "height": 780}, locale=language)
    enter(page, server.url)
    show(page, f"check/{dog}")
    for width in (320, 360, 1280):
        page.set_viewport_size({"width": width, "height": 780})
        assert page.evaluate(COVERED) == []


COVERED = """() => [...document.querySelectorAll(".pass")].flatMap((group) => {
    const text = document.createRange(); text.selectNodeContents(group.querySelector("legend"));
    const name = text.getBoundingClientRect();
    return [...group.querySelectorAll("input, label span")].map((one) => one.getBoundingClientRect())
      .filter((at) => at.left < name.right && at.right > name.left && at.top < name.bottom && at.bottom > name.top)
      .map(() => group.textContent.trim());
})"""


@pytest.mark.browser
def test_from_a_failed_check_over_the_changed_plan_to_the_passed_one_and_the_chart(server, visitor, axe):
    make_known(server.data)
    with httpx.Client(base_url=server.url, timeout=60) as salon:
        sign_in(salon).raise_for_status()
        dog = doubtful_dog(salon, "Sorrel", "Wilhelmina Pike")
        calm = {"weight_kg": 8, "swims": False, "wears_harness": False, "days_since_combed": 1, "baths_per_month": 0.5}
        salon.patch(f"/api/v1/dogs/{dog}/answers", json=calm).raise_for_status()
        salon.post(f"/api/v1/dogs/{dog}/findings", json=FINDING | {"lengths_mm": {"trunk": 22}}).raise_for_status()
    page = visitor(PHONE)
    enter(page, server.url)
    show(page, f"check/{dog}")
    assert page.evaluate(FITS) == []
    page.locator('input[data-key="armpits"][value="stopped"]').check()
    page.locator('input[data-key="legs"][value="stopped"]').check()
    page.click("[data-rest]")
    page.check('input[data-list="faults"][value="surface_only"]')
    page.check('input[data-list="faults"][value="too_seldom"]')
    page.select_option("#tool", "boar_bristle_brush")
    page.set_input_files("#photo", {"name": "legs.png", "mimeType": "image/png", "buffer": a_picture()})
    page.wait_for_selector('[name=photo_id]:not([value=""])', state="attached")
    assert axe(page) == []
    page.click("[type=submit].main")
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    told = page.locator("#content").inner_text()
    assert "Only the surface was brushed" in told and "It was done too seldom" in told
    assert "stopped: armpits and legs" in told.lower()
    assert page.locator(f'img[src^="/api/v1/dogs/{dog}/places/"]').count() == 1

    _six_weeks_ago(server.data, dog)
    page = visitor(DESK)
    enter(page, server.url)
    show(page, f"check/{dog}")
    page.click("[data-rest]")
    page.click("[type=submit].main")
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    told = page.locator("#content").inner_text()
    assert "The comb went through everywhere" in told
    assert "It was done too seldom" not in told
    chart = page.locator("#content svg", has_text="Armpits").last
    assert "comb stopped: armpits" in (chart.locator("desc").text_content() or "")
    assert page.evaluate(FITS) == []
    assert axe(page) == []
    assert page.said == []


def a_picture():
    stream = BytesIO()
    Image.new("RGB", (300, 300), "tan").save(stream, "PNG")
    return stream.getvalue()


def _six_weeks_ago(data, dog):
    """The visit lies back: its check is as old as a visit usually is."""
    with open_records(f"sqlite:///{data / 'records.sqlite'}") as records:
        [kept] = records.find(CheckRecord, dog_id=dog)
        records.change(kept, who="test", checked_at=datetime.now(UTC) - timedelta(weeks=6))
