"""Everybody at everybody else's doors: owners, groomers, researchers, strangers, at every address there is."""

from __future__ import annotations

import itertools
import re
import zipfile
from collections import Counter
from contextlib import closing
from io import BytesIO
from typing import Any

import httpx

from app.groomer.page import STEPS
from tests.attacks.serving import LINKS, PASSWORD, Serving

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
OWNED = "Neverseen"  # of an owner who keeps her dog to herself
_CHANGES = ("POST", "PUT", "PATCH", "DELETE")
# What each address takes, by its end, so that nothing is refused for its form alone.
_GOOD: dict[str, dict[str, Any]] = {
    "/answers": {"json": {"feel": "silky"}},
    "/appointments": {"json": {"starts_at": "2026-05-04T09:00:00Z"}},
    "/bench": {"json": {"outcomes": {}}},
    "/checks": {"json": {"zones": {"ears": "passed"}}},
    "/counted": {"json": {"counted": True}},
    "/delete": {"json": {"name": OWNED}},
    "/findings": {"json": {"category": "hair"}},
    "/intake": {"json": {"found": {}, "seen": ""}},
    "/length": {"json": {"corners": [[0, 0], [856, 0], [856, 540], [0, 540]], "hair": [[0, 0], [9, 9]], "keep": True}},
    "/measurements": {"json": {"length_mm": 5}},
}
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
        for one in (_forged(ada), _taken_back(ada, stranger), _erased(ada, stranger), _kept_by_caches(ada, stranger)):
            outcomes += one
    outcomes[_logged(server, (token, others, PASSWORD, SECRET, OWNED))] += 1
    return outcomes


def _forged(ada: httpx.Client) -> Counter[str]:
    """Another site's page asks in a groomer's name for every change there is (cross-site request forgery)."""
    outcomes: Counter[str] = Counter()
    dog = ada.post("/api/v1/dogs", json={"name": SECRET}).json()["id"]
    before = ada.get(f"/api/v1/dogs/{dog}").text
    changes = [one for one in _addresses(ada, {"dog_id": dog}) if one[0] in _CHANGES]
    changes += [("POST", f"/{page}") for page in ("sign-in", "sign-out", "first-account", "owner/", "owner/result")]
    changes += [("POST", f"/api/v1/{call}") for call in ("sign-in", "sign-out", "assess", "dogs/by-link")]
    for method, path in changes:
        for headers in (
            {"sec-fetch-site": "cross-site"},
            {"sec-fetch-site": "same-site"},
            {"origin": "http://evil.test"},
            {"origin": "null"},
            {"origin": str(ada.base_url).replace("http://", "https://evil.test/").rstrip("/")},
        ):
            body = _good(path, dog) if path.startswith("/api") else {"data": {"name": "Mallory"}}
            outcomes[_judge(ada.request(method, path, headers=headers, **body), path)] += 1
    if ada.get(f"/api/v1/dogs/{dog}").text != before:
        outcomes["FAULT: a forged request changed something"] += 1
    return outcomes


def _good(path: str, other: str) -> dict[str, Any]:
    if path.endswith("/merge"):
        return {"json": {"duplicate": other}}
    return next((body for end, body in _GOOD.items() if path.endswith(end)), {"json": {"name": "x"}})


def _every_way(ada: httpx.Client, dog: str, other: str) -> Counter[str]:
    """A groomer asks for a dog that is not hers in every way there is, also to join it with one of her own."""
    outcomes: Counter[str] = Counter()
    ids = {"dog_id": dog, "record_id": "0" * 32, "photo_id": "0" * 32}
    for method, path in _addresses(ada, ids):
        if dog in path:
            outcomes[_judge(ada.request(method, path, **_good(path, other)), path)] += 1
    joined = ada.post(f"/api/v1/dogs/{other}/merge", json={"duplicate": dog})
    outcomes[_judge(joined, "merge")] += 1
    for page in STEPS:
        shown = ada.get(f"/groomer/{page}/{dog}")
        outcomes[f"FAULT: shown on {page}" if OWNED in shown.text else "not shown"] += 1
    for path in ("/api/v1/dogs", "/api/v1/waiting", "/api/v1/visits", "/api/v1/trail", "/groomer/", "/groomer/search"):
        found = ada.get(path, params={"sought": OWNED[:-1]}).text  # what is looked for stands on the page
        outcomes[f"FAULT: listed at {path}" if OWNED in found else "not shown"] += 1
    with zipfile.ZipFile(BytesIO(ada.get("/api/v1/export").content)) as archive:
        known = any(dog.encode() in archive.read(name) for name in archive.namelist())
        outcomes["FAULT: in the export" if known else "not shown"] += 1
    return outcomes


