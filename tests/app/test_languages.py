"""The language of a page: the browser's, or the one that was chosen there; the same on every page and sheet."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser

import httpx
import pytest
from salon_walk import doubtful_dog, make_known, sign_in

from app.groomer import page as views
from app.language import COOKIE, preferred
from app.owner import flow
from coatclass.words import about, catalogue

STEPS = tuple(views.STEPS)


@pytest.fixture(scope="module")
def server(own_server):
    return own_server


@pytest.fixture
def reader(server):
    """A browser without scripts: follows where it is led and keeps cookies."""
    with httpx.Client(base_url=server.url, timeout=60, follow_redirects=True) as client:
        yield client


GERMAN = {"accept-language": "de-AT,de;q=0.9,en;q=0.5"}


@pytest.mark.parametrize(
    ("accepted", "language"),
    [
        ("de", "de"),
        ("de-CH, en;q=0.8", "de"),
        ("en;q=0.8, de;q=0.9", "de"),
        ("nl, de;q=0.2", "de"),  # no Dutch here: the next one
        ("de;q=0, en", "en"),  # RFC 9110, 12.4.2: a weight of 0 means not acceptable
        ("", "en"),
        ("*", "en"),
        ("de;q=much", "en"),
        (",;q=,;;", "en"),
    ],
)
def test_the_first_of_the_browsers_languages_that_is_there(accepted, language):
    assert preferred(accepted) == language


def language_of(page: httpx.Response) -> str:
    found = re.search(r'<html lang="(\w+)">', page.text)
    assert found, page.text[:200]
    return found[1]


def test_a_page_speaks_the_browsers_language_until_another_is_chosen(reader):
    assert language_of(reader.get("/owner/", headers=GERMAN)) == "de"
    german = reader.get("/sign-in", headers=GERMAN)
    assert language_of(german) == "de"
    assert re.search(r'<a href="/sign-in\?language=en" lang="en" hreflang="en">English</a>', german.text)
    chosen = reader.get("/sign-in?language=en", headers=GERMAN)
    assert chosen.url.path == "/sign-in"
    assert not chosen.url.query
    assert language_of(reader.get("/owner/", headers=GERMAN)) == "en"


def test_the_switch_leads_back_to_the_same_place(reader, server):
    token = server.start_dog("Tansy")
    there = f"/owner/q/feel?dog={token}"
    page = reader.get(there)
    assert f'href="{there.replace("&", "&amp;")}&amp;language=de"' in page.text
    switched = reader.get(f"{there}&language=de")
    assert str(switched.url) == f"{server.url}{there}"
    assert language_of(switched) == "de"
    assert reader.cookies[COOKIE] == "de"


@pytest.mark.parametrize("path", ["//else.where/owner/", "/owner/..//else.where", "/api/v1/dogs"])
def test_a_choice_never_leads_to_another_host_or_out_of_the_pages(server, path):
    answer = httpx.get(server.url + path, params={"language": "de"}, follow_redirects=False, timeout=60)
    assert "else.where" not in httpx.URL(answer.headers.get("location", "/")).host
    assert not answer.is_redirect or answer.headers["location"].startswith("/owner")


def test_a_language_that_is_not_there_changes_nothing(reader):
    page = reader.get("/owner/?language=xx")
    assert page.status_code == httpx.codes.OK
    assert COOKIE not in reader.cookies


def test_the_sheet_follows_the_reader_unless_another_is_asked_for(reader, server):
    token = server.start_dog("Tansy")
    reader.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"feel": "silky", "curl": "straight"}).raise_for_status()
    sheet = f"/api/v1/dogs/by-link/{token}/sheet.html"
    assert language_of(reader.get(sheet)) == "en"
    assert language_of(reader.get(sheet, headers=GERMAN)) == "de"
    assert language_of(reader.get(f"{sheet}?language=en", headers=GERMAN)) == "en"


# --- every page, all of it ------------------------------------------------------------------------------------------

_SAID_BY_ATTRIBUTE = ("aria-label", "alt", "title", "placeholder")
_KEPT_BY_SCRIPTS = [
    "sure",
    "done",
    "copied",
    "erase",
    "gone",
    "rest",
    "sent",
    "take-back",
    "unplaced",
    "unseen",
    "found",
    "range",
    "kept",
    "looking",
    "good",
    "doubtful",
    "refused",
    "slow",
    "offline",
    "again",
    "late",
    "failed",
    "unsaved",
    "missing",
]
_ENGLISH = re.compile(r"\b(the|and|of|is|are|your|with|this|that|from|not yet|nothing)\b")


class Said(HTMLParser):
    """What a page says: its texts, and those that readers and scripts take out of attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._silent = 0
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self._silent += tag in ("script", "style", "option", "textarea", "datalist") and tag != "option"
        told = {*_SAID_BY_ATTRIBUTE, *(f"data-{name}" for name in _KEPT_BY_SCRIPTS)}
        self.texts += [value for name, value in attributes if name in told and value]

    def handle_endtag(self, tag):
        self._silent -= tag in ("script", "style", "textarea", "datalist")

    def handle_data(self, data):
        if not self._silent and data.strip():
            self.texts.append(" ".join(data.split()))


def english_in(german: str, english: str, names: tuple[str, ...]) -> set[str]:
    """Texts of a German page that stand word for word on the English one, or have an English word."""
    same = set(Said(english).texts)
    found = set()
    for text in Said(german).texts:
        bare = text
        for name in names:
            bare = bare.replace(name, "")
        if len(re.findall(r"[^\W\d_]{2,}", bare)) > 1 and (text in same or _ENGLISH.search(bare)):
            found.add(text)
    return found


