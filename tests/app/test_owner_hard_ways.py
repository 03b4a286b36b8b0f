"""The owner's way by the keyboard alone, without scripts, by a wrong address, and in the narrowest column."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from owner_walk import DESKTOP, PHONE, begin, leave, open_step, step_of, token_of, unfold
from PIL import Image
from test_owner_page import card_scene, follow, full_dog

from app.owner import flow

pytestmark = pytest.mark.browser

WHOLE_WORDS = (Path(__file__).parent / "whole_words.js").read_text("utf-8")


def kept(web, token) -> dict[str, object]:
    return web.get(f"/api/v1/dogs/by-link/{token}").json()["answers"]


# --- the keyboard alone -----------------------------------------------------------------------------------------------


def tab_to(page, selector: str) -> None:
    """Press Tab until the focus is there, as somebody without a mouse has to."""
    for _ in range(150):
        page.keyboard.press("Tab")
        if page.evaluate("wanted => document.activeElement.matches(wanted)", selector):
            return
    raise AssertionError(f"the keyboard never gets to {selector}")


def choose_file(page, field: str, path: Path) -> None:
    """Open the field's dialogue with Enter; it is awaited before the key, or it may open unseen on a busy machine."""
    opened = []
    page.once("filechooser", lambda chooser: opened.append(chooser))  # noqa: PLW0108  playwright marks the function
    tab_to(page, field)
    page.keyboard.press("Enter")
    for _ in range(600):
        if opened:
            break
        page.wait_for_timeout(100)
    opened[0].set_files(path)


def type_marks(page, marks) -> None:
    """Open the numbers and type the places of the marks, one field after the other."""
    tab_to(page, "[data-form=measure] summary")
    page.keyboard.press("Enter")
    for point in marks:
        for value in point:
            page.keyboard.press("Tab")
            page.keyboard.press("Control+a")
            page.keyboard.type(str(value))


def test_hair_beside_a_card_is_measured_with_the_keyboard_alone(server, visitor, web, tmp_path):
    page, token = visitor(), server.start_dog()
    marks = card_scene(tmp_path / "card.png")
    open_step(page, server.url, token, "measure")
    choose_file(page, "#card-photo", tmp_path / "card.png")
    page.wait_for_selector(".mark:focus")
    type_marks(page, marks)
    tab_to(page, "[data-form=measure] [type=submit]")
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-keep]:visible")
    tab_to(page, "[data-keep]")
    page.keyboard.press("Enter")
    leave(page, "measure")
    assert kept(web, token)["trunk_length_mm"] == pytest.approx(60, rel=0.03)


def test_a_brush_is_judged_and_kept_with_the_keyboard_alone(server, visitor, web, tmp_path):
    page, token = visitor(), full_dog(server)
    marks = card_scene(tmp_path / "brush.png")  # the line beside the card is 60 mm long; a pin ends at a quarter of it
    pin = [marks[4], (marks[4][0], marks[4][1] - 60)]
    open_step(page, server.url, token, "tool")
    tab_to(page, "[name=kind]")
    page.keyboard.press("Space")
    tab_to(page, "[name=stiffness]")
    page.keyboard.press("ArrowDown")
    choose_file(page, "#tool-photo", tmp_path / "brush.png")
    page.wait_for_selector(".mark:focus")
    type_marks(page, [*marks[:4], *pin])
    tab_to(page, "[data-form=tool] [type=submit]")
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-said] p")
    assert "15 mm" in page.inner_text("[data-said]")
    tab_to(page, "[data-keep]")
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-keep]", state="hidden")
    tool = kept(web, token)["owned_tools"][-1]
    assert tool["pin_length_mm"] == pytest.approx(15, rel=0.05)
    assert tool["stiffness"] == "soft"


def test_a_dog_is_sent_to_the_groomer_and_taken_back_with_the_keyboard_alone(server, visitor, web):
    page, token = visitor(DESKTOP), full_dog(server)
    open_step(page, server.url, token, "result")
    tab_to(page, "#request summary")
    page.keyboard.press("Enter")
    tab_to(page, "#sender")
    page.keyboard.type("Ottoline Farrow")
    page.keyboard.press("Tab")
    page.keyboard.type("0000 100")
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-form=take-back]")
    tab_to(page, "[data-form=take-back] button")
    page.keyboard.press("Enter")
    page.wait_for_selector("#request")
    assert "taken back" in page.inner_text("[data-status]").lower()


def test_everything_is_deleted_with_the_keyboard_alone(server, visitor, web):
    page, token = visitor(), full_dog(server)
    open_step(page, server.url, token, "result")
    tab_to(page, "#erase summary")
    page.keyboard.press("Enter")
    tab_to(page, "#erase a")
    page.keyboard.press("Enter")
    page.wait_for_selector(".page[data-step=delete]")
    tab_to(page, "[data-form=erase] button")
    page.keyboard.press("Enter")
    page.wait_for_selector(".page[data-step=deleted]")
    assert web.get(f"/api/v1/dogs/by-link/{token}").status_code == 404


