"""The groomer's day in a real browser: from the sign-in over the list to the finding, the sheet and the next visit."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from salon_walk import PASSWORD, TABLET, doubtful_dog, enter, show

from app.accounts import COOKIE
from coatclass.records import open_records

pytestmark = pytest.mark.browser
FITS = Path(__file__).with_name("fits.js").read_text("utf-8")
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def groomer(server, salon, visitor):
    """Opens the groomer's page, signed in."""

    def come_in(viewport=TABLET, **options):
        page = visitor(viewport, **options)
        enter(page, server.url)
        return page

    return come_in


def visit_today(salon, dog):
    """Book the dog for today; the day, since midnight may come before somebody looks at it."""
    at = datetime.now().replace(hour=23, minute=30, second=0).astimezone()  # today also where clocks change today
    salon.post(f"/api/v1/dogs/{dog}/appointments", json={"starts_at": at.isoformat()}).raise_for_status()
    return at.date()


def test_the_groomers_path_from_the_sign_in_to_the_next_visit(server, salon, groomer):
    dog = doubtful_dog(salon, "Fennel", "Ottoline Farrow")
    day = visit_today(salon, dog)
    page = groomer()
    show(page, f"today/{day}")
    page.click(f'.rows [data-go="dog/{dog}"] >> nth=0')
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    assert page.locator("h1").inner_text() == "Fennel"
    assert "Only hands can tell" in page.locator("#content").inner_text()

    page.click(f'[data-go="finding/{dog}"]')
    page.wait_for_selector('[name="category"]')
    page.check('[name="category"][value="curly"]')
    page.click('[data-set="length-1"][data-value="40"]')
    page.fill("#length-2", "62")
    page.check('[name="texture"][value="woolly"]')
    page.locator('.zone[data-zone="ears"]').click()
    page.locator("[name=place-mats][value=tangles]").check()
    assert "tangles" in page.locator('.zone[data-zone="ears"]').get_attribute("aria-label")
    page.fill("#remarks", "Line by line behind the ears.")
    page.click("form button.main[type=submit]")
    page.wait_for_selector("text=found by Ada's hands")
    assert "replaces the estimate" in page.locator("[data-status]").inner_text()

    kept = salon.get(f"/api/v1/dogs/{dog}").json()["findings"][0]
    assert kept["category"] == "curly"
    assert kept["lengths_mm"] == {"trunk": 40, "legs": 62}
    said = {"behind_ears": "tangles", "armpits": "mats"}  # what the owner answered was filled in, and she let it stand
    assert kept["mats"] == {"ears": "tangles", **said}

    page.fill("textarea[name=remarks]", "Twice a week, line by line.")
    page.click("text=Save remarks")
    page.wait_for_selector("text=The remarks are on the sheet.")
    sheet = page.request.get(server.url + page.get_attribute("text=Sheet as page", "href"))
    assert "Twice a week, line by line." in sheet.text()
    assert page.request.get(server.url + page.get_attribute("text=Sheet as PDF", "href")).body().startswith(b"%PDF")

    page.click(f'.titled [data-go="visit/{dog}"]')
    page.wait_for_selector("[name=starts_at]")
    earliest = four_weeks_on()
    page.click('[data-weeks="4"]')
    page.click("form button.main[type=submit]")
    page.wait_for_selector("text=The visit is kept.")
    ahead = [one["starts_at"] for one in salon.get(f"/api/v1/dogs/{dog}").json()["appointments"]]
    booked = datetime.fromisoformat(max(ahead)).astimezone().date()
    assert earliest <= booked <= four_weeks_on()  # two days only where midnight came between
    assert page.said == []


def four_weeks_on():
    return (datetime.now(UTC).astimezone() + timedelta(weeks=4)).date()


