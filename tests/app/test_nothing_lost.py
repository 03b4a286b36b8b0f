"""What somebody entered is kept, whatever is pressed next and whichever tab it was entered in, in a real browser."""

from __future__ import annotations

import pytest
from owner_walk import all_sent, open_step, press_and_wait, step_of
from salon_walk import change, doubtful_dog, enter, show
from test_owner_page import card_scene

from coatclass.words import catalogue

pytestmark = pytest.mark.browser
_AT = """([x, y]) => { const box = document.querySelector("[data-picture]").getBoundingClientRect();
return { clientX: box.left + x, clientY: box.top + y }; }"""


def answers(web, token):
    return web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"]


@pytest.fixture
def terrier(server, web):
    """A dog with a breed, so that there is a result to press for."""
    token = server.start_dog()
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"breed": "Border Terrier"}).raise_for_status()
    return token


LEAVE = {
    "show the result now": lambda page: press_and_wait(page, ".actions [data-go=result]"),
    "a tab": lambda page: press_and_wait(page, "nav [data-go=photos]"),
    "skip": lambda page: press_and_wait(page, "[data-pass]"),
    "next": lambda page: press_and_wait(page, "[type=submit]"),
}


@pytest.mark.parametrize("press", LEAVE.values(), ids=LEAVE.keys())
def test_sores_that_were_ticked_are_kept_whatever_is_pressed(server, visitor, web, terrier, press):
    page = visitor()
    open_step(page, server.url, terrier, "q/skin")
    page.check('input[name="skin_trouble"][value="sores"]')
    press(page)
    assert answers(web, terrier)["skin_trouble"] == ["sores"]
    if step_of(page) == "result":
        assert page.locator(".note.stop").count() > 0
    assert page.said == []


def test_sores_that_were_ticked_are_kept_over_back_and_over_a_reload(server, visitor, web, terrier):
    page = visitor()
    open_step(page, server.url, terrier, "photos")
    open_step(page, server.url, terrier, "q/skin")
    page.check('input[name="skin_trouble"][value="sores"]')
    press_and_wait(page, "[data-back]")
    all_sent(page)
    assert answers(web, terrier)["skin_trouble"] == ["sores"]
    open_step(page, server.url, terrier, "q/skin")
    page.check('input[name="skin_trouble"][value="pain"]')
    page.reload()
    page.wait_for_selector('input[name="skin_trouble"][value="pain"]:checked')
    all_sent(page)  # the browser itself may have ticked it again
    assert set(answers(web, terrier)["skin_trouble"]) == {"sores", "pain"}


def test_an_old_tab_takes_nothing_back_that_another_tab_said(server, visitor, web):
    token = server.start_dog()
    old = visitor()
    open_step(old, server.url, token, "q/dog")
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"breed": "Border Terrier"}).raise_for_status()
    old.fill("#age_months", "30")
    press_and_wait(old, "[type=submit]")
    assert answers(web, token) == {"breed": "Border Terrier", "age_months": 30}


def test_an_entry_that_cannot_be_is_said_and_the_rest_stays_on_the_screen(server, visitor, web, terrier):
    page = visitor()
    open_step(page, server.url, terrier, "q/dog")
    page.fill("#age_months", "99999")
    page.click(".actions [data-go=result]")
    page.wait_for_selector("[data-error]:visible")
    said = page.inner_text("[data-error]")
    assert "age_months" not in said and "months" in said
    assert page.input_value("#age_months") == "99999"
    assert step_of(page) == "q/dog"