def test_what_could_not_be_sent_is_told_in_words(server, visitor):
    page = visitor()
    open_step(page, server.url, server.start_dog(), "delete")
    page.context.set_offline(True)
    page.click("[data-form=erase] button")
    page.wait_for_function("() => document.querySelector('[data-status]').textContent")
    assert page.inner_text("[data-status]").startswith("No connection")


def test_a_breed_that_nobody_knows_is_said_not_to_count(server, visitor, web):
    page, token = visitor(), server.start_dog()
    web.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"breed": "Wolpertinger"}).raise_for_status()
    open_step(page, server.url, token, "result")
    assert "'Wolpertinger' is no breed that we know" in page.inner_text(".answer")
    page.click(".answer .note a")
    page.wait_for_selector('.page[data-step="q/dog"]')


# --- without scripts --------------------------------------------------------------------------------------------------


def plain(visitor, server, token: str, step: str):
    """A page in a browser that runs no scripts."""
    page = visitor(java_script_enabled=False)
    page.goto(f"{server.url}/owner/{step}?dog={token}")
    return page


@pytest.mark.photos
def test_without_scripts_a_photo_is_taken_back(server, visitor, web, photos):
    token = server.start_dog()
    content = (photos / "oxford" / "havanese_1.jpg").read_bytes()
    web.post(f"/api/v1/dogs/by-link/{token}/photos", files=[("photos", ("dog.jpg", content))]).raise_for_status()
    page = plain(visitor, server, token, "photos")
    follow(page, "[data-form=remove] button")
    assert step_of(page) == "photos"
    assert web.get(f"/api/v1/dogs/by-link/{token}").json()["photos"] == []


@pytest.mark.photos
def test_without_scripts_a_photo_that_is_refused_takes_no_other_with_it(server, visitor, web, photos, tmp_path):
    token = server.start_dog()
    (tmp_path / "letter.jpg").write_bytes(b"Dear groomer, this is no picture.")
    page = plain(visitor, server, token, "photos")
    # The browser's own control would speak the browser's language; ours also says, without scripts, that it was used.
    assert page.locator("#plain-photos").bounding_box()["width"] <= 1
    assert page.is_visible("label[for=plain-photos]") and not page.is_visible(".chosen")
    page.set_input_files("#plain-photos", [tmp_path / "letter.jpg", photos / "oxford" / "havanese_1.jpg"])
    assert page.is_visible(".chosen")
    follow(page, "main form [type=submit]")
    assert step_of(page) == "photos"
    assert "letter.jpg: Not kept:" in page.inner_text("[role=alert]")
    assert page.locator(".pictures figure").count() == 1
    assert len(web.get(f"/api/v1/dogs/by-link/{token}").json()["photos"]) == 1


def test_without_scripts_a_dog_is_deleted_after_it_was_confirmed(server, visitor, web):
    token = server.start_dog("Nimbus")
    page = plain(visitor, server, token, "photos")
    page.click("details:has([data-go=delete]) summary")
    follow(page, "[data-go=delete]")
    assert "Nimbus" in page.inner_text("main")
    follow(page, "[data-form=erase] button")
    assert step_of(page) == "deleted"
    assert "was erased" in page.inner_text("main")
    assert token not in page.content()
    assert web.get(f"/api/v1/dogs/by-link/{token}").status_code == 404


def test_without_scripts_an_old_tab_takes_nothing_back_that_another_tab_said(server, visitor, web):
    token = server.start_dog()
    there = f"/api/v1/dogs/by-link/{token}"
    web.patch(f"{there}/answers", json={"breed": "Border Terrier"}).raise_for_status()
    page = plain(visitor, server, token, "q/dog")
    web.patch(f"{there}/answers", json={"breed": "Komondor"}).raise_for_status()
    page.fill("#age_months", "30")
    follow(page, "main form [type=submit]")
    assert web.get(there).json()["answers"] == {"breed": "Komondor", "age_months": 30}


def test_without_scripts_a_request_is_taken_back(server, visitor, web):
    token = full_dog(server)
    sender = {"name": "Ottoline Farrow", "reach": "0000 100"}
    web.post(f"/api/v1/dogs/by-link/{token}/request", json=sender).raise_for_status()
    page = plain(visitor, server, token, "result")
    follow(page, "[data-form=take-back] button")
    assert step_of(page) == "result" and page.locator("#request").count() == 1


