"""Nothing an owner enters is lost, whatever happens to the page; nothing that isn't theirs is shown."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from owner_walk import (
    DESKTOP,
    add_photo,
    all_sent,
    answer_card,
    begin,
    leave,
    open_step,
    press_and_wait,
    step_of,
    token_of,
)
from PIL import Image, ImageDraw

from app.owner import flow

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
FITS = (Path(__file__).parent / "fits.js").read_text(encoding="utf-8")


def answers(web, page) -> dict[str, object]:
    return web.get(f"/api/v1/dogs/by-link/{token_of(page)}").json()["answers"]


def full_dog(server) -> str:
    """A dog of which every question was answered."""
    token = server.start_dog()
    link = f"{server.url}/api/v1/dogs/by-link/{token}/answers"
    said = json.loads((ROOT / "app" / "demo" / "nimbus.json").read_text("utf-8"))
    httpx.patch(link, json=said, timeout=60).raise_for_status()
    return token


def test_a_refresh_in_the_middle_keeps_answers_and_place(server, visitor, web):
    page = visitor()
    begin(page, server.url)
    press_and_wait(page, "[data-go=next]")
    answer_card(page, {"breed": "Havanese", "breed_known_by": "papers", "age_months": 40})
    here = step_of(page)
    page.reload()
    page.wait_for_selector(f'.page[data-step="{here}"]')
    assert answers(web, page) == {"breed": "Havanese", "breed_known_by": "papers", "age_months": 40.0}


def test_the_back_button_leads_to_the_question_before_with_its_answer(server, visitor):
    page = visitor()
    begin(page, server.url)
    press_and_wait(page, "[data-go=next]")
    answer_card(page, {"breed": "Havanese", "age_months": 40})
    page.go_back()
    page.wait_for_selector('.page[data-step="q/dog"]')
    assert page.input_value("#breed") == "Havanese"
    page.fill("#breed", "Maltese")
    press_and_wait(page, "[data-form=card] button[type=submit]")
    page.go_back()
    page.wait_for_selector('.page[data-step="q/dog"]')
    assert page.input_value("#breed") == "Maltese"


def test_an_answer_given_without_a_connection_is_sent_when_it_is_back(server, visitor, web):
    page = visitor()
    token = server.start_dog()
    open_step(page, server.url, token, "q/feel")
    page.check('input[value="silky"]')
    page.context.set_offline(True)
    page.click("[data-form=card] button[type=submit]")
    page.wait_for_function("() => document.querySelector('[data-status]').textContent.includes('No connection')")
    assert web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"] == {}
    page.context.set_offline(False)
    leave(page, "q/feel")
    assert answers(web, page) == {"feel": "silky"}


def test_a_view_that_never_came_is_fetched_when_the_connection_is_back(server, visitor):
    page = visitor()
    open_step(page, server.url, full_dog(server), "photos")
    page.context.set_offline(True)
    page.click("nav [data-go=result]")
    page.wait_for_timeout(500)
    assert step_of(page) == "photos"  # still there, nothing blank
    page.context.set_offline(False)
    page.wait_for_selector(".page[data-step=result]")


def test_an_answer_that_never_reached_the_server_outlasts_closing_the_page(server, visitor, web):
    page = visitor()
    token = server.start_dog()
    open_step(page, server.url, token, "q/feel")
    page.check('input[value="silky"]')
    page.route("**/answers", lambda route: route.abort())
    page.click("[data-form=card] button[type=submit]")
    page.wait_for_function("() => document.querySelector('[data-status]').textContent.includes('No connection')")
    page.unroute("**/answers")
    page.reload()
    all_sent(page)
    assert web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"] == {"feel": "silky"}


def test_two_owners_at_once_never_meet_each_others_dog(server, visitor, web):
    first, second = visitor(), visitor()
    begin(first, server.url, "Nimbus")
    begin(second, server.url, "Otter")
    for page, breed in ((first, "Samoyed"), (second, "Beagle")):
        press_and_wait(page, "[data-go=next]")
        page.fill("#breed", breed)
    for page in (first, second):
        press_and_wait(page, "[data-form=card] button[type=submit]")
    assert token_of(first) != token_of(second)
    assert [answers(web, page)["breed"] for page in (first, second)] == ["Samoyed", "Beagle"]
    for page, own, other in ((first, "Nimbus", "Otter"), (second, "Otter", "Nimbus")):
        press_and_wait(page, "nav [data-go=result]")
        assert own in page.inner_text(".page")
        assert other not in page.inner_text(".page")


def test_a_wrong_file_gets_a_word_and_nothing_is_kept(server, visitor, tmp_path):
    page = visitor()
    begin(page, server.url)
    (tmp_path / "letter.jpg").write_bytes(b"Dear groomer, this is no picture.")
    Image.new("RGB", (900, 600), "white").save(tmp_path / "blank.png")
    for name in ("letter.jpg", "blank.png"):
        page.set_input_files("#files", tmp_path / name)
        page.wait_for_selector(f"[data-words] .note.stop:has-text('{name}')")
        assert f"{name}: Not kept:" in page.inner_text("[data-words]")
    assert page.locator(".pictures figure").count() == 0


@pytest.mark.photos
def test_a_photo_can_be_taken_back(server, visitor, web, photos):
    page = visitor()
    begin(page, server.url)
    add_photo(page, photos / "oxford" / "havanese_1.jpg")
    page.click("[data-form=remove] button")
    page.wait_for_function("() => !document.querySelector('.pictures figure')")
    assert web.get(f"/api/v1/dogs/by-link/{token_of(page)}").json()["photos"] == []


def test_a_name_is_shown_as_it_was_written_and_never_runs(server, visitor):
    page = visitor()
    for name in ("<img src=x onerror=window.caught=1>", "${window.caught=1}", "{{#each x}}{{this}}", "`}</p><b>"):
        begin(page, server.url, name)
        assert name in page.inner_text("h1")
        assert page.evaluate("window.caught") is None, name
    assert page.said == []


def test_a_link_of_before_the_views_had_addresses_leads_to_its_view(server, visitor):
    page, token = visitor(), server.start_dog()
    page.goto(f"{server.url}/owner/?dog={token}#q/lie")
    page.wait_for_selector('.page[data-step="q/lie"]')
    page.wait_for_url(f"{server.url}/owner/q/lie?dog={token}")


def follow(page, selector):
    """Press something that, without scripts, loads another page; that page is there afterwards."""
    with page.expect_navigation():
        page.click(selector)


def test_views_are_read_and_reached_without_a_script(server, visitor):
    page = visitor(java_script_enabled=False)
    page.goto(f"{server.url}/owner/?dog={full_dog(server)}")
    assert step_of(page) == "result" or step_of(page).startswith("q/")
    for step in ("photos", "result"):
        follow(page, f"nav [data-go={step}]")
        assert step_of(page) == step
        assert "Bramble" in page.inner_text("#content")


@pytest.mark.photos
def test_an_owner_without_scripts_gets_from_a_photo_to_the_groomer(server, visitor, web, photos):
    page = visitor(java_script_enabled=False)
    page.goto(f"{server.url}/owner/")
    page.fill("#dog-name", "Otter")
    page.check("[name=meant_for][value=groomer]")
    follow(page, "[data-form=start] [type=submit]")
    assert step_of(page) == "photos"
    token = page.url.split("dog=")[1]
    page.set_input_files("#plain-photos", photos / "oxford" / "havanese_1.jpg")
    follow(page, "main form [type=submit]")
    assert page.locator(".pictures figure").count() == 1
    follow(page, ".actions [data-go=next]")
    asked = []
    given = {"#breed": "Havanese", "#age_months": "3.5", "#weight_kg": "12"}
    while step_of(page) != "result":
        asked.append(step_of(page))
        assert len(asked) < 25 and asked.count(asked[-1]) == 1  # what was left open is not asked again
        for field, text in given.items():
            if page.locator(field).count():
                page.fill(field, text)
        if page.locator("[name=age_months-unit]").count():
            page.select_option("[name=age_months-unit]", label="years")
        if asked[-1] == "q/skin":
            page.check("[name=skin_trouble][value=redness]")
            page.select_option("[name=skin_where-groin]", "redness")
        if asked[-1] == "q/mats":
            page.select_option("[name=mats-behind_ears]", "tangles")
        follow(page, "[data-form=card] [type=submit]")
    kept = web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"]
    assert kept == {"breed": "Havanese", "age_months": 42.0, "weight_kg": 12.0, "skin_trouble": ["redness"],
                    "skin_where": {"groin": "redness"}, "mats": {"behind_ears": "tangles"}}  # fmt: skip
    page.fill("#sender", "Ottoline Farrow")
    page.fill("#reach", "0000 100")
    follow(page, "#request [type=submit]")
    assert "Otter" in page.inner_text(".note.no-print")
    page.goto(f"{server.url}/owner/q/dog?dog={token}")
    page.fill("#age_months", "-3")
    follow(page, "[data-form=card] [type=submit]")
    assert step_of(page) == "problem"
    assert web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"] == kept


def test_a_link_that_leads_nowhere_says_so(server, visitor):
    page = visitor()
    page.goto(f"{server.url}/owner/?dog={'x' * 43}")
    page.wait_for_selector(".page[data-step=problem]")
    assert "leads nowhere" in page.inner_text("#content")


def test_the_page_can_be_used_with_the_keyboard_alone(server, visitor, web):
    page = visitor(DESKTOP)
    page.goto(f"{server.url}/owner/")
    page.wait_for_selector("[data-form=start]")
    page.focus("#dog-name")
    page.keyboard.type("Tansy")
    page.keyboard.press("Enter")
    page.wait_for_selector(".page[data-step=photos]")
    assert page.evaluate("document.activeElement.tagName") == "H1"  # a screen reader starts to read here
    token = token_of(page)
    open_step(page, server.url, token, "q/curl")
    for _ in range(30):
        if page.evaluate("document.activeElement.name") == "curl":
            break
        page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    leave(page, "q/curl")
    assert web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"]["curl"] in ("straight", "wavy", "curly")


@pytest.mark.slow
def test_every_screen_opens_and_is_accessible(server, visitor, axe):
    page, found, token = visitor(), {}, full_dog(server)
    for card in flow.every_card():
        page.goto(f"{server.url}/owner/q/{card.id}?dog={token}")
        if problems := axe(page) + page.evaluate(FITS):
            found[card.id] = problems
    assert found == {}


def test_tools_at_home_are_judged_on_the_result(server, visitor):
    page = visitor()
    token = server.start_dog()
    open_step(page, server.url, token, "q/tools")
    page.check("label:has-text('Ball-tip pin brush') input")  # its drawing is tapped, nothing has to be described
    page.fill("[data-others]", "that pink thing from granny")
    press_and_wait(page, "[data-form=card] button[type=submit]")
    answer_card(page, {"breed": "Yorkshire Terrier", "breed_known_by": "papers"})
    open_step(page, server.url, token, "result")
    page.locator("details#owned summary").click()
    at_home = page.inner_text("details#owned")
    assert "that pink thing from granny" in at_home.lower()
    assert "don't recognise this tool" in at_home
    assert "Ball-tip pin brush" in at_home
    open_step(page, server.url, token, "q/tools")
    assert page.is_checked("label:has-text('Ball-tip pin brush') input")
    assert page.input_value("[data-others]") == "that pink thing from granny"


def test_a_place_pressed_in_the_picture_changes_its_entry(server, visitor):
    page = visitor()
    token = server.start_dog()
    open_step(page, server.url, token, "q/mats")
    page.click('.zone[data-zone="tail"] path')
    page.click('.zone[data-zone="tail"] path')
    assert page.input_value("#zone-tail") == "tangles"
    assert page.get_attribute('.zone[data-zone="tail"]', "data-level") == "1"
    page.select_option("#zone-tail", "felted")
    assert page.get_attribute('.zone[data-zone="tail"]', "data-level") == "4"


def test_trouble_of_the_skin_is_asked_for_by_place_and_holds_those_places_only(server, visitor, web):
    page = visitor()
    token = server.start_dog()
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"breed": "Maltese"}).raise_for_status()
    open_step(page, server.url, token, "q/skin")
    where = page.locator('[data-question="skin_where"]')
    assert where.is_hidden()
    page.check('input[name="skin_trouble"][value="ear_trouble"]')
    assert where.is_hidden()  # ears are where ears are
    page.check('input[name="skin_trouble"][value="redness"]')
    assert where.is_visible()
    page.select_option("#zone-groin", "redness")
    assert page.get_attribute('.zone[data-zone="groin"]', "data-level") == "4"
    assert page.locator("[data-all-free]").count() == 0  # nobody can say "no knots" here
    press_and_wait(page, "[data-form=card] button[type=submit]")
    assert answers(web, page)["skin_where"] == {"groin": "redness"}
    cleared = {
        one["zone"]: one["touch"]
        for one in web.get(f"/api/v1/dogs/by-link/{token}/assessment").json()["triage"]["zones"]
    }
    assert cleared["groin"] == "nothing" and cleared["chest"] == "brush"


def card_scene(path) -> list[tuple[int, int]]:
    """A drawn card seen from straight above, 4 px a mm, with a hair of 60 mm beside it; the marks on it."""
    per_mm, left, top = 4, 120, 140
    right, bottom = round(left + 85.60 * per_mm), round(top + 53.98 * per_mm)
    picture = Image.new("RGB", (800, 600), "#c9b28e")
    pen = ImageDraw.Draw(picture)
    pen.rounded_rectangle((left, top, right, bottom), radius=round(3.18 * per_mm), fill="#2b4a7d")
    pen.line((600, 420, 600, 420 - 60 * per_mm), fill="black", width=3)
    picture.save(path)
    inset = round(3.18 * per_mm * (1 - 0.5**0.5))
    ring = [(left, top, 1, 1), (right, top, -1, 1), (right, bottom, -1, -1), (left, bottom, 1, -1)]
    return [(x + dx * inset, y + dy * inset) for x, y, dx, dy in ring] + [(600, 420), (600, 420 - 60 * per_mm)]


def test_a_hair_of_known_length_beside_a_card_is_measured_and_kept(server, visitor, web, axe, tmp_path):
    page = visitor()
    token = server.start_dog()
    open_step(page, server.url, token, "measure")
    marks = card_scene(tmp_path / "card.png")
    uploads = len([address for address in page.asked if "photos" in address])
    page.set_input_files("#card-photo", tmp_path / "card.png")
    page.wait_for_selector(".mark")
    page.evaluate("document.querySelector('.page details').open = true")
    for number, point in enumerate(marks):
        for axis, value in enumerate(point):
            field = page.locator(f'input[data-mark="{number}"][data-axis="{axis}"]')
            field.fill(str(value))
            field.dispatch_event("change")
    assert axe(page) == []
    page.click("[data-form=measure] button[type=submit]")
    page.wait_for_selector("[data-keep]:visible")
    assert "The hair is" in page.inner_text("[data-length]")
    press_and_wait(page, "[data-keep]")
    kept = web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"]
    assert kept["trunk_length_mm"] == pytest.approx(60, rel=0.03)
    assert kept["trunk_length_by"] == "card"
    assert len([address for address in page.asked if "photos" in address]) == uploads  # the photo stayed here


SLOW_FINGER = """(steps) => {
  const mark = document.querySelector(".mark"), box = mark.getBoundingClientRect();
  mark.setPointerCapture = () => {};
  const send = (kind, x) => mark.dispatchEvent(new PointerEvent(kind,
    { pointerId: 7, pointerType: "touch", clientX: x, clientY: box.top + 22, bubbles: true }));
  send("pointerdown", box.left + 22);
  for (let n = 1; n <= steps; n += 1) send("pointermove", box.left + 22 + n);
  send("pointerup", box.left + 22 + steps);
}"""


def test_a_mark_can_be_dragged_and_moved_by_keys(server, visitor, tmp_path):
    page = visitor()
    open_step(page, server.url, server.start_dog(), "measure")
    card_scene(tmp_path / "card.png")
    page.set_input_files("#card-photo", tmp_path / "card.png")
    page.wait_for_selector(".mark")

    def corner() -> float:
        return float(page.locator('input[data-mark="0"][data-axis="0"]').input_value())

    mark = page.locator(".mark").first
    before, box = corner(), mark.bounding_box()
    page.mouse.move(box["x"] + 22, box["y"] + 22)
    page.mouse.down()
    page.mouse.move(box["x"] + 62, box["y"] + 22, steps=4)
    assert page.locator(".loupe").count() == 1
    page.mouse.up()
    wide = page.locator("[data-picture]").bounding_box()["width"]
    assert corner() - before == pytest.approx(40 * 800 / wide, abs=3)
    # A finger that moves slowly moves the mark at a quarter of its way, so that a pin's tip can be met on a phone.
    before = corner()
    page.evaluate(SLOW_FINGER, 12)
    assert corner() - before == pytest.approx(12 * 0.25 * 800 / wide, abs=1.1)
    before = corner()
    mark.focus()
    page.keyboard.press("Shift+ArrowLeft")
    assert corner() < before - 5


def test_what_the_browser_remembers_is_no_answer_once_it_was_sent(server, visitor):
    page = visitor()
    begin(page, server.url)
    press_and_wait(page, "[data-go=next]")
    answer_card(page, {"breed": "Havanese"})
    remembered = page.evaluate("JSON.stringify({...localStorage})")
    assert "Havanese" not in json.dumps(remembered)


@pytest.mark.parametrize(
    ("agent", "heic"),
    [
        ("Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) AppleWebKit/605.1.15 Mobile/15E148", False),
        ("Mozilla/5.0 (Linux; Android 15; Pixel) AppleWebKit/537.36 Chrome/130 Mobile Safari/537.36", True),
    ],
)
def test_phones_that_turn_their_photos_into_jpeg_are_asked_for_jpeg_others_may_send_heic(server, visitor, agent, heic):
    page = visitor(user_agent=agent)
    open_step(page, server.url, server.start_dog(), "photos")
    for field in ("#camera", "#files"):
        accepted = page.get_attribute(field, "accept")
        assert "image/jpeg,image/png,image/webp" in accepted
        assert ("heic" in accepted) == heic
        assert "image/*" not in accepted


def test_an_owner_deletes_everything_on_the_page(server, visitor, web):
    page = visitor()
    token = server.start_dog("Nimbus")
    open_step(page, server.url, token, "photos")
    page.click("details:has([data-go=delete]) summary")
    press_and_wait(page, "[data-go=delete]")
    assert "Nimbus" in page.inner_text("main") and "can't be undone" in page.inner_text("main")
    assert web.get(f"/api/v1/dogs/by-link/{token}").status_code == 200  # nothing is gone before it was confirmed
    page.click("[data-form=erase] button")
    page.wait_for_selector(".page[data-step=deleted]")
    assert "was erased" in page.inner_text("main")
    assert web.get(f"/api/v1/dogs/by-link/{token}").status_code == 404
