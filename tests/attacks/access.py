"""Everybody at everybody else's doors: owners, groomers, researchers, strangers, at every address there is."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from contextlib import closing
from typing import Any

import httpx

from tests.attacks.serving import LINKS, Serving

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
SECRET = "Hiddendog"
_BODIES: tuple[dict[str, Any], ...] = (
    {"json": {}},
    {"json": {"name": "x", "remarks": "x", "category": "hair", "length_mm": 5, "duplicate": "0" * 32}},
    {"files": [("photos", ("a.jpg", b"\xff\xd8\xff")), ("file", ("a.zip", b"PK"))]},
)


def _addresses(web: httpx.Client, ids: dict[str, str]) -> list[tuple[str, str]]:
    """Every method and address that the server describes, with the ids of a real dog that is not the asker's."""
    described = web.get("/openapi.json").json()["paths"]
    found = []
    for path, methods in described.items():
        filled = re.sub(r"\{(\w+)\}", lambda name: ids.get(name[1], "metrics.json"), path)
        found += [(method.upper(), filled) for method in methods if path not in OPEN and "/pictures/" not in path]
    return [one for one in found if one != ("POST", LINKS)]  # anybody may begin with a dog of their own


def attack(server: Serving, rounds: int = 3) -> Counter[str]:
    """Try every door in every role that it is not for; anything shown or changed counts as FAULT."""
    outcomes: Counter[str] = Counter()
    server.make_known()
    with (
        closing(server.signed_in("Ada")) as ada,
        server.client() as stranger,
        closing(server.signed_in("Rosalind")) as researcher,
    ):
        client = ada.post("/api/v1/clients", json={"name": f"Owner of {SECRET}"}).json()["id"]
        dog = ada.post("/api/v1/dogs", json={"name": SECRET, "client_id": client}).json()["id"]
        finding = ada.post(f"/api/v1/dogs/{dog}/findings", json={"category": "hair"}).json()["finding"]["id"]
        token = ada.post(f"/api/v1/dogs/{dog}/links").json()["path"].split("dog=")[1]
        others = server.start_dog(stranger, "Bystander")
        ids = {"dog_id": dog, "client_id": client, "record_id": finding, "photo_id": "0" * 32, "token": "x" * 43}
        before = ada.get(f"/api/v1/dogs/{dog}").json()
        for _ in range(rounds):
            for (method, path), body in itertools.product(_addresses(ada, ids), _BODIES):
                if method == "GET" and body is not _BODIES[0]:
                    continue
                for who, web in (("stranger", stranger), ("researcher", researcher)):
                    if who == "researcher" and path.startswith("/api/v1/research"):
                        continue
                    outcomes[_judge(web.request(method, path, **body), path)] += 1
        for path in _guesses(token, others, dog, finding):
            outcomes[_judge(stranger.get(path), path)] += 1
        for method, path in ((m, f"{LINKS}/{others}{p}") for m in ("GET", "DELETE") for p in _beside(ids)):
            outcomes[_judge(stranger.request(method, path), path)] += 1
        for headers in ({"sec-fetch-site": "cross-site"}, {"origin": "http://evil.test"}, {"origin": "null"}):
            outcomes[_judge(ada.post("/api/v1/clients", json={"name": "Mallory"}, headers=headers), "")] += 1
        if ada.get(f"/api/v1/dogs/{dog}").json() != before:
            outcomes["FAULT: something was changed"] += 1
        outcomes[_revoked(ada, stranger, dog, token)] += 1
    return outcomes


def _judge(answer: httpx.Response, path: str) -> str:
    if SECRET in answer.text or answer.status_code < 400 or answer.status_code >= 500:
        return f"FAULT: {answer.status_code} at {path}"
    return f"refused: {answer.status_code}"


def _guesses(token: str, others: str, dog: str, finding: str) -> list[str]:
    """Links that nearly lead to the dog, and ids in the place of links."""
    near = [token[:-1], token + "A", token[:-1] + ("A" if token[-1] != "A" else "B"), token.swapcase(), token[::-1]]
    near += [dog, finding, "0", "%00", "..%2f..", "' OR 1=1 --", f"{others}%2f..%2f{token[:-1]}", token.encode().hex()]
    return [f"{LINKS}/{guess}{rest}" for guess in near for rest in ("", "/assessment", "/sheet.pdf", "/photos/x")]


def _beside(ids: dict[str, str]) -> list[str]:
    """Another dog's photos, asked for by one's own link."""
    return [
        f"/photos/{one}{rest}" for one in (ids["dog_id"], ids["record_id"], "0" * 32) for rest in ("", "/looked-at")
    ]


def _revoked(ada: httpx.Client, stranger: httpx.Client, dog: str, token: str) -> str:
    """A link that is taken back ends at once."""
    if stranger.get(f"{LINKS}/{token}").status_code != httpx.codes.OK:
        return "FAULT: a good link was refused"
    ada.delete(f"/api/v1/dogs/{dog}/links").raise_for_status()
    return _judge(stranger.get(f"{LINKS}/{token}"), "revoked link")