def test_without_scripts_tools_parents_and_genes_are_kept_as_with_them(server, visitor, web):
    answers = {}
    for scripts in (True, False):
        token, page = server.start_dog(), visitor(java_script_enabled=scripts)
        for step in ("q/tools", "q/genes"):
            page.goto(f"{server.url}/owner/{step}?dog={token}")
            if step == "q/tools":
                page.check("label:has-text('Ball-tip pin brush') input")
                page.fill("#tools-others", "that pink thing, a sponge")
            else:
                page.fill("[name=parents]", "Poodle; Maltese")
                for n, (breed, share) in enumerate((("Poodle", "60"), ("Maltese", "39.5"))):
                    page.fill(f"[name=dna_breeds-name] >> nth={n}", breed)
                    page.fill(f"[name=dna_breeds-value] >> nth={n}", share)
                page.fill("[name=dna_result-name] >> nth=0", "FGF5")
                page.fill("[name=dna_result-value] >> nth=0", "lh/lh")
            page.click("[data-form=card] [type=submit]")
            leave(page, step)
        answers[scripts] = kept(web, token)
    assert answers[False] == answers[True]
    assert set(answers[False]) == {"owned_tools", "parents", "dna_breeds", "dna_result"}


def test_what_needs_scripts_says_so_and_shows_no_dead_button(server, visitor):
    token = full_dog(server)
    for step in ("measure", "tool"):
        page = plain(visitor, server, token, step)
        assert "needs scripts" in page.inner_text("main")
        assert page.locator("main :is(button, label.button, input)").filter(visible=True).count() == 0


def test_a_form_that_lacks_something_leads_back_to_it(server, visitor):
    page = plain(visitor, server, full_dog(server), "result")
    page.click("#request summary")
    follow(page, "#request [type=submit]")
    assert "needs your name" in page.inner_text("main")
    follow(page, "main a.button")
    assert step_of(page) == "result"


# --- wrong addresses --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["rseult", "q/nonsense", "remove/x"])
def test_a_mistyped_step_leads_back_to_the_dog(server, visitor, step):
    page, token = visitor(), full_dog(server)
    answer = page.goto(f"{server.url}/owner/{step}?dog={token}")
    assert answer.status == 404
    assert "There is no such page." in page.inner_text("main")
    page.click("main a.button")
    leave(page, "problem")
    assert token_of(page) == token


def test_a_link_that_lost_a_letter_is_told_in_a_sentence(server, visitor):
    page = visitor(locale="de")
    answer = page.goto(f"{server.url}/owner/photos?dog={server.start_dog()[:-1]}")
    assert answer.status == 404
    assert "Dieser Link führt nirgendwohin" in page.inner_text("main")
    assert page.locator("main a.button").get_attribute("href") == "/owner/"


def test_a_photo_that_is_kept_but_does_not_count_is_told_so_to_those_who_listen(server, visitor, photos, tmp_path):
    page = visitor()
    begin(page, server.url)
    photo = photos / "oxford" / "havanese_1.jpg"
    Image.open(photo).convert("L").save(tmp_path / "grey.png")
    for n, path in enumerate((photo, tmp_path / "grey.png"), 1):
        page.set_input_files("#files", path)
        page.wait_for_function(f"() => document.querySelectorAll('.pictures figure').length == {n}")
    heard, read = (page.inner_text(place) for place in ("[data-words]", ".pictures li:last-child"))
    assert "Kept, but not counted" in heard and "Kept, but not counted" in read


def test_paper_shows_the_answer_and_what_was_unfolded_and_no_headings_over_nothing(server, visitor):
    page = visitor()
    open_step(page, server.url, full_dog(server), "result")
    page.emulate_media(media="print")
    assert page.locator(".answer h1").is_visible()
    assert page.locator("main summary").filter(visible=True).count() == 0
    assert page.locator("main .all > h2").filter(visible=True).count() == 0
    page.emulate_media(media="screen")
    page.click("#week summary")
    page.emulate_media(media="print")
    assert page.locator("main .all > h2").is_visible() and page.locator("#week .week").is_visible()
    assert page.locator("main summary").filter(visible=True).count() == 1


# --- the narrowest column ---------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("language", ["de", "en", "fr"])
def test_no_word_is_broken_without_a_hyphen_on_a_phone(server, visitor, web, language):
    page, found = visitor(PHONE, locale=language), {}
    demo = Path(__file__).resolve().parents[2] / "app" / "demo"
    tokens = [full_dog(server)]
    for name in ("tansy", "bramble", "otter"):
        tokens.append(server.start_dog(name.title()))
        answers = json.loads((demo / f"{name}.json").read_text("utf-8"))
        web.patch(f"/api/v1/dogs/by-link/{tokens[-1]}/answers", json=answers).raise_for_status()
    steps = ["photos", "tool", "measure", "delete", *(f"q/{card.id}" for card in flow.every_card())]
    addresses = [(tokens[0], step) for step in steps] + [
        (token, step) for token in tokens for step in ("result", "shop")
    ]
    for token, step in addresses:
        page.goto(f"{server.url}/owner/{step}?dog={token}")
        unfold(page)
        if broken := page.evaluate(WHOLE_WORDS):
            found[step] = broken
    assert found == {}