def test_inches_years_and_pounds_are_taken_and_shown_as_they_were_typed(server, visitor, web, terrier):
    """1 in = 25.4 mm, 1 lb = 0.45359237 kg: international yard and pound agreement, 1959."""
    page = visitor()
    open_step(page, server.url, terrier, "q/dog")
    page.fill("#age_months", "2.5")
    page.select_option('[data-unit-of="age_months"]', label="years")
    assert page.input_value("#age_months") == "2.5"  # as everybody means it who types first and chooses then
    press_and_wait(page, "[type=submit]")
    assert answers(web, terrier)["age_months"] == 30
    open_step(page, server.url, terrier, "q/dog")
    page.select_option('[data-unit-of="age_months"]', label="months")
    assert page.input_value("#age_months") == "30"  # what is known already is said in the new unit
    open_step(page, server.url, terrier, "q/length")
    page.select_option('[data-unit-of="trunk_length_mm"]', label="inches")
    page.fill("#trunk_length_mm", "1.5")
    press_and_wait(page, "[type=submit]")
    assert answers(web, terrier)["trunk_length_mm"] == pytest.approx(38.1)
    open_step(page, server.url, terrier, "q/length")
    assert page.input_value("#trunk_length_mm") == "1.5"  # the unit is remembered
    press_and_wait(page, "[type=submit]")
    assert answers(web, terrier)["trunk_length_mm"] == pytest.approx(38.1)
    open_step(page, server.url, terrier, "q/time")
    page.select_option('[data-unit-of="weight_kg"]', label="pounds")
    page.fill("#weight_kg", "14")
    press_and_wait(page, "[type=submit]")
    assert answers(web, terrier)["weight_kg"] == pytest.approx(14 * 0.45359237, abs=1e-4)


def test_marks_that_were_not_moved_give_no_length_and_none_covers_another(server, visitor, terrier, tmp_path):
    page = visitor()
    open_step(page, server.url, terrier, "measure")
    marks = card_scene(tmp_path / "card.png")
    page.set_input_files("#card-photo", tmp_path / "card.png")
    page.wait_for_selector(".mark")
    places = [mark.bounding_box() for mark in page.locator(".mark").all()]
    apart = [abs(a["x"] - b["x"]) for n, a in enumerate(places) for b in places[n + 1 :]]
    assert min(apart) >= 44
    page.click("[data-form=measure] [type=submit]")
    page.wait_for_selector("[data-error]:visible")
    assert "no place yet: 1, 2, 3, 4, A, B" in page.inner_text("[data-error]")
    assert page.inner_text("[data-length]") == ""
    # A press in the picture puts the next mark; no dragging is needed.
    picture = page.locator("[data-picture]")
    scale = picture.bounding_box()["width"] / 800
    for x, y in marks:
        picture.dispatch_event("click", page.evaluate(_AT, [x * scale, y * scale]))
    page.click("[data-form=measure] [type=submit]")
    page.wait_for_selector("[data-keep]:visible")
    assert "The hair is 60 mm" in page.inner_text("[data-length]") or "The hair is 59" in page.inner_text(
        "[data-length]"
    )


# --- the salon's tabs -------------------------------------------------------------------------------------------------

BITES, CHEESE = "bites when dried", "likes cheese"


def saved(page):
    """Send the form; the dog's or client's page comes."""
    page.click("main form [type=submit]")
    page.wait_for_selector("main h2")


