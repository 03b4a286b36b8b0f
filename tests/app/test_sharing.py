"""Who sees what: an owner's dog is the owner's until it is sent; the salon takes it over, declines it, puts it away."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from owner_walk import PHONE, open_step, press_and_wait, token_of
from salon_walk import TABLET, doubtful_dog, enter, show

pytestmark = pytest.mark.browser
FITS = Path(__file__).with_name("fits.js").read_text("utf-8")
DOUBTFUL = {"parents": ["Golden Retriever", "Standard Poodle"], "feel": "soft", "curl": "wavy", "shedding": "steady"}


def begun(server, visitor, meant_for="self", name="Pomelo"):
    page = visitor()
    page.goto(f"{server.url}/owner/")
    page.fill("#dog-name", name)
    assert "only if you send it" in page.inner_text("#content")  # said before anything is given
    page.check(f'[name=meant_for][value="{meant_for}"]')
    page.click("[data-form=start] button")
    page.wait_for_selector(".page[data-step=photos]")
    return page


def told(salon, visitor, dog):
    """The owner comes by the groomer's link and looks at the result, which is kept."""
    page = visitor()
    page.goto(f"{salon.base_url}{salon.post(f'/api/v1/dogs/{dog}/links').json()['path']}#result")
    page.wait_for_selector(".page[data-step=result]")


def waiting(salon):
    return {row["dog"]["name"]: row for row in salon.get("/api/v1/waiting").json()}


def test_a_dog_begun_for_oneself_stands_in_no_list_of_the_salon(server, visitor, salon):
    page = begun(server, visitor, name="Keptprivate")
    salon.patch(f"/api/v1/dogs/by-link/{token_of(page)}/answers", json=DOUBTFUL).raise_for_status()
    open_step(page, server.url, token_of(page), "result")
    assert "Keptprivate" not in waiting(salon)
    assert salon.get("/api/v1/dogs", params={"sought": "keptprivate"}).json() == []
    assert "Keptprivate" not in salon.get("/api/v1/trail").text


def test_an_owner_sends_a_dog_and_the_groomer_takes_it_over_with_its_answers(server, visitor, salon, axe):
    page = begun(server, visitor, "groomer", name="Sentalong")
    token = token_of(page)
    salon.patch(f"/api/v1/dogs/by-link/{token}/answers", json={**DOUBTFUL, "patience": "tolerates"}).raise_for_status()
    open_step(page, server.url, token, "result")
    assert "Sentalong" not in waiting(salon)  # nothing is sent before the owner does it
    page.click("#request [type=submit]")
    page.wait_for_selector("#request [data-error]:visible")
    page.fill("#sender", "Ottilie Brandt")
    page.fill("#reach", "0000 4711")
    page.click("#request [type=submit]")
    page.wait_for_selector("[data-form=take-back]")
    assert waiting(salon)["Sentalong"]["dog"]["sent_by"] == "Ottilie Brandt"

    desk = visitor(TABLET)
    enter(desk, server.url)
    row = desk.locator("[data-filtered] > li", has_text="Sentalong")
    assert "Ottilie Brandt, 0000 4711" in row.inner_text()
    desk.click("[data-filter=sent]")
    assert row.is_visible()
    assert axe(desk) == [] and desk.evaluate(FITS) == []
    row.locator("text=Take over").click()
    desk.wait_for_selector("h1:has-text('Sentalong')")
    assert "Ottilie Brandt" in desk.inner_text("#content")
    dog = salon.get("/api/v1/dogs", params={"sought": "sentalong"}).json()[0]
    assert dog["client"]["phone"] == "0000 4711"
    show(desk, f"finding/{dog['dog']['id']}")
    assert desk.is_checked('[name="texture"][value="soft"]')
    assert desk.is_checked('[name="patience"][value="tolerates"]')
    page.reload()
    page.wait_for_selector(".page[data-step=result]")
    assert page.locator("#request").count() == 0
    assert page.said == desk.said == []


def test_what_was_sent_can_be_taken_back_and_a_declined_dog_is_told_so(server, visitor, salon):
    page = begun(server, visitor, "groomer", name="Thinksagain")
    token = token_of(page)
    links = f"/api/v1/dogs/by-link/{token}"
    salon.patch(f"{links}/answers", json=DOUBTFUL).raise_for_status()
    sender = {"name": "Ottilie", "reach": "o@example.org"}
    salon.post(f"{links}/request", json=sender).raise_for_status()
    open_step(page, server.url, token, "result")
    page.click("[data-form=take-back] button")
    page.wait_for_selector("#request")
    assert "Thinksagain" not in waiting(salon)
    salon.post(f"{links}/request", json=sender).raise_for_status()
    dog = waiting(salon)["Thinksagain"]["dog"]["id"]
    salon.post(f"/api/v1/dogs/{dog}/request/decline").raise_for_status()
    assert salon.post(f"/api/v1/dogs/{dog}/request/accept").status_code == 409
    assert salon.get(f"/api/v1/dogs/{dog}").status_code == 404
    page.reload()
    page.wait_for_selector("text=can't take Thinksagain on")