def test_a_touch_on_the_bench_changes_the_answer_at_once_and_goes_into_the_finding(salon, groomer):
    dog = doubtful_dog(salon, "Bench")
    page = groomer()
    show(page, f"bench/{dog}")
    for touch, outcome in (("wet_curl", "curly"), ("texture", "woolly"), ("undercoat", "none")):
        page.evaluate("for (const more of document.querySelectorAll('details')) more.open = true")
        page.click(f'[data-touch="{touch}"][data-outcome="{outcome}"]')
        page.wait_for_selector(f'[data-untouch="{touch}"]')
    assert page.locator(".stay .headline").inner_text().startswith("Curly")
    page.reload()
    page.wait_for_selector('[data-untouch="texture"]')  # a refresh loses no touch
    page.click(f'[data-go^="finding/{dog}"]')
    page.wait_for_selector('[name="category"]')
    assert page.is_checked('[name="category"][value="curly"]')
    assert page.is_checked('[name="texture"][value="woolly"]')
    assert page.is_checked('[name="undercoat"][value="none"]')


def test_a_finding_without_a_coat_is_asked_for_and_what_was_typed_stays(salon, groomer):
    dog = doubtful_dog(salon, "Unfinished")
    page = groomer()
    show(page, f"finding/{dog}")
    page.fill("#remarks", "Typed already.")
    page.click("form button.main[type=submit]")
    error = page.locator("form [role=alert]")
    error.wait_for(state="visible")
    assert "Which coat is it" in error.inner_text()
    assert page.locator("#remarks").input_value() == "Typed already."
    assert salon.get(f"/api/v1/dogs/{dog}").json()["findings"] == []


def test_an_owners_link_is_shown_once_and_opens_this_dog_for_somebody_without_a_sign_in(salon, groomer, visitor):
    dog = doubtful_dog(salon, "Linked")
    page = groomer()
    show(page, f"dog/{dog}")
    page.click("[data-make-link]")
    page.wait_for_selector("[data-link]:not([hidden])")
    address = page.locator("[data-address]").input_value()
    page.reload()
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    assert address.split("dog=")[1] not in page.content()
    owner = visitor()
    owner.goto(f"{address}#photos")
    owner.wait_for_selector("h1:has-text('Linked')")


def test_deleting_a_client_needs_her_name_typed_and_says_what_goes(salon, groomer):
    dog = doubtful_dog(salon, "Goes", "Wilhelmina Ost")
    client = salon.get(f"/api/v1/dogs/{dog}").json()["client"]["id"]
    page = groomer()
    show(page, f"delete-client/{client}")
    assert "Goes" in page.locator(".note.stop").inner_text()
    page.fill("#typed", "Wilhelmina")
    page.click("form.card [type=submit]")
    page.locator("form [role=alert]").wait_for(state="visible")
    assert salon.get(f"/api/v1/clients/{client}").status_code == 200
    page.fill("#typed", "Wilhelmina Ost")
    page.click("form.card [type=submit]")
    page.wait_for_selector('.page[data-step="today"]')
    assert salon.get(f"/api/v1/clients/{client}").status_code == 404


def test_what_people_wrote_is_shown_as_text_and_never_run(salon, groomer):
    evil = "<img src=x onerror=\"document.title='run'\">${alert(1)}{{7*7}}"
    dog = doubtful_dog(salon, evil[:190], "O'Hara & <b>Sons</b>")
    page = groomer()
    show(page, f"dog/{dog}")
    assert page.locator("h1").inner_text() == evil
    assert page.locator("h1 img").count() == 0
    assert page.title().startswith("<img")
    assert page.said == []


@pytest.mark.photos
def test_a_photo_is_looked_at_at_once_and_stands_on_the_dogs_page(salon, groomer, photos):
    dog = doubtful_dog(salon, "Pictured")
    page = groomer()
    show(page, f"dog/{dog}")
    page.set_input_files("#photos", photos / "oxford" / "havanese_1.jpg")
    page.wait_for_selector(".pictures img")
    assert page.evaluate("() => document.querySelector('.pictures img').decode().then(() => true)")
    source = page.get_attribute(".pictures img", "src")
    assert httpx.get(str(salon.base_url) + source, timeout=60).status_code == 403  # nobody else sees it


