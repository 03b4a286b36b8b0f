"""The interface answers whatever programs send as its description says, and never with an inner error."""

from __future__ import annotations

from collections import Counter

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from salon_walk import PASSWORD, doubtful_dog, sign_in
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance

from app.accounts import COOKIE
from app.server import create_app
from app.settings import Settings, limits
from coatclass.records import UserRole, add_user

OFTEN = {kind: {"per_minute": 1e6, "burst": 1e6} for kind in limits()["rate"]}
EXAMPLES = 5
# The library gives up after 10 s, which a sheet with its pictures may take while other tests fill every core.
PATIENCE_S = 600


@pytest.fixture
def salon(tmp_path_factory):
    """A salon of its own for each test: what is sent at random may end sessions and erase dogs."""
    from fastapi.testclient import TestClient

    app = create_app(
        Settings(data=tmp_path_factory.mktemp("salon"), limits={**limits(), "rate": OFTEN}, workbench=False)
    )
    add_user(app.state.records, "Ada", PASSWORD, UserRole.GROOMER)
    web = TestClient(app)
    sign_in(web).raise_for_status()
    dog = doubtful_dog(web)
    link = web.post(f"/api/v1/dogs/{dog}/links").json()["path"].split("dog=")[1]
    client = web.get(f"/api/v1/dogs/{dog}").json()["client"]["id"]
    return {"app": app, "cookie": web.cookies[COOKIE], "dog_id": dog, "client_id": client, "token": link}


CHECKS = [not_a_server_error, response_schema_conformance]
BOUNDED = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.slow
@pytest.mark.parametrize("who", ["groomer", "stranger"])
def test_whatever_is_sent_gets_an_answer_as_described(salon, who):
    described = schemathesis.openapi.from_asgi("/openapi.json", salon["app"], timeout=PATIENCE_S)
    operations = [found.ok() for found in described.get_all_operations()]
    operations.sort(key=lambda operation: operation.method == "delete")  # what is erased can't answer any more
    assert len(operations) > 50
    seen = Counter()
    for operation in operations:

        @BOUNDED
        @given(case=operation.as_strategy())
        def holds(case):
            seen[send(salon, case, who).status_code // 100] += 1

        holds()
    assert seen[5] == 0
    assert seen[2] > (len(operations) / 3 if who == "groomer" else 0)  # enough is let in for answers to be tested
    assert seen[4] > 0


# What generators seldom hit on: each breaks a program that trusts its texts, numbers or days.
ODD_TEXTS = (
    "\x00",
    "a\nb",
    "\r\nBEGIN:VEVENT",
    "\u202eabc",
    "${x}",
    "{{x}}",
    "=1+1",
    "<script>",
    "\ufffe",
    "x" * 200,
    "%s%n",
)
ODD_DAYS = ("0001-01-01", "9999-12-31", "1899-12-31", "2200-01-01", "2024-02-30", "-1", "10000-01-01", "20240101", "0")
ODD_MOMENTS = (
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-12:00",
    "2024-06-01T25:00:00Z",
    "1",
    "2024-06-01T00:00:00",
)
ODD_BODIES = (
    b'{"name": "\\ud800"}',
    b'{"\\udfff": 1}',
    b'{"name": 1e999}',
    b"[" * 90_000,
    b'{"a":' * 30_000,
    b"\xff",
    b"null",
)


def test_odd_texts_days_and_bodies_never_meet_an_inner_error(salon):
    from fastapi.testclient import TestClient

    web = TestClient(salon["app"], raise_server_exceptions=False)
    web.cookies.set(COOKIE, salon["cookie"])
    dog, link = f"/api/v1/dogs/{salon['dog_id']}", f"/api/v1/dogs/by-link/{salon['token']}"
    answers = []
    for text in ODD_TEXTS:
        answers += [web.post("/api/v1/dogs", json={"name": text, "breed": text, "remarks": text})]
        answers += [web.post("/api/v1/clients", json={"name": text, "email": text})]
        answers += [
            web.get("/api/v1/dogs", params={"sought": text}),
            web.get("/api/v1/clients", params={"sought": text}),
        ]
        answers += [web.patch(link, json={"name": text}), web.patch(f"{link}/answers", json={"breed": text})]
        papers = ("calendar.ics", "sheet.html", "sheet.pdf", "shop.pdf")
        answers += [web.get(f"{link}/{what}") for what in (*papers, "assessment")]
        answers += [web.post(f"{dog}/findings", json={"category": "hair", "remarks": text})]
        answers += [web.post("/api/v1/sign-in", data={"name": text, "password": text})]
        answers += [web.post(f"{link}/photos", files=[("photos", (text or "x", b"\xff\xd8\xff"))])]
    for day in ODD_DAYS:
        answers += [web.get("/api/v1/visits", params={"day": day})]
        answers += [web.patch(dog, json={"born_on": day, "seen": {"born_on": None}})]
        answers += [web.post(f"{dog}/measurements", json={"length_mm": 40, "measured_on": day})]
    for moment in ODD_MOMENTS:
        answers += [web.post(f"{dog}/appointments", json={"starts_at": moment})]
    for body in ODD_BODIES:
        for method, path in (("POST", "/api/v1/dogs"), ("PATCH", f"{link}/answers"), ("PATCH", f"{dog}/answers")):
            answers += [web.request(method, path, content=body, headers={"content-type": "application/json"})]
            assert answers[-1].status_code in (400, 422), (body[:20], path)
    assert [(one.request.method, one.request.url.path, one.text) for one in answers if one.status_code >= 500] == []
    for day in ODD_DAYS[:2]:
        assert web.get(f"/groomer/today/{day}").status_code in (200, 404, 422)


def send(salon, case, who):
    """Send one case to records that exist: made-up ids alone would reach nothing."""
    for name in ("dog_id", "client_id", "token"):
        if name in (case.path_parameters or {}):
            case.path_parameters[name] = salon[name]
    cookies = {COOKIE: salon["cookie"]} if who == "groomer" else {}
    answer = case.call(cookies=cookies, headers={"sec-fetch-site": "same-origin"}, timeout=PATIENCE_S)
    case.validate_response(answer, checks=CHECKS)
    if answer.status_code >= 400 and "json" in answer.headers.get("content-type", [""])[0]:
        assert set(answer.json()) == {"status", "code", "problem", "next_step"}
    return answer