def test_nothing_given_is_not_doubtful_booked_dogs_come_first_and_a_dog_can_be_put_away(server, visitor, salon):
    nothing = salon.post("/api/v1/dogs", json={"name": "Unsaid"}).json()["id"]
    told(salon, visitor, nothing)
    later, booked = doubtful_dog(salon, "Unbooked"), doubtful_dog(salon, "Booked")
    for dog in (later, booked):
        told(salon, visitor, dog)
    at = (datetime.now(UTC) + timedelta(days=2)).isoformat()
    salon.post(f"/api/v1/dogs/{booked}/appointments", json={"starts_at": at}).raise_for_status()
    names = list(waiting(salon))
    assert "Unsaid" not in names
    assert names.index("Booked") < names.index("Unbooked")
    desk = visitor(TABLET)
    enter(desk, server.url)
    desk.locator("[data-filtered] > li", has_text="Unbooked").locator("text=Put away").click()
    desk.wait_for_selector("[data-status]:has-text('put away')")
    assert "Unbooked" not in waiting(salon)
    show(desk, f"dog/{later}")
    desk.click("text=Put back on the waiting list")
    desk.wait_for_function("() => !document.querySelector('[data-send^=DELETE][data-send$=put-away]')")
    assert "Unbooked" in waiting(salon)


@pytest.mark.slow
def test_every_page_of_a_dog_with_nothing_and_of_one_with_one_thing(server, visitor, salon):
    """Each page on a phone and on a tablet: half of them are opened on one and then shown on the other."""
    page = visitor(PHONE)
    enter(page, server.url)
    show(page, "new-dog")
    page.fill("[name=name]", "Brandnew")
    page.click("form.card [type=submit]")
    page.wait_for_selector("h1:has-text('Brandnew')")
    nothing = page.get_attribute(".page", "data-step").split("/")[1]
    dogs = {"nothing": nothing}
    for name, said in {"breed": {"breed": "Havanese"}, "knots": {"mats": {"ears": "tangles"}}}.items():
        dogs[name] = salon.post("/api/v1/dogs", json={"name": name.title()}).json()["id"]
        salon.patch(f"/api/v1/dogs/{dogs[name]}/answers", json=said).raise_for_status()
    dogs["length"] = salon.post("/api/v1/dogs", json={"name": "Length"}).json()["id"]
    salon.post(f"/api/v1/dogs/{dogs['length']}/measurements", json={"length_mm": 40}).raise_for_status()
    dogs["finding"] = salon.post("/api/v1/dogs", json={"name": "Finding"}).json()["id"]
    salon.post(f"/api/v1/dogs/{dogs['finding']}/findings", json={"category": "curly"}).raise_for_status()
    failed, screens = [], [PHONE, TABLET]
    for dog in dogs.values():
        for step in ("dog", "finding", "bench", "visit", "measure", "edit-dog", "merge-dog", "trail", "delete-dog"):
            page.goto(f"{server.url}/groomer/{step}/{dog}")
            page.wait_for_selector(f'.page[data-step="{step}/{dog}"], .page[data-step="problem"]')
            if page.get_attribute(".page", "data-step") == "problem":
                failed.append((step, dog, page.inner_text("#content")))
            screens.reverse()
            page.set_viewport_size(screens[0])
            assert page.locator(f'.page[data-step="{step}/{dog}"] h1').is_visible(), (step, screens[0])
    assert failed == []
    assert page.said == []


def test_a_broken_link_and_an_unknown_address_are_said_to_be_so(server, visitor, web):
    page = visitor()
    page.goto(f"{server.url}/owner/?dog=broken")
    page.wait_for_selector("h1:has-text('That did not work')")
    assert "leads nowhere" in page.inner_text("#content")
    page.goto(f"{server.url}/nowhere")
    assert page.inner_text("h1") == "There is nothing at this address"
    assert web.get("/nowhere").json()["code"] == "http"  # a program gets what programs read


def test_a_mail_that_is_none_and_a_birth_to_come_are_refused_in_plain_words(server, visitor, salon):
    page = visitor(TABLET)
    enter(page, server.url)
    show(page, "new-client")
    page.fill("[name=name]", "Ottilie Brandt")
    page.fill("[name=email]", "notmail")
    page.click("form.card [type=submit]")
    page.wait_for_selector("form [data-error]:visible")
    assert "must look like name@example.org" in page.inner_text("form [data-error]")
    show(page, "new-dog")
    page.fill("[name=name]", "Unborn")
    page.fill("[name=born_on]", "2090-01-01")
    page.click("form.card [type=submit]")
    page.wait_for_selector("form [data-error]:visible")
    assert "lies in the future" in page.inner_text("form [data-error]")


@pytest.mark.photos
def test_the_same_photo_twice_is_said(server, visitor, photos):
    page = visitor()
    open_step(page, server.url, server.start_dog(), "photos")
    for _ in range(2):
        page.set_input_files("#files", photos / "oxford" / "havanese_1.jpg")
        page.wait_for_selector(".pictures img")
        page.wait_for_function("() => !document.querySelector('.actions [aria-disabled=true]')")
    page.wait_for_selector("[data-words] .note.stop:has-text('is here already')")
    assert page.locator(".pictures figure").count() == 1


def test_the_answer_comes_first_and_the_rest_is_folded(server, visitor, web, axe):
    token = server.start_dog("Bramble")
    given = {"breed": "Border Terrier", "feel": "harsh", "trunk_length_mm": 30, "trunk_length_by": "ruler"}
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json=given).raise_for_status()
    page = visitor()
    open_step(page, server.url, token, "result")
    short = page.locator(".answer").bounding_box()
    assert short["y"] + short["height"] <= 2 * PHONE["height"]
    assert page.locator(".three li").count() == 3
    assert "week" in page.inner_text(".answer").lower()  # how often
    assert 0 < page.evaluate("document.documentElement.scrollHeight") <= 4 * PHONE["height"]
    assert page.locator(".answer [href$='sheet.pdf']").count() == 1
    assert axe(page) == [] and page.evaluate(FITS) == []
    page.click("details#steps summary")
    assert page.locator("details#steps .steps > li").first.is_visible()
    press_and_wait(page, "nav [data-go=photos]")
