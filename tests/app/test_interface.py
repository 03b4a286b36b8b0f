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


@pytest.fixture(scope="module")
def salon(tmp_path_factory):
    from fastapi.testclient import TestClient

    app = create_app(Settings(data=tmp_path_factory.mktemp("salon"), limits={**limits(), "rate": OFTEN}))
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
def test_whatever_is_sent_gets_an_answer_as_described(salon):
    described = schemathesis.openapi.from_asgi("/openapi.json", salon["app"])
    operations = [found.ok() for found in described.get_all_operations()]
    assert len(operations) > 50
    seen = Counter()
    for operation in operations:

        @BOUNDED
        @given(case=operation.as_strategy())
        def holds(case):
            seen[send(salon, case).status_code // 100] += 1

        holds()
    assert seen[2] > len(operations) / 3  # enough of what is sent is let in for the answers to be tested
    assert seen[4] > 0


def send(salon, case):
    """Send one case as a groomer, to records that exist: made-up ids alone would reach nothing."""
    for name in ("dog_id", "client_id", "token"):
        if name in (case.path_parameters or {}):
            case.path_parameters[name] = salon[name]
    answer = case.call(cookies={COOKIE: salon["cookie"]}, headers={"sec-fetch-site": "same-origin"})
    case.validate_response(answer, checks=CHECKS)
    if answer.status_code >= 400 and "json" in answer.headers.get("content-type", [""])[0]:
        assert set(answer.json()) == {"status", "code", "problem", "next_step"}
    return answer
