"""Who may do what: nobody without a sign-in, researchers no names, owners one dog, and no door beside the doors."""

from __future__ import annotations

import re

import httpx
import pytest
from fastapi.testclient import TestClient
from salon_walk import PASSWORD, PEOPLE, doubtful_dog, make_known, sign_in

from app.accounts import COOKIE, Attempts
from app.server import create_app
from app.settings import Settings, limits
from coatclass import records
from coatclass.records import Session, UserRole, add_user, session_user, set_disabled, start_session

OPEN = {
    "/health",
    "/health/slow",
    "/metrics",
    "/api/v1/assess",
    "/api/v1/schema/{of}",
    "/api/v1/sign-in",
    "/api/v1/sign-out",
    "/api/v1/signed-in",
}
OWNERS = "/api/v1/dogs/by-link"


OFTEN = {**limits(), "rate": {kind: {"per_minute": 1e6, "burst": 1e6} for kind in limits()["rate"]}}
# What was used up comes back so slowly that no pause of a busy machine counts.
SLOW = {**limits(), "rate": {**limits()["rate"], "sign_in": {"per_minute": 1e-6, "burst": 5}}}


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    app = create_app(Settings(data=tmp_path_factory.mktemp("salon"), limits=OFTEN, workbench=False))
    for name, role in PEOPLE.items():
        add_user(app.state.records, name, PASSWORD, role)
    return app


@pytest.fixture
def web(app):
    return TestClient(app)


@pytest.fixture
def ada(app):
    web = TestClient(app)
    assert sign_in(web).json() == {"name": "Ada", "role": "groomer"}
    return web


def handlers(app):
    """Every handler that needs a sign-in, with made-up ids in its address."""
    for path, methods in app.openapi()["paths"].items():
        if path not in OPEN and not path.startswith((OWNERS, "/pictures")):
            for method in methods:
                yield method.upper(), re.sub(r"\{\w+\}", "0" * 32, path.replace("{name}", "metrics.json"))


def test_every_handler_of_the_records_refuses_whoever_is_not_signed_in(app, web):
    asked = list(handlers(app))
    assert len(asked) > 35
    for method, path in asked:
        answer = web.request(method, path, json={})
        assert (answer.status_code, answer.json()["code"]) == (403, "forbidden"), (method, path)


def test_a_researcher_gets_nothing_but_research(app, web):
    assert sign_in(web, "Rosalind").status_code == 200
    for method, path in handlers(app):
        status = web.request(method, path, json={}).status_code
        assert (status == 403) == (not path.startswith("/api/v1/research")), (method, path, status)