def test_learning_shows_before_and_after_asks_before_switching_and_goes_back(salon, server, groomer):
    """Simulated findings: in this salon soft means wire, so that there is something to learn."""
    from coatclass.records import AnswerSheet, Dog, Finding

    with open_records(f"sqlite:///{server.data / 'records.sqlite'}") as records, records.write("Ada") as writer:
        for number in range(60):
            dog = writer.add(Dog(name=f"Simulated {number}"))
            writer.add(AnswerSheet(dog_id=dog.id, content={"feel": "harsh" if number % 2 else "soft"}))
            writer.add(Finding(dog_id=dog.id, category="hair" if number % 2 else "wire", by="Ada"))
    page = groomer()
    questions = []
    page.on("dialog", lambda dialog: (questions.append(dialog.message), dialog.accept()))
    show(page, "learn")
    page.click("text=Learn now")
    page.wait_for_selector("table.compare")
    assert "more than chance explains" in page.locator("#content").inner_text()
    in_use = "[data-in-use]"
    assert page.get_attribute(in_use, "data-in-use") == "released"  # learned, not switched
    page.click("text=Take it into use")
    page.wait_for_selector(f"{in_use}:not([data-in-use=released])")
    page.click("text=Use this")
    page.wait_for_selector(f"{in_use}[data-in-use=released]")
    assert len(questions) == 2


def test_a_length_is_measured_by_a_card_on_a_photo_that_stays_on_the_tablet(salon, groomer, tmp_path):
    """A card lying flat, 4 px a millimetre, and a hair of 40 mm beside it: drawn to scale.

    ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, corner radius 3.18 mm; the marks go onto the middle of the round.
    """
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (800, 600), "white")
    card = (100, 100, 100 + 85.60 * 4, 100 + 53.98 * 4)
    ImageDraw.Draw(picture).rounded_rectangle(card, radius=3.18 * 4, fill="navy")
    picture.save(tmp_path / "card.png")
    dog = doubtful_dog(salon, "Measured")
    page = groomer()
    show(page, f"measure/{dog}")
    page.set_input_files("#card-photo", tmp_path / "card.png")
    page.wait_for_selector(".mark")
    page.click("summary")
    inside = 3.18 * (1 - 1 / 2**0.5) * 4
    left, top, right, bottom = (
        place + step for place, step in zip(card, (inside, inside, -inside, -inside), strict=True)
    )
    places = [(left, top), (right, top), (right, bottom), (left, bottom), (600, 300), (600, 300 - 40 * 4)]
    for number, (x, y) in enumerate(places):
        page.fill(f'input[data-mark="{number}"][data-axis="0"]', str(x))
        page.fill(f'input[data-mark="{number}"][data-axis="1"]', str(y))
    page.click("form[data-form=measure] [type=submit]")
    page.click("[data-keep]:not([hidden])")
    page.wait_for_selector(f'.page[data-step="dog/{dog}"]')
    kept = salon.get(f"/api/v1/dogs/{dog}").json()
    assert kept["measurements"][0]["length_mm"] == pytest.approx(40, rel=0.03)
    assert kept["measurements"][0]["how"] == "card"
    assert kept["photos"] == []


# --- signing in -------------------------------------------------------------------------------------------------------


def test_a_wrong_password_is_announced_and_a_right_one_leads_to_the_own_side(server, salon, visitor):
    page = visitor(PHONE)
    page.goto(f"{server.url}/groomer/")
    assert "/sign-in" in page.url
    page.fill("#name", "Rosalind")
    page.fill("#password", "not this one")
    page.click("[type=submit]")
    page.wait_for_selector("[role=alert]:has-text('wrong')")
    page.fill("#password", PASSWORD)
    page.click("[type=submit]")
    page.wait_for_url("**/researcher/*")
    page.wait_for_selector("h1")
    page.goto(f"{server.url}/groomer/")  # not her side
    assert "/sign-in" in page.url
    assert "Rosalind (researcher)" in page.content()


