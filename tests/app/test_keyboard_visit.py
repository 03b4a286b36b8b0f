"""A visit from the finding to the next date by keyboard alone, in both languages; nothing is signed twice or unseen."""

from __future__ import annotations

import pytest
from salon_walk import PASSWORD, doubtful_dog

from coatclass.words import LANGUAGES, catalogue

pytestmark = pytest.mark.browser
DESK = {"width": 1280, "height": 900}


def reach(page, selector):
    """Press Tab until the focus stands on what the selector names; what has the focus can be seen."""
    for _ in range(90):
        page.keyboard.press("Tab")
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
            assert page.evaluate(SEEN), f"the focus can't be seen at {selector}"
            return
    pytest.fail(f"the tab key never reaches {selector}")


SEEN = """() => {
    const focused = document.activeElement, drawn = focused.closest("label, .zone") || focused;
    const at = drawn.getBoundingClientRect();
    return at.width > 1 && at.height > 1 && at.bottom > 0 && at.top < innerHeight;
}"""


def go(page, selector, key="Enter"):
    reach(page, selector)
    page.keyboard.press(key)


def arrive(page, step):
    page.wait_for_selector(f'.page[data-step="{step}"]')


@pytest.mark.slow
@pytest.mark.parametrize("language", LANGUAGES[:2])
def test_finding_check_and_end_of_a_visit_go_by_keyboard_alone(server, salon, visitor, language):
    name = f"Sedge {language}"
    dog = doubtful_dog(salon, name, f"{name}'s owner")
    page = visitor(DESK, locale=language)
    _sign_in_and_find(page, server.url, name, dog)
    _enter_finding(page, dog)
    [found] = salon.get(f"/api/v1/dogs/{dog}").json()["findings"]
    assert (found["category"], found["lengths_mm"]["trunk"]) == ("curly", 24.0)
    assert found["mats"] and "trunk" not in found["mats"] and found["patience"]
    _enter_check(page, f"{server.url}/groomer/check/{dog}", dog, catalogue(language, "visit"))
    _end(page, dog, catalogue(language, "visit"))
    [visit] = salon.get(f"/api/v1/dogs/{dog}").json()["appointments"]
    assert visit["state"] == "planned"
    assert page.said == []


def _sign_in_and_find(page, url, name, dog):
    page.goto(f"{url}/sign-in")
    page.wait_for_selector("#name:focus")  # the page puts the cursor there
    page.keyboard.type("Ada")
    reach(page, "#password")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector(".page.salon")
    reach(page, "#find")
    page.keyboard.type(name)
    page.keyboard.press("Enter")
    arrive(page, "search")
    go(page, f'a[data-go="dog/{dog}"]')
    arrive(page, f"dog/{dog}")


def _enter_finding(page, dog):
    go(page, f'a[data-go="finding/{dog}"]')
    arrive(page, f"finding/{dog}")
    go(page, "[name=category]", "Space")
    for _ in range(4):
        page.keyboard.press("ArrowDown")
    go(page, "#length-1", "Control+a")
    page.keyboard.type("24")
    go(page, "[name=patience]", "ArrowUp")  # calmer than told: a dog that can't bear the brush is not checked
    go(page, ".places .zone", "ArrowDown")  # to the place below on the dog
    page.keyboard.press("Enter")
    go(page, "[name=place-mats]", "ArrowDown")
    page.keyboard.press("ArrowDown")
    go(page, "form button.main[type=submit]")
    arrive(page, f"dog/{dog}")


def _enter_check(page, address, dog, words):
    page.goto(address)
    arrive(page, f"check/{dog}")
    go(page, 'input[data-map="zones"]', "ArrowRight")
    stopped = page.evaluate("document.activeElement.dataset.key")
    go(page, "[data-rest]")
    go(page, '[data-list="faults"][value="surface_only"]', "Space")
    go(page, "form button.main[type=submit]")
    arrive(page, f"dog/{dog}")
    told = words.say("page.stops_at", zones=words.zone(stopped))
    assert f"{words.title(told)} · {words.say('fault.surface_only')}" in page.locator("#content").inner_text()


def _end(page, dog, words):
    go(page, f'a[data-go="end/{dog}"]')
    arrive(page, f"end/{dog}")
    assert page.locator(".tag", has_text=words.say("page.done")).count() == 2
    go(page, f'a[data-go="visit/{dog}"]')
    arrive(page, f"visit/{dog}")
    go(page, '[data-weeks="8"]', "Space")
    go(page, "form button.main[type=submit]")
    arrive(page, f"dog/{dog}")