def test_the_researchers_table_names_nobody(ada, web):
    dog = doubtful_dog(ada, "Quillon", "Sidonie Marsh")
    ada.post(f"/api/v1/dogs/{dog}/findings", json={"category": "mixed", "remarks": "Sidonie asked twice."})
    sign_in(web, "Rosalind")
    answer = web.get("/api/v1/research/findings.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    assert "mixed" in answer.text
    for word in ("Quillon", "Sidonie", "Ada", dog, "asked"):
        assert word not in answer.text


def test_owners_links_show_one_dog_and_no_other(ada, web):
    first, second = doubtful_dog(ada, "One"), doubtful_dog(ada, "Two")
    token, other = (ada.post(f"/api/v1/dogs/{dog}/links").json()["path"].split("dog=")[1] for dog in (first, second))
    assert web.get(f"{OWNERS}/{token}").json()["name"] == "One"
    assert web.get(f"{OWNERS}/{other}").json()["name"] == "Two"
    assert web.get(f"/api/v1/dogs/{first}").status_code == 403
    assert ada.delete(f"/api/v1/dogs/{first}/links").json() == {"revoked": 1}
    assert web.get(f"{OWNERS}/{token}").status_code == 404
    assert web.get(f"{OWNERS}/{other}").status_code == 200
    assert web.get(f"{OWNERS}/{'x' * 43}").status_code == 404


def test_a_photo_or_finding_is_not_to_be_had_through_another_dog(ada):
    mine, other = doubtful_dog(ada, "Mine"), doubtful_dog(ada, "Other")
    found = ada.post(f"/api/v1/dogs/{mine}/findings", json={"category": "hair"}).json()["finding"]["id"]
    assert ada.delete(f"/api/v1/dogs/{other}/findings/{found}").status_code == 404
    words = {"remarks": "x", "seen": {"remarks": ""}}
    assert ada.patch(f"/api/v1/dogs/{other}/findings/{found}", json=words).status_code == 404
    assert ada.delete(f"/api/v1/dogs/{mine}/findings/{found}").status_code == 204


# --- signing in -------------------------------------------------------------------------------------------------------


def test_wrong_passwords_slow_down_whoever_sends_them_and_nobody_else(tmp_path, monkeypatch):
    monkeypatch.setattr("app.guard.time.monotonic", lambda: 1000.0)  # however slow this machine is
    app = create_app(Settings(data=tmp_path, limits=OFTEN, workbench=False))
    add_user(app.state.records, "Ada", PASSWORD, UserRole.GROOMER)
    outsider, ada = (TestClient(app, client=(address, 1)) for address in ("192.0.2.7", "192.0.2.8"))
    free = int(limits()["sign_in"]["free_by_name"])
    answers = [sign_in(outsider, password=f"guess {number}") for number in range(free + 3)]
    assert [answer.status_code for answer in answers] == [401] * free + [429] * 3
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert sign_in(outsider).status_code == 429  # also with the right one, for a moment
    assert sign_in(ada).status_code == 200  # from elsewhere she never notices
    for other in ("ADA", " Ada ", "Áda", "Ａｄａ", "A\u0301da", "ada\u3000"):  # all of them are she
        assert sign_in(outsider, name=other).status_code == 429, other
        assert sign_in(ada, name=other).status_code == 200, other


def test_a_session_that_somebody_else_knows_is_not_taken_over_and_the_one_before_ends(tmp_path):
    app = create_app(Settings(data=tmp_path, workbench=False))
    add_user(app.state.records, "Ada", PASSWORD, UserRole.GROOMER)
    add_user(app.state.records, "Rosalind", PASSWORD, UserRole.RESEARCHER)
    web, other = TestClient(app), TestClient(app)
    web.cookies.set(COOKIE, "planted")
    assert sign_in(web).status_code == 200
    first = [cookie.value for cookie in web.cookies.jar if cookie.value != "planted"]
    web.cookies.clear()
    web.cookies.set(COOKIE, first[0])
    assert web.get("/api/v1/signed-in").json()["name"] == "Ada"
    other.cookies.set(COOKIE, "planted")
    assert other.get("/api/v1/signed-in").status_code == 403
    assert sign_in(web, "Rosalind").status_code == 200
    other.cookies.set(COOKIE, first[0])
    assert other.get("/api/v1/signed-in").status_code == 403


def test_a_guess_costs_as_much_for_a_name_that_nobody_has(tmp_path, monkeypatch):
    """One Argon2id each, so that the time doesn't tell who is known."""
    app = create_app(Settings(data=tmp_path, workbench=False))
    ada = add_user(app.state.records, "Ada", PASSWORD, UserRole.GROOMER)
    set_disabled(app.state.records, add_user(app.state.records, "Grace", PASSWORD, UserRole.GROOMER), True, who="Ada")
    checked = []
    matches = records.password_matches
    monkeypatch.setattr(records, "password_matches", lambda *how: checked.append(how) or matches(*how))
    answers = [sign_in(TestClient(app), name=name, password="guess") for name in ("Ada", "Grace", "Nobody", "=x")]
    assert {answer.status_code for answer in answers} == {401} and len({answer.text for answer in answers}) == 1
    assert len(checked) == 4 and checked[0][1] == ada and checked[2][1] is checked[3][1] is None


def test_guesses_of_many_names_from_one_address_are_slowed_down_too_and_a_success_forgives_its_own_slips(monkeypatch):
    monkeypatch.setattr("app.guard.time.monotonic", lambda: 0.0)
    now = Attempts({**limits()["sign_in"], "free_by_address": 6})
    assert [now.begin("a", name) for name in ("ada", "ada", *"bcde")] == [0.0] * 6
    assert now.begin("a", "f") > 0
    assert now.begin("b", "f") == 0
    now.succeeded("a", "ada")  # two slips less
    assert [now.begin("a", "f") > 0 for _ in range(3)] == [False, False, True]


def test_who_has_an_account_buys_no_guesses_at_others_by_signing_in(monkeypatch):
    monkeypatch.setattr("app.guard.time.monotonic", lambda: 0.0)
    now, let_through = Attempts(limits()["sign_in"]), 0
    for number in range(200):
        let_through += now.begin("a", f"other {number}") == 0
        if now.begin("a", "insider") == 0:
            now.succeeded("a", "insider")
    assert let_through == limits()["sign_in"]["free_by_address"]
    for _ in range(50):  # many people behind one address, each right at the first try, never wait
        assert now.begin("salon", "ada") == 0
        now.succeeded("salon", "ada")


def test_the_wait_doubles_up_to_a_ceiling_and_is_forgotten(monkeypatch):
    clock = [0.0]
    monkeypatch.setattr("app.guard.time.monotonic", lambda: clock[0])
    now, waits = Attempts(limits()["sign_in"]), []
    for _ in range(14):
        clock[0] += wait if (wait := now.begin("a", "ada")) else 0
        waits.append(wait)
        if wait:
            assert now.begin("a", "ada") == 0
    assert waits[5:9] == [1.0, 2.0, 4.0, 8.0]
    assert max(waits) == limits()["sign_in"]["longest_wait_s"]
    clock[0] += limits()["sign_in"]["forgotten_after_s"]
    assert now.begin("a", "ada") == 0


def test_a_clock_that_is_put_back_keeps_nobody_out_for_longer(monkeypatch):
    """Servers on one PostgreSQL count by its clock, which somebody may put right."""
    clock = [7200.0]
    monkeypatch.setattr("app.guard.time.monotonic", lambda: clock[0])
    attempts = Attempts(limits()["sign_in"])
    while not attempts.begin("a", "ada"):
        pass
    clock[0] = 0.0
    assert 0 < attempts.begin("a", "ada") <= limits()["sign_in"]["longest_wait_s"]


def test_an_unknown_name_and_a_wrong_password_sound_the_same(app):
    web = TestClient(app)
    assert sign_in(web, "Nobody").json() == sign_in(web, "Ada", "wrong password").json()


def test_guesses_are_slowed_down_before_they_reach_the_passwords(tmp_path):
    web = TestClient(create_app(Settings(data=tmp_path, limits=SLOW, workbench=False)))
    codes = [sign_in(web, f"Nobody {number}", "guess").status_code for number in range(12)]
    assert codes == [401] * 5 + [429] * 7


def test_the_cookie_is_out_of_reach_for_scripts_and_other_sites(app):
    said = sign_in(TestClient(app)).headers["set-cookie"].casefold()
    assert "httponly" in said
    assert "samesite=strict" in said


def test_an_expired_or_ended_session_opens_nothing(app, web):
    from datetime import UTC, datetime, timedelta

    from coatclass.records import find_user

    salon = app.state.records
    ada = find_user(salon, "Ada")
    past = datetime.now(UTC) - timedelta(hours=13)
    token = start_session(salon, ada, valid_for=timedelta(hours=12), at=past)
    web.cookies.set(COOKIE, token)
    assert session_user(salon, token) is None
    assert web.get("/api/v1/dogs").status_code == 403
    web.cookies.clear()
    web.cookies.set(COOKIE, start_session(salon, ada, valid_for=timedelta(hours=12)))
    assert web.get("/api/v1/dogs").status_code == 200
    assert web.get("/api/v1/signed-in").json() == {"name": "Ada", "role": "groomer"}
    web.post("/api/v1/sign-out")
    assert web.get("/api/v1/signed-in").status_code == 403
    assert web.get("/api/v1/dogs").status_code == 403


def test_a_password_is_nowhere_in_the_records(app):
    with app.state.records.engine.connect() as connection:
        raw = connection.connection.driver_connection
        dump = "\n".join(raw.iterdump())
    assert PASSWORD not in dump
    assert "$argon2id$" in dump
    assert app.state.records.find(Session) is not None


@pytest.mark.parametrize("headers", [{"sec-fetch-site": "cross-site"}, {"origin": "http://elsewhere.test"}])
def test_another_site_can_change_nothing_in_a_groomers_name(ada, headers):
    answer = ada.post("/api/v1/clients", json={"name": "Mallory"}, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "other_origin")
    assert ada.get("/api/v1/clients", params={"sought": "Mallory"}).json() == []


# --- the pages --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("path", "wrong_role"), [("/groomer", "Rosalind"), ("/researcher", None)])
def test_pages_lead_whoever_may_not_see_them_to_the_sign_in(server, path, wrong_role):
    make_known(server.data)
    with httpx.Client(base_url=server.url, timeout=60) as ada:
        sign_in(ada)
        dog = doubtful_dog(ada, "Hiddendog", "Hidden Client")
        assert ada.get(f"{path}/").status_code == 200
        assert "Hiddendog" in ada.get(f"/groomer/dog/{dog}").text
    with httpx.Client(base_url=server.url, timeout=60) as web:
        for role in filter(None, ("nobody", wrong_role)):
            if role != "nobody":
                assert sign_in(web, role).status_code == 200
            for step in ("", f"dog/{dog}", "today", "nothing", f"finding/{dog}") if path == "/groomer" else ("",):
                page = web.get(f"{path}/{step}")
                assert page.status_code == 303
                assert page.headers["location"].startswith("/sign-in")
                assert "Hidden" not in page.text


def test_signing_in_and_out_works_without_a_script(server):
    make_known(server.data)
    with httpx.Client(base_url=server.url, timeout=60) as web:
        wrong = web.post("/sign-in", data={"name": "Ada", "password": "no"})
        assert wrong.status_code == 401
        assert "Name or password is wrong" in wrong.text and 'value="Ada"' in wrong.text
        right = web.post("/sign-in", data={"name": "Ada", "password": PASSWORD})
        assert (right.status_code, right.headers["location"]) == (303, "/groomer/")
        assert web.get("/groomer/").status_code == 200
        assert web.post("/sign-out").headers["location"] == "/sign-in"
        assert web.get("/groomer/").status_code == 303
