"""The first start: a code in the terminal makes the first groomer's account, once."""

from __future__ import annotations

from itertools import count

import pytest
from fastapi.testclient import TestClient

from app.server import create_app
from app.settings import Settings
from app.sign_in import PATH, FirstAccount, invitation
from coatclass.records import User, UserRole, add_user

PASSWORD = "four wet terriers"


@pytest.fixture
def app(tmp_path):
    return create_app(Settings(data=tmp_path, workbench=False))


@pytest.fixture
def web(app):
    with TestClient(app, base_url="http://127.0.0.1", follow_redirects=False) as client:
        yield client


def test_the_start_page_leads_over_the_sign_in_and_the_code_into_the_salon_once(app, web):
    code = app.state.first_account.code
    assert 'href="/sign-in"' in web.get("/owner/").text
    assert f'href="{PATH}"' in web.get("/sign-in").text
    assert code not in web.get(PATH).text
    typed = code.lower().replace("-", " ")
    made = web.post(PATH, data={"code": typed, "name": "Ada", "password": PASSWORD})
    assert (made.status_code, made.headers["location"]) == (303, "/groomer/")
    assert web.get("/groomer/").status_code == 200
    assert [(one.name, one.role) for one in app.state.records.find(User)] == [("Ada", UserRole.GROOMER)]

    web.cookies.clear()
    again = web.post(PATH, data={"code": code, "name": "Eve", "password": PASSWORD})
    assert (again.status_code, len(app.state.records.find(User))) == (403, 1)
    assert web.get(PATH).headers["location"] == "/sign-in"
    assert PATH not in web.get("/sign-in").text


def test_a_wrong_code_or_a_short_password_makes_nobody_and_the_name_stays_typed(app, web):
    german = {"accept-language": "de"}
    wrong = web.post(PATH, data={"code": "AAAA-AAAA-AAAA", "name": "Ada", "password": PASSWORD}, headers=german)
    assert (wrong.status_code, "ist nicht der im Terminal" in wrong.text, 'value="Ada"' in wrong.text) == (
        403,
        True,
        True,
    )
    for name, password in (("Ada", "short"), ("  ", PASSWORD)):
        code = app.state.first_account.code
        assert web.post(PATH, data={"code": code, "name": name, "password": password}).status_code == 422
    assert app.state.records.find(User) == ()


def test_guesses_have_to_wait(web, monkeypatch):
    monkeypatch.setattr("app.guard.time.monotonic", lambda: 1000.0)  # however slow this machine is
    answers = [web.post(PATH, data={"code": "x", "name": "Ada", "password": PASSWORD}).status_code for _ in range(7)]
    assert answers[0] == 403
    assert answers[-1] == 429


def test_the_code_expires_and_is_not_made_where_there_is_somebody(app):
    salon, seconds = app.state.records, count(step=1800)
    way = FirstAccount(salon, {"code_minutes": 60}, clock=lambda: next(seconds))
    assert way.open
    assert not way.open  # an hour after the start
    add_user(salon, "Rosalind", PASSWORD, UserRole.RESEARCHER)
    assert FirstAccount(salon, {"code_minutes": 60}).code == ""
    assert not app.state.first_account.open  # somebody was added from the command line meanwhile


def test_the_demo_has_an_account_of_its_own(tmp_path):
    demo = create_app(Settings(data=tmp_path, demo=True, workbench=False))
    assert invitation(demo, "http://127.0.0.1/", "en") == ""