@pytest.mark.parametrize("language", ["en", "de"])
def test_an_old_tab_of_the_dog_takes_no_remark_of_another_tab_away(server, salon, visitor, language):
    dog = doubtful_dog(salon)
    old = visitor(locale=language)
    enter(old, server.url)
    newer = old.context.new_page()
    for tab in (old, newer):
        tab.goto(f"{server.url}/groomer/edit-dog/{dog}")
        tab.wait_for_load_state()
    newer.fill("#remarks", BITES)
    saved(newer)
    old.fill("[name=weight_kg]", "12.5")
    saved(old)
    kept = salon.get(f"/api/v1/dogs/{dog}").json()["dog"]
    assert (kept["remarks"], kept["weight_kg"]) == (BITES, 12.5)
    assert BITES in old.inner_text("main")
    assert old.said == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_of_two_tabs_with_one_remark_each_both_stay_and_one_is_told(server, salon, visitor, axe, language):
    words, dog = catalogue(language, "groomer"), doubtful_dog(salon)
    page = visitor(locale=language)
    enter(page, server.url)
    show(page, f"edit-dog/{dog}")
    change(salon, f"dogs/{dog}", remarks=BITES, weight_kg=9, sex="male").raise_for_status()
    page.fill("#remarks", CHEESE)
    page.fill("[name=weight_kg]", "12.5")
    page.click("main form [type=submit]")
    page.wait_for_selector("[data-error]:visible")
    assert page.inner_text("[data-error]") == words.say("script.meanwhile")
    assert page.input_value("#remarks").splitlines() == [BITES, CHEESE]
    assert page.locator("main form [data-meanwhile]").all_inner_texts() == [
        f"{words.say('script.newer')} 9", words.say("script.both")
    ]  # fmt: skip
    assert page.input_value("[name=sex]") == "male", "what nobody changed here follows"
    assert axe(page) == []
    assert salon.get(f"/api/v1/dogs/{dog}").json()["dog"]["remarks"] == BITES
    saved(page)
    kept = salon.get(f"/api/v1/dogs/{dog}").json()["dog"]
    assert (kept["remarks"], kept["weight_kg"], kept["sex"]) == (f"{BITES}\n{CHEESE}", 12.5, "male")
    assert page.said == []


def test_an_old_tab_of_a_finding_shows_the_newer_one_before_it_replaces_it(server, salon, visitor):
    dog = doubtful_dog(salon)
    page = visitor()
    enter(page, server.url)
    show(page, f"finding/{dog}")
    newer = {"category": "curly", "mats": {"armpits": "felted"}, "remarks": BITES}
    salon.post(f"/api/v1/dogs/{dog}/findings", json=newer).raise_for_status()
    page.check("[name=category][value=wire]")
    page.click("main form [type=submit]")
    page.wait_for_selector("[data-error]:visible")
    said = page.inner_text("[data-error]")
    assert BITES in said and "felted" in said
    saved(page)
    found = salon.get(f"/api/v1/dogs/{dog}").json()["findings"]
    assert [one["category"] for one in found] == ["curly", "wire"]


def test_the_salons_lists_follow_what_another_tab_kept_and_tell_it(server, salon, visitor):
    page = visitor()
    enter(page, server.url)
    for step, entered, told, typed in (
        ("guards", {"guards": {"long": 25}}, "long: 25 mm", ("[data-key-for=guard-2]", "#guard-2")),
        ("rates", {"per_hour": 44}, ": 44;", ("[name=after]", "[name=per_hour]")),
    ):
        show(page, step)
        read = page.evaluate("JSON.parse(document.querySelector('[data-read]').dataset.read)")
        salon.put(f"/api/v1/{step}", json=entered | {"seen": read}).raise_for_status()
        for field, value in zip(typed, ("€", "7"), strict=True):
            page.fill(field, value)
        page.click("main form [type=submit]")
        page.wait_for_selector("[data-error]:visible")
        assert told in page.inner_text("[data-error]")
        page.click("main form [type=submit]")
        page.wait_for_selector("[data-status]:not(:empty)")
    assert {one["name"]: one["mm"] for one in salon.get("/api/v1/guards").json()} == {"€": 7}
    assert salon.get("/api/v1/rates").json()["per_hour"] == 7


def test_a_remark_that_is_being_typed_outlives_what_is_pressed_elsewhere_on_the_page(server, salon, visitor):
    dog = doubtful_dog(salon)
    salon.post(f"/api/v1/dogs/{dog}/findings", json={"category": "curly"}).raise_for_status()
    page = visitor()
    enter(page, server.url)
    show(page, f"dog/{dog}")
    page.fill("#remarks", BITES)
    page.click('[data-send$="/counted"]')
    page.wait_for_selector("""[data-send$="/counted"][data-body*="false"]""")
    assert page.input_value("#remarks") == BITES
    page.click('form[data-send*="/findings/"] [type=submit]')
    page.wait_for_selector("[data-status]:not(:empty)")
    assert salon.get(f"/api/v1/dogs/{dog}").json()["findings"][-1]["remarks"] == BITES
