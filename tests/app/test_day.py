"""The salon's day: the week, all sheets of a day in one file, who found it, remarks to pick, and undo."""

from __future__ import annotations

from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

import httpx
import pytest
from pypdf import PdfReader
from salon_walk import doubtful_dog, enter, note, show

from coatclass.words import LANGUAGES, catalogue

pytestmark = pytest.mark.browser
FITS = Path(__file__).with_name("fits.js").read_text("utf-8")
# Far from today, so that no other test of this server books into the same week.
# By the clock on the wall: between now and then it may be put forward or back.
MONDAY = (datetime.now() + timedelta(days=7 * 60)).replace(hour=9, minute=0, second=0, microsecond=0)
MONDAY -= timedelta(days=MONDAY.weekday())


def book(salon, dog, at):
    booked = salon.post(f"/api/v1/dogs/{dog}/appointments", json={"starts_at": at.astimezone().isoformat()})
    return booked.raise_for_status().json()["id"]


@pytest.fixture(scope="module")
def booked(salon):
    """Two dogs of which something is known, one of which nothing is, on a Monday; one dog on the Sunday after."""
    first, second = (doubtful_dog(salon, name, f"{name}'s owner") for name in ("Sorrel", "Tansy"))
    unknown = salon.post("/api/v1/dogs", json={"name": "Nobody knows"}).raise_for_status().json()["id"]
    for hours, dog in ((0, first), (2, second), (4, unknown)):
        book(salon, dog, MONDAY + timedelta(hours=hours))
    book(salon, second, MONDAY + timedelta(days=6))
    return first, second, unknown


def of_day(salon, query=""):
    return PdfReader(BytesIO(salon.get(f"/api/v1/days/{MONDAY.date()}/sheets.pdf{query}").raise_for_status().content))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_day_is_printed_as_a_list_for_the_salon_and_one_page_for_each_owner(salon, booked, language):
    printed = of_day(salon, f"?language={language}")
    listed, *owners = [page.extract_text() for page in printed.pages]
    words = catalogue(language, "day")
    assert [name for name in ("Sorrel", "Tansy", "Nobody knows") if name in listed] == [
        "Sorrel",
        "Tansy",
        "Nobody knows",
    ]
    assert listed.index("09:00") < listed.index("11:00") < listed.index("13:00")
    assert "Sorrel's owner" in listed and "0000 100" in listed
    assert words.say("list.nothing").split()[0] in listed
    # one page a dog of which something is known, to be printed on one side: the next page is another owner's
    assert [sum(name in text for text in owners) for name in ("Sorrel", "Tansy", "Nobody knows")] == [1, 1, 0]
    assert len(owners) == 2
    assert printed.trailer["/Root"]["/ViewerPreferences"]["/Duplex"] == "/Simplex"
    alone = catalogue(language).say("plan.title.alone").split()
    assert all(word in owners[0] for word in alone)
    assert not any("0000 100" in text for text in owners)


def test_all_details_of_a_day_are_one_file_and_each_dog_begins_on_paper_of_its_own(salon, booked):
    pages = [page.extract_text() for page in of_day(salon, "?annex=true").pages]
    starts = [next(n for n, text in enumerate(pages) if n and name in text) for name in ("Sorrel", "Tansy")]
    assert all(start % 2 == 0 for start in starts)  # pages are counted from 0: the front of a sheet of paper
    alone = salon.get(f"/api/v1/dogs/{booked[1]}/sheet.pdf").raise_for_status()
    assert len(pages) - starts[1] == len(PdfReader(BytesIO(alone.content)).pages)


def test_each_owners_page_is_in_the_language_in_which_that_owner_read(salon, booked):
    look = {"found": {"places": {}}, "language": "de", "seen": ""}
    salon.put(f"/api/v1/dogs/{booked[1]}/intake", json=look).raise_for_status()
    listed, first, second = [page.extract_text() for page in of_day(salon, "?language=en").pages]
    titles = {language: catalogue(language).say("plan.section.steps") for language in ("en", "de")}
    assert titles["en"] in first and titles["de"] in second
    assert catalogue("en", "day").say("list.when") in listed


