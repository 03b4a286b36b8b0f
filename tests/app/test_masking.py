"""No link and no session stands in a log, a trace or an error page, whatever goes wrong."""

from __future__ import annotations

import io
import logging
import secrets

import pytest
from fastapi.testclient import TestClient

from app import errors
from app.server import create_app
from app.settings import Settings

LINKS = "/api/v1/dogs/by-link"


def test_tokens_are_masked_wherever_they_stand_and_nothing_else_is():
    token = secrets.token_urlsafe(32)
    for text in (
        f"GET {LINKS}/{token}/photos", f"/owner/?dog={token}#result", f"coatclass_session={token}; path=/",
        f"KeyError: '{token}'", f"File x, line 3, in {token}",
    ):  # fmt: skip
        assert token not in errors.masked(text)
    assert errors.masked(f"{LINKS}/short/photos") == f"{LINKS}/[token]/photos"
    digest = "0123456789abcdef" * 4
    assert errors.masked(f"photo {digest} of {digest[:32]}") == f"photo {digest} of {digest[:32]}"


@pytest.mark.parametrize("where", ["assessment", "sheet.pdf", "calendar.ics", ""])
def test_an_unforeseen_error_is_logged_without_the_link(tmp_path, monkeypatch, caplog, capsys, where):
    app = create_app(Settings(data=tmp_path, workbench=False))
    web = TestClient(app, raise_server_exceptions=False)
    token = web.post(LINKS, json={"name": "Bramble"}).json()["token"]

    def fails(salon, asked):
        raise RuntimeError(f"no dog behind {asked}")

    monkeypatch.setattr("app.owner.dog.find", fails)
    with caplog.at_level(logging.DEBUG):
        answer = web.get(f"{LINKS}/{token}/{where}".rstrip("/"))
    assert answer.status_code == 500
    printed = capsys.readouterr()
    assert "RuntimeError" in caplog.text  # the trace is there
    for said in (answer.text, caplog.text, printed.out, printed.err):
        assert token not in said


def test_what_libraries_print_past_the_logs_is_masked_too(monkeypatch):
    token, stream = secrets.token_urlsafe(32), io.StringIO()
    monkeypatch.setattr("sys.stderr", stream)
    errors.mask_stderr()
    import sys
    import traceback

    try:
        raise RuntimeError(token)
    except RuntimeError:
        traceback.print_exc()
    sys.stderr.flush()
    assert token not in stream.getvalue()
    assert "RuntimeError" in stream.getvalue()
