"""One owner's way in a real browser: the browser's language, the switch, and an entry that outlives it."""

from __future__ import annotations

from pathlib import Path

import pytest
from owner_walk import PHONE, begin, press_and_wait, step_of, token_of
from salon_walk import doubtful_dog, enter, make_known, sign_in

pytestmark = pytest.mark.browser

FITS = (Path(__file__).parent / "fits.js").read_text(encoding="utf-8")


def language(page) -> str:
    return str(page.get_attribute("html", "lang"))


def test_an_owner_reads_german_switches_and_loses_nothing(server, visitor, web, axe):
    page = visitor(PHONE, locale="de-AT")
    begin(page, server.url, "Tansy")
    assert language(page) == "de"
    assert page.inner_text("h1") == "Ein Foto, bitte: Tansy"
    assert axe(page) == []
    press_and_wait(page, "[data-go=next]")
    assert page.inner_text("legend") == "Welche Rasse oder Kreuzung ist Ihr Hund?"
    page.fill("#breed", "Havanese")
    page.click("nav.languages [lang=en]")  # with an entry that was not sent yet
    page.wait_for_selector("html[lang=en]")
    # What was not sent before the switch is sent by the new page, which then shows it.
    page.wait_for_function("() => document.querySelector('#breed').value === 'Havanese'")
    page.wait_for_selector("#breed")  # which was hidden until then
    assert page.inner_text("legend") == "Which breed or cross is your dog?"
    assert step_of(page) == "q/dog"
    token = token_of(page)
    answers = {"feel": "silky", "curl": "straight", "keeps_growing": True, "weight_kg": 5, "mats": {"ears": "mats"}}
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json=answers).raise_for_status()
    page.click("nav.languages [lang=de]")
    page.wait_for_selector("html[lang=de]")
    page.click("nav [data-go=result]")
    page.wait_for_selector(".page[data-step=result]")
    assert language(page) == "de"
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    assert axe(page) == []
    assert page.evaluate(FITS) == []
    assert page.said == []


def test_a_groomer_reads_german_and_the_chosen_language_stays(server, visitor, web, axe):
    make_known(server.data)
    sign_in(web).raise_for_status()
    dog = doubtful_dog(web, name="Sorrel")
    page = visitor({"width": 1280, "height": 900}, locale="de-DE")
    enter(page, server.url)
    assert (language(page), page.inner_text("h1")) == ("de", "Heute")
    for step in (f"dog/{dog}", f"bench/{dog}", f"finding/{dog}"):
        page.goto(f"{server.url}/groomer/{step}")
        assert language(page) == "de"
        assert axe(page) == []
    page.click("nav.languages [lang=en]")
    page.wait_for_selector("html[lang=en]")
    page.goto(f"{server.url}/groomer/")
    assert (language(page), page.inner_text("h1")) == ("en", "Today")
    assert page.said == []