def test_a_dog_that_its_owner_took_back_stands_on_no_day(server, salon):
    link = server.start_dog("Withdrawn")
    sent = salon.post(f"/api/v1/dogs/by-link/{link}/request", json={"name": "Ida Lorn", "reach": "0000 300"})
    sent.raise_for_status()
    [dog] = [one["dog"]["id"] for one in salon.get("/api/v1/waiting").json() if one["dog"]["name"] == "Withdrawn"]
    at = MONDAY + timedelta(days=3)
    book(salon, dog, at)
    assert "Withdrawn" in salon.get(f"/groomer/today/{at.date()}").text
    salon.delete(f"/api/v1/dogs/by-link/{link}/request").raise_for_status()
    for page in (f"today/{at.date()}", f"week/{at.date()}"):
        assert "Withdrawn" not in salon.get(f"/groomer/{page}").text
    assert salon.get(f"/api/v1/days/{at.date()}/sheets.pdf").status_code == 422


def test_a_day_without_visits_says_so_and_offers_nothing_to_print(salon, booked, server):
    empty = f"/api/v1/days/{(MONDAY + timedelta(days=2)).date()}/sheets.pdf"
    refused = salon.get(empty, headers={"accept-language": "de"})
    assert (refused.status_code, refused.json()["code"]) == (422, "nothing_known")
    assert "Termine" in refused.json()["problem"]
    assert "sheets.pdf" not in salon.get(f"/groomer/today/{(MONDAY + timedelta(days=2)).date()}").text
    assert "sheets.pdf" in salon.get(f"/groomer/today/{MONDAY.date()}").text
    assert httpx.get(server.url + empty, timeout=60).status_code == 403


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_week_shows_seven_days_with_their_dogs_on_phone_and_desktop(server, booked, visitor, language):
    page = visitor({"width": 360, "height": 800}, locale=language)
    enter(page, server.url)
    show(page, f"week/{(MONDAY + timedelta(days=3)).date()}")
    days = page.locator("ol.seven > li")
    assert days.count() == 7
    assert [days.nth(n).locator("a.name").count() for n in range(7)] == [3, 0, 0, 0, 0, 0, 1]
    assert days.nth(0).locator("a.name").first.inner_text() == "Sorrel"
    assert catalogue(language, "day").say("week.load", n=3, time="3:00 h") in days.nth(0).inner_text()
    for width, columns in ((360, 1), (1280, 7)):
        page.set_viewport_size({"width": width, "height": 800})
        places = {days.nth(n).bounding_box()["x"] for n in range(7)}
        assert len(places) == columns
        assert page.evaluate(FITS) == []
    page.click(f'[data-go="today/{MONDAY.date()}"]')
    page.wait_for_selector(f'.page[data-step="today/{MONDAY.date()}"]')
    assert page.said == []