# Written by people, or names in every language; the sources of facts stay in the language of the data.
NAMES = ("English", "Ottoline Farrow", "Golden Retriever", "Standard Poodle", "coatclass user add", "Cain and Mauldin",
         "coatclass records import", "Fennel", "Tansy", "coatclass")  # fmt: skip


def both(reader: httpx.Client, address: str) -> tuple[str, str]:
    pages = []
    for language in ("de", "en"):
        page = reader.get(address, headers={"accept-language": language, "accept": "text/html"})
        assert "application/json" not in page.headers["content-type"], address
        assert language_of(page) == language, address
        pages.append(page.text)
    return pages[0], pages[1]


def test_the_owners_pages_hold_no_english(reader, server):
    token = server.start_dog("Tansy")
    given = {"breed": "Goldendoodle", "feel": "cottony", "curl": "wavy", "keeps_growing": True, "weight_kg": 22,
             "patience": "fidgets", "minutes_per_week": 40, "owned_tools": [{"kind": "comb"}, {"kind": "pink thing"}],
             "skin_trouble": ["redness"], "mats": {"ears": "mats", "tail": "tangles"}}  # fmt: skip
    reader.patch(f"/api/v1/dogs/by-link/{token}/answers", json=given).raise_for_status()
    steps = ["photos", "measure", "result", *(f"q/{card.id}" for card in flow.every_card()), "q/none", "nowhere"]
    addresses = ["/owner/", "/nowhere", "/owner/result?dog=wrong", *(f"/owner/{step}?dog={token}" for step in steps)]
    found = {address: english_in(*both(reader, address), NAMES) for address in addresses}
    assert {address: texts for address, texts in found.items() if texts} == {}


def test_the_salons_pages_hold_no_english(reader, server):
    make_known(server.data)
    assert not english_in(*both(reader, "/sign-in"), NAMES)
    sign_in(reader).raise_for_status()
    dog = doubtful_dog(reader, name="Fennel")
    client = reader.get(f"/api/v1/dogs/{dog}").json()["dog"]["client_id"]
    reader.post(f"/api/v1/dogs/{dog}/findings", json={"category": "mixed", "texture": "soft", "patience": "fidgets",
                                                      "mats": {"ears": "mats"}}).raise_for_status()  # fmt: skip
    found = {}
    for name in STEPS:
        address = f"/groomer/{name}"
        for tried in (f"{address}/{dog}", f"{address}/{client}", address):
            if reader.get(tried).status_code == httpx.codes.OK:
                found[tried] = english_in(*both(reader, tried), NAMES)
    assert len(found) >= len(STEPS)
    assert {address: texts for address, texts in found.items() if texts} == {}


def test_a_refusal_is_said_in_the_readers_language(reader, server):
    token = server.start_dog("Tansy")
    address = f"/api/v1/dogs/by-link/{token}/answers"
    said = reader.patch(address, json={"age_months": 900}, headers=GERMAN).json()
    assert said["problem"] == "„Wie alt ist Ihr Hund, in Monaten?“ braucht eine Zahl von 0 bis 360 (Monate), nicht 900."
    assert said["next_step"].startswith("Berichtigen oder entfernen Sie")
    photo = {"photos": ("dog.jpg", b"GIF89a", "image/gif")}
    kept = reader.post(f"/api/v1/dogs/by-link/{token}/photos", files=photo, headers=GERMAN).json()[0]
    assert kept["told"] == "Die Datei ist ein GIF, ein Format für Animationen. Schicken Sie ein unbewegtes Foto."
    assert kept["report"]["reasons"][0]["text"].startswith("The file is a GIF")  # the JSON's own text stays English


def test_the_search_for_english_finds_it(reader):
    german, english = both(reader, "/owner/")
    assert len(english_in(english, english, NAMES)) > 15
    mixed = german.replace("Los geht es", "Off you go with the dog")
    assert english_in(mixed, english, NAMES) == {"Off you go with the dog"}


def offered(room: str) -> str:
    """``fr`` if the French folder has every text of a room just now; a volunteer's folder lags behind."""
    return catalogue("fr", room).language


def test_a_language_that_nobody_has_read_yet_says_so_at_the_foot_of_pages_and_sheets(reader, server):
    french = {"accept-language": "fr", "accept": "text/html"}
    token = server.start_dog("Tansy")
    reader.patch(f"/api/v1/dogs/by-link/{token}/answers", json={"feel": "silky", "curl": "straight"}).raise_for_status()
    note = about("fr").note
    for address, room in (("/owner/", "owner"), (f"/owner/result?dog={token}", "owner")):
        page = reader.get(address, headers=french)
        assert language_of(page) == offered(room)
        assert (note in html.unescape(page.text)) is (offered(room) == "fr")
    sheet = reader.get(f"/api/v1/dogs/by-link/{token}/sheet.html", headers=french)
    assert language_of(sheet) == "fr" and note in html.unescape(sheet.text)
    assert note not in html.unescape(reader.get("/owner/").text)


def test_a_side_that_a_language_lacks_is_english_as_a_whole_and_is_not_offered(reader):
    for address, room in (("/sign-in", "groomer"), ("/owner/", "owner")):
        page = reader.get(address, headers={"accept-language": "fr, de;q=0.5", "accept": "text/html"})
        assert language_of(page) == offered(room)
        assert ("Français" in page.text) is (offered(room) == "fr")