def test_a_session_that_ends_in_the_middle_says_so_and_shows_nothing_more(server, salon, groomer):
    page = groomer()
    show(page, f"dog/{doubtful_dog(salon, 'Hidden')}")
    with open_records(f"sqlite:///{server.data / 'records.sqlite'}") as records:
        from coatclass.records import end_session

        token = next(one["value"] for one in page.context.cookies() if one["name"] == COOKIE)
        end_session(records, token)
    page.click(".brand")
    page.wait_for_url("**/sign-in*")
    assert "time of your sign-in is over" in page.content()
    assert "Hidden" not in page.content()


# --- how it looks -----------------------------------------------------------------------------------------------------


# Colours come from one style sheet, so some pages suffice to check them in the dark.
IN_THE_DARK = ("today", "dog", "finding", "intake", "offers", "delete-client", "learn")


def signed_look(salon, dog):
    """What an owner signed of the dog; a new look is begun after it. Its id."""
    look = {"found": {"places": {"left.legs": {"mats": "mats", "signs": ["lump"]}}}, "language": "en"}
    seen = salon.put(f"/api/v1/dogs/{dog}/intake", json=look).raise_for_status().json()["seen"]
    told = re.findall(r'data-told="([0-9a-f]{64})"', salon.get(f"/groomer/offers/{dog}").text)[0]
    agreed = {"chosen": "none", "how": "typed", "name": "Looked After", "seen": seen, "told": told}
    kept = salon.post(f"/api/v1/dogs/{dog}/intake/sign", json=agreed).raise_for_status().json()
    salon.put(f"/api/v1/dogs/{dog}/intake", json=look).raise_for_status()
    return kept["id"]


def steps(salon):
    dog = doubtful_dog(salon, "Looked at", "Looked After")
    salon.post(f"/api/v1/dogs/{dog}/findings", json={"category": "hair", "lengths_mm": {"trunk": 40}})
    day = visit_today(salon, dog)
    client = salon.get(f"/api/v1/dogs/{dog}").json()["client"]["id"]
    signed = signed_look(salon, dog)
    of_dog = ("dog", "finding", "bench", "intake", "offers", "visit")
    of_file = ("edit-dog", "merge-dog", "delete-dog", "trail", "measure")
    of_client = ("client", "edit-client", "merge-client", "delete-client")
    return [
        *(f"today/{day}", "week", "search?sought=looked", "learn", "data", "rates", "trail", "new-dog", "new-client"),
        f"signed/{signed}",
        *(f"{name}/{dog}" for name in (*of_dog, *of_file)),
        *(f"{name}/{client}" for name in of_client),
    ]


def look(page, screen, scheme):
    """Turn the page that is open into one on another screen, in the light or in the dark."""
    page.set_viewport_size(screen)
    page.emulate_media(color_scheme=scheme)


@pytest.mark.slow
def test_every_page_can_be_used_by_everybody_and_fits_the_screen(salon, groomer, axe):
    """On a tablet in the light and on a phone in the dark."""
    page = groomer(TABLET)
    found = []
    for step in steps(salon):
        for screen, scheme in ((TABLET, "light"), (PHONE, "dark")):
            look(page, screen, scheme)
            if scheme == "light":
                show(page, step)
            if scheme == "light" or step.split("/")[0] in IN_THE_DARK:
                found += [f"{step}, {scheme}: {problem}" for problem in axe(page)]
            found += [f"{step}, {scheme}: {problem}" for problem in page.evaluate(FITS)]
    assert found == []
    assert page.said == []
    assert [address for address in page.asked if "127.0.0.1" not in address and not address.startswith("data:")] == []


def test_the_sign_in_and_the_researchers_page_can_be_used_by_everybody(server, salon, visitor, axe):
    page = visitor(PHONE)
    page.goto(f"{server.url}/sign-in")
    for come_in in (lambda: None, lambda: enter(page, server.url, "Rosalind", "/researcher/")):
        come_in()
        for scheme in ("dark", "light"):
            look(page, PHONE, scheme)
            assert axe(page) == [], scheme
            assert page.evaluate(FITS) == []