@pytest.mark.slow
@pytest.mark.parametrize("width", [360, 1280])
def test_a_visit_and_a_finding_can_be_undone_carry_a_name_and_take_remarks_ready_to_pick(
    server, salon, visitor, width, booked
):
    dog = doubtful_dog(salon, f"Yarrow {width}")
    at = (MONDAY + timedelta(days=8, minutes=width)).replace(hour=10)
    visit = book(salon, dog, at)
    page = visitor({"width": width, "height": 800})
    enter(page, server.url)

    def state():
        kept = salon.get(f"/api/v1/dogs/{dog}").json()["appointments"]
        return next(one["state"] for one in kept if one["id"] == visit)

    show(page, f"today/{at.date()}")
    row = page.locator(".rows > li", has_text=f"Yarrow {width}").first
    row.locator(f'[data-send$="{visit}"]').click()
    page.wait_for_selector("text=done: Ada")
    assert state() == "done"
    page.click("[data-undo-now]:visible")
    page.wait_for_selector("text=Taken back.")
    assert state() == "planned"
    assert not page.locator("[data-undo-now]").is_visible()  # offered once

    show(page, f"finding/{dog}")
    page.check('[name="category"][value="curly"]')
    page.click(".ready summary")
    picked = page.locator('[data-add="remarks"]')
    lines = [picked.nth(n).inner_text() for n in (0, 2)]
    page.fill("#remarks", "My own words.")
    for n in (0, 2, 0):  # the same one twice stands once
        picked.nth(n).click()
    assert page.locator("#remarks").input_value() == f"My own words. {lines[0]} {lines[1]}"
    page.click("form button.main[type=submit]")
    page.wait_for_selector("text=found by Ada's hands")
    show(page, f"today/{at.date()}")
    assert "Curly: found by Ada" in page.locator(".rows > li", has_text=f"Yarrow {width}").first.inner_text()

    show(page, f"finding/{dog}")
    page.check('[name="category"][value="wire"]')
    page.click("form button.main[type=submit]")
    page.wait_for_selector("text=Wire: found by Ada")
    page.click("[data-undo-now]:visible")
    page.wait_for_selector("text=Curly: found by Ada")  # the finding before counts again
    assert len(salon.get(f"/api/v1/dogs/{dog}").json()["findings"]) == 1
    assert page.evaluate(FITS) == []
    assert page.said == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_visits_at_the_same_time_are_kept_and_named_when_booked_and_on_the_day(server, salon, visitor, language):
    at = MONDAY + timedelta(days=15 + LANGUAGES.index(language))
    long, short, after = (doubtful_dog(salon, f"{name} {language}") for name in ("Bracken", "Clover", "Dill"))
    book(salon, long, at)  # 9:00 to 10:00
    book(salon, after, at + timedelta(minutes=60))  # as the first one ends
    page = visitor({"width": 360, "height": 800}, locale=language)
    enter(page, server.url)
    show(page, f"visit/{short}")
    page.fill("[name=starts_at]", (at + timedelta(minutes=30)).strftime("%Y-%m-%dT%H:%M"))
    page.fill("[name=minutes]", "30")
    page.click("form button.main[type=submit]")
    words = catalogue(language, "day")
    one = words.say("beside.one", dog=f"Bracken {language}", at="09:00", minutes=words.minutes(60))
    page.wait_for_selector(f'[data-status]:has-text("{words.say("beside.there", dogs=one)}")')
    show(page, f"today/{at.date()}")
    rows = page.locator(".rows > li .what")
    told = {
        name: rows.filter(has=page.locator(f'a.name:text-is("{name} {language}")')).locator("small").all_inner_texts()
        for name in ("Bracken", "Clover", "Dill")
    }
    there = words.say("beside.there", dogs="")[:8]
    assert words.say("beside.there", dogs=one) in told["Clover"]
    assert any(text.startswith(there) and f"Clover {language}" in text for text in told["Bracken"])
    assert told["Dill"] and not any(text.startswith(there) for text in told["Dill"])
    assert page.evaluate(FITS) == []
    assert page.said == []
    [visit] = salon.get(f"/api/v1/dogs/{short}").json()["appointments"]
    note(salon, short, visit["id"], state="cancelled").raise_for_status()
    assert "Clover" not in salon.get(f"/groomer/today/{at.date()}").text


def sides(pdf):
    """Width and height of the first page, mm."""
    box = PdfReader(BytesIO(pdf)).pages[0].mediabox
    return [round(float(side) * 25.4 / 72) for side in (box.width, box.height)]


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_paper_is_chosen_once_beside_printing_and_holds_for_everything(server, salon, visitor, booked, language):
    # A4: ISO 216. Letter: ANSI/ASME Y14.1, 8.5 by 11 inches.
    a4, letter = [210, 297], [216, 279]
    dog, words = booked[0], catalogue(language, "day")
    link = salon.post(f"/api/v1/dogs/{dog}/links").raise_for_status().json()["path"].partition("dog=")[2]
    page = visitor({"width": 360, "height": 800}, locale=language)
    enter(page, server.url)
    for step, wanted, size in ((f"today/{MONDAY.date()}", "Letter", letter), (f"dog/{dog}", "A4", a4)):
        show(page, step)
        page.click(f'button:text-is("{words.say("paper.change", paper=wanted)}")')
        page.wait_for_selector(f'[data-status]:has-text("{words.say("paper.kept", paper=wanted)}")')
        assert words.say("paper.now", paper=wanted) in page.locator("main").inner_text()
        for path in (f"dogs/{dog}/sheet.pdf", f"dogs/{dog}/shop.pdf", f"dogs/by-link/{link}/sheet.pdf",
                     f"days/{MONDAY.date()}/sheets.pdf"):  # fmt: skip
            assert sides(salon.get(f"/api/v1/{path}").raise_for_status().content) == size, path
        asked = salon.get(f"/api/v1/dogs/{dog}/sheet.pdf?paper=A4").raise_for_status().content
        assert sides(asked) == a4
    assert page.evaluate(FITS) == []
    assert page.said == []
    assert salon.get(f"/api/v1/dogs/{dog}/sheet.pdf?paper=A5").status_code == 422
    assert salon.put("/api/v1/paper", json={"paper": "A5"}).status_code == 422
    assert httpx.put(f"{server.url}/api/v1/paper", json={"paper": "A4"}).status_code in (401, 403)