def _taken_back(ada: httpx.Client, owner: httpx.Client) -> Counter[str]:
    """An owner sends a dog and takes it back; the groomer has noted its id meanwhile."""
    token = owner.post(LINKS, json={"name": OWNED, "meant_for": "groomer"}).json()["token"]
    own = ada.post("/api/v1/dogs", json={"name": "Ownone"}).json()["id"]
    owner.post(f"{LINKS}/{token}/request", json={"name": "Ottilie", "reach": "0000 4711"}).raise_for_status()
    [dog] = [one["dog"]["id"] for one in ada.get("/api/v1/waiting").json() if one["dog"]["name"] == OWNED]
    owner.delete(f"{LINKS}/{token}/request").raise_for_status()
    before = owner.get(f"{LINKS}/{token}").json()
    outcomes = _every_way(ada, dog, own)
    if owner.get(f"{LINKS}/{token}").json() != before:
        outcomes["FAULT: an owner's dog was changed"] += 1
    return outcomes


def _erased(ada: httpx.Client, owner: httpx.Client) -> Counter[str]:
    """A dog that was erased is nowhere any more, for its owner and for the groomer who knew it."""
    outcomes: Counter[str] = Counter()
    own = ada.post("/api/v1/dogs", json={"name": "Ownone"}).json()["id"]
    dog = ada.post("/api/v1/dogs", json={"name": OWNED}).json()["id"]
    token = ada.post(f"/api/v1/dogs/{dog}/links").json()["path"].split("dog=")[1]
    ada.post(f"/api/v1/dogs/{dog}/delete", json={"name": OWNED}).raise_for_status()
    for method, path in _addresses(ada, {"token": token}):
        if token in path:
            outcomes[_judge(owner.request(method, path, **_good(path, own)), path.replace(token, "TOKEN"))] += 1
    page = owner.get(f"/owner/result?dog={token}", follow_redirects=True)
    outcomes["FAULT: shown on a page" if OWNED in page.text else "not shown"] += 1
    ids = {"dog_id": dog, "record_id": "0" * 32, "photo_id": "0" * 32}
    for method, path in _addresses(ada, ids):
        if dog in path:
            outcomes[_judge(ada.request(method, path, **_good(path, own)), path)] += 1
    return outcomes


def _kept_by_caches(ada: httpx.Client, owner: httpx.Client) -> Counter[str]:
    """No answer that shows a dog may be kept by a browser or a proxy, however its address is written."""
    outcomes: Counter[str] = Counter()
    dog = ada.post("/api/v1/dogs", json={"name": SECRET}).json()["id"]
    path = ada.post(f"/api/v1/dogs/{dog}/links").json()["path"]
    ends = ("", "/", "/assets/", "/assets/x.css", "/x.css", ";.css", "%2fassets%2fx.css", "/..;/static/x.css")
    asked = [(ada, f"/groomer/{page}/{dog}{end}") for page in ("dog", "trail", "finding") for end in ends]
    asked += [(ada, f"/api/v1/dogs/{dog}{end}") for end in ("", "/assessment", "/trail", "/sheet.html", *ends)]
    token = path.split("dog=")[1]
    asked += [(owner, f"/owner/{step}{end}?dog={token}") for step in ("", "result", "photos") for end in ends]
    asked += [(owner, f"{LINKS}/{token}{end}") for end in ("", "/assessment", "/calendar.ics", *ends)]
    asked += [(ada, "/api/v1/export"), (ada, "/api/v1/dogs?sought=/assets/"), (ada, "/static/../api/v1/dogs")]
    for web, address in asked:
        answer = web.get(address)
        kept = answer.headers.get("cache-control", "")
        known = SECRET in answer.text or answer.headers.get("content-disposition")
        unsafe = known and "no-store" not in kept
        outcomes[f"FAULT: {kept} at {address.replace(token, 'TOKEN')}" if unsafe else "kept by no cache"] += 1
    return outcomes


def _logged(server: Serving, secrets: tuple[str, ...]) -> str:
    """What the server has written meanwhile names nobody and opens nothing."""
    said = server.log.read_text(errors="replace")
    return "FAULT: a secret in the log" if any(one in said for one in secrets) else "not in the log"


def _judge(answer: httpx.Response, path: str) -> str:
    if SECRET in answer.text or OWNED in answer.text or answer.status_code < 400 or answer.status_code >= 500:
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
