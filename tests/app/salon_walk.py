"""Helpers for tests of the signed-in pages: a groomer, a researcher, and a dog that only hands can settle."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import httpx

from coatclass.records import UserRole, add_user, find_user, open_records

ROOT = Path(__file__).resolve().parents[2]
TABLET = {"width": 1024, "height": 768}
PASSWORD = "four wet terriers"
PEOPLE = {"Ada": UserRole.GROOMER, "Rosalind": UserRole.RESEARCHER}


def make_known(data: Path) -> None:
    """Add the people to the records in a folder, as ``coatclass user add`` does."""
    with open_records(f"sqlite:///{data / 'records.sqlite'}") as salon:
        for name, role in PEOPLE.items():
            if find_user(salon, name) is None:
                add_user(salon, name, PASSWORD, role)


def sign_in(web: httpx.Client, name: str = "Ada", password: str = PASSWORD) -> httpx.Response:
    """Sign a program in; its cookies do the rest."""
    return web.post("/api/v1/sign-in", data={"name": name, "password": password})


def doubtful_dog(web: httpx.Client, name: str = "Fennel", client: str = "Ottoline Farrow") -> str:
    """A dog of a client with answers that leave its coat open; its id."""
    owner = web.post("/api/v1/clients", json={"name": client, "phone": "0000 100"}).raise_for_status().json()
    dog = web.post("/api/v1/dogs", json={"name": name, "client_id": owner["id"]}).raise_for_status().json()
    answers = json.loads((ROOT / "app" / "demo" / "fennel.json").read_text("utf-8"))
    web.patch(f"/api/v1/dogs/{dog['id']}/answers", json=answers).raise_for_status()
    return str(dog["id"])


def change(web: httpx.Client, what: str, **fields: Any) -> httpx.Response:
    """Change a dog or a client (``dogs/ID``, ``clients/ID``) as whoever has just read it."""
    kept = web.get(f"/api/v1/{what}").raise_for_status().json()
    read = kept["client" if what.startswith("clients") else "dog"]
    return web.patch(f"/api/v1/{what}", json=fields | {"seen": {name: read[name] for name in fields}})


def note(web: httpx.Client, dog: str, visit: str, **fields: Any) -> httpx.Response:
    """Say what became of a visit as whoever has just read it."""
    [read] = [one for one in web.get(f"/api/v1/dogs/{dog}").json()["appointments"] if one["id"] == visit]
    entry = fields | {"seen": {name: read[name] for name in fields}}
    return web.patch(f"/api/v1/dogs/{dog}/appointments/{visit}", json=entry)


def enter(page: Any, url: str, name: str = "Ada", path: str = "/groomer/") -> None:
    """Sign a browser in and wait for the first view."""
    page.goto(f"{url}/sign-in")
    page.fill("#name", name)
    page.fill("#password", PASSWORD)
    page.click("[type=submit]")
    page.wait_for_url(f"**{path}*")
    page.wait_for_selector(".page.salon")


def show(page: Any, step: str) -> None:
    """Lead the browser to a step."""
    page.goto(f"{page.url.split('/groomer/')[0]}/groomer/{step}")
    page.wait_for_selector(f'.page[data-step="{step.split("?", maxsplit=1)[0]}"]')
