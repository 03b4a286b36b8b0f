"""The language of a page: the browser's, or the one that was chosen there; the same on every page and sheet."""

from __future__ import annotations

import re

import httpx
import pytest

from app.language import COOKIE, preferred


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
    answer = httpx.get(server.url + path, params={"language": "de"}, follow_redirects=False)
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
