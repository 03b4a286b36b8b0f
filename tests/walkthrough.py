"""``python -m tests.walkthrough [taps] [weight] [pages] [--pictures DIR]``: what people meet in a browser, counted.

- taps: from the first page to a kit, for six invented dogs with a photo of their breed; how tall the result is.
- weight: what the first page of each side weighs, and how many files it is.
- pages: every page of every role in every language that is offered, light at 360 px and dark at 1280 px, in English the
  other two as well: axe-core (WCAG 2.2 A and AA), what is too small or too wide, what the browser complains of.

``--pictures`` keeps a picture of every page. The server is a real one on loopback with the demo's invented salon;
photos are those of COATCLASS_PHOTOS. Exit code 1 when an aim is missed.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from app.groomer.page import STEPS
from app.owner import flow
from coatclass.words import LANGUAGES
from tests.app.conftest import CHROMIUM, QUIET, accessibility
from tests.app.owner_walk import DESKTOP, PHONE, add_photo, begin, press_and_wait, step_of
from tests.app.salon_walk import enter
from tests.app.test_workbench import GRADIOS_OWN
from tests.attacks.serving import Serving

ROOT = Path(__file__).resolve().parents[1]
PHOTOS = Path(os.environ.get("COATCLASS_PHOTOS", ROOT.parent / "shared" / "photos"))
FITS = (ROOT / "tests" / "app" / "fits.js").read_text("utf-8")
# What sticks to the foot of the screen hides controls only until one scrolls.
UNSTUCK = ".cc .keepbar, .cc .status { position: static !important; }"
MOST_TAPS, MOST_SCREENS, MOST_BYTES = 12, 4, 150_000
DOGS = {
    "nimbus": "oxford/samoyed_1*.jpg",
    "tansy": "oxford/yorkshire_terrier_1*.jpg",
    "bramble": "open/border_terrier*.jpg",
    "otter": "open/english_springer*.jpg",
    "pomelo": "open/poodle__*.jpg",
    "fennel": "open/goldendoodle*.jpg",
}
LOOKS = (("light", PHONE), ("dark", DESKTOP), ("dark", PHONE), ("light", DESKTOP))
SIDES = {"owner": "/owner/", "sign-in": "/sign-in", "groomer": "/groomer/", "researcher": "/researcher/"}


def photo(of: str) -> Path:
    """One photo of a dog of that kind."""
    return sorted(PHOTOS.glob(DOGS[of]))[0]


def told(name: str) -> dict[str, Any]:
    """What the owner of a demo dog answers."""
    return dict(json.loads((ROOT / "app" / "demo" / f"{name}.json").read_text("utf-8")))


class Looking:
    """Opens pages of a server in a language, a scheme and a width, and hears what the browser complains of."""

    def __init__(self, browser: Browser, url: str, pictures: Path | None) -> None:
        self.browser, self.url, self.pictures = browser, url, pictures
        self.said: list[str] = []

    @contextmanager
    def page(
        self, language: str = "en", scheme: Any = "light", viewport: Any = PHONE, cookies: Any = ()
    ) -> Iterator[Page]:
        """One more visitor."""
        context = self.browser.new_context(viewport=viewport, color_scheme=scheme, locale=language)
        context.add_cookies(list(cookies))
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: self.said.append(f"{page.url}: {error}"))
        page.on("console", self._hear)
        yield page
        context.close()

    def _hear(self, one: ConsoleMessage) -> None:
        # An address that isn't there is asked for on purpose; a file of a page that isn't there is an error.
        if one.type == "error" and not ("404" in one.text and one.page and one.location["url"] == one.page.url):
            self.said.append(f"{one.location['url']}: {one.text}")

    def keep(self, page: Page, name: str) -> None:
        """A picture of the whole page."""
        if self.pictures:
            page.screenshot(path=self.pictures / (re.sub(r"[^\w.-]+", "_", name) + ".png"), full_page=True)


# --- taps -------------------------------------------------------------------------------------------------------------


def _tap_answers(page: Page, answers: Mapping[str, Any]) -> int:
    """Answer what is asked on a screen by what is tapped or typed; how many controls that took."""
    taps = 0
    for group in page.locator("fieldset[data-question]").all():
        name, kind = str(group.get_attribute("data-question")), group.get_attribute("data-kind")
        value = answers.get(name)
        if value is None or not group.is_visible():
            continue
        if kind in ("choice", "yes_no"):
            page.check(f'input[name="{name}"][value="{str(value).lower()}"]')
            taps += 1
        elif kind == "choices":
            for choice in value or [""]:
                page.check(f'input[name="{name}"][value="{choice}"]')
                taps += 1
        elif kind == "zones":
            asked = [zone for zone in value if page.locator(f"#zone-{zone}").count()]
            for zone in asked:
                page.select_option(f"#zone-{zone}", value[zone])
            taps += 2 * len(asked)
        elif kind in ("text", "number"):
            page.fill(f'fieldset[data-question="{name}"] input', str(value))
            taps += 1
    return taps


def _to_kit(page: Page, url: str, name: str, *, all_asked: bool) -> tuple[int, int]:
    """From the first page to a kit with a photo: taps and questions' screens."""
    begin(page, url, name.title())
    add_photo(page, photo(name))
    taps, screens = 2, 0  # the name is not needed: start, choose a photo
    press_and_wait(page, "[data-go=next].main")
    taps += 1
    while step_of(page) != "result":
        if not all_asked and page.locator(".actions [data-go=result]").count():
            press_and_wait(page, ".actions [data-go=result]")
            taps += 1
            continue
        taps += _tap_answers(page, told(name)) + 1
        screens += 1
        press_and_wait(page, "[data-form=card] button[type=submit]")
    return taps, screens


def taps(looking: Looking) -> bool:
    """Print the taps of six dogs, and how tall their results are."""
    print("taps from the first page to a kit, with a photo; heights in screens of 360 x 740 and 1280 x 900 px, folded")
    held = True
    for name in DOGS:
        with looking.page() as page:
            least, _ = _to_kit(page, looking.url, name, all_asked=False)
            tools = page.locator(".tool").count()
        with looking.page() as page:
            most, screens = _to_kit(page, looking.url, name, all_asked=True)
            tall = []
            for size in (PHONE, DESKTOP):
                page.set_viewport_size(size)  # type: ignore[arg-type]
                tall.append(page.evaluate("document.documentElement.scrollHeight") / size["height"])
            looking.keep(page, f"result-{name}")
        print(f"  {name:8} {least:3} ({tools} tools)  every question answered: {most:3} on {screens:2} screens;"
              f"  tall: {tall[0]:.1f}, {tall[1]:.1f}")  # fmt: skip
        held &= least <= MOST_TAPS and max(tall) < MOST_SCREENS
    return held


# --- weight -----------------------------------------------------------------------------------------------------------


def weight(looking: Looking, cookies: Mapping[str, Any]) -> bool:
    """Print bytes and files of the first page of each side."""
    print("bytes of first pages: all, of it scripts; files")
    held = True
    for side, path in SIDES.items():
        with looking.page(cookies=cookies.get(side, ())) as page:
            came: list[tuple[str, int]] = []
            page.on("response", lambda one, came=came: came.append((one.request.resource_type, len(one.body()))))  # type: ignore[misc]
            page.goto(looking.url + path, wait_until="networkidle")
        whole, scripts = sum(size for _, size in came), sum(size for kind, size in came if kind == "script")
        print(f"  {side:10} {whole:7} {scripts:7}  {len(came)}")
        held &= whole <= MOST_BYTES
    return held


# --- pages ------------------------------------------------------------------------------------------------------------


def owners_pages(web: httpx.Client) -> list[str]:
    """Addresses of every page of the owner's side: a dog with everything, and one with nothing."""
    link = "/api/v1/dogs/by-link"

    def dog(name: str, answers: Mapping[str, Any], picture: str = "") -> str:
        token = str(web.post(link, json={"name": name}).raise_for_status().json()["token"])
        web.patch(f"{link}/{token}/answers", json=answers).raise_for_status()
        if picture:
            files = {"photos": ("dog.jpg", photo(picture).read_bytes(), "image/jpeg")}
            web.post(f"{link}/{token}/photos", files=files).raise_for_status()
        return token

    full, sore, bare = dog("Nimbus", told("nimbus"), "nimbus"), dog("Juniper", told("juniper")), dog("Pebble", {})
    hands = dog("Fennel", told("fennel"))
    cards = [f"q/{one.id}" for one in flow.every_card()]
    steps = [("", "x" * 43), ("photos", bare), ("result", bare), ("result", sore), ("result", hands), ("shop", full)]
    steps += [(step, full) for step in ("photos", "result", "tool", "measure", "delete", "no-such-step", *cards)]
    return [
        "/owner/",
        "/owner/deleted",
        "/owner/deleted/rest",
        *(f"/owner/{step}?dog={token}" for step, token in steps),
        "/no/such/page",
    ]


def salon_pages(web: httpx.Client) -> list[str]:
    """Addresses of every page of the salon: dogs with everything and nothing, a signed look, a look begun."""
    from tests.app.test_groomer_page import signed_look

    bare = web.post("/api/v1/dogs", json={"name": "Bare"}).raise_for_status().json()["id"]
    page = web.get("/groomer/today").text + web.get("/groomer/search?sought=").text
    known = dict.fromkeys(re.findall(r"dog/([0-9a-f]{32})", page))
    dog = next(one for one in known if web.get(f"/api/v1/dogs/{one}").json()["client"])
    client = web.get(f"/api/v1/dogs/{dog}").json()["client"]["id"]
    signed = signed_look(web, dog)
    of_dog = [one for one in STEPS if one in OF_DOG]
    steps = [one for one in STEPS if one not in (*OF_DOG, *OF_CLIENT, "signed", "search")]
    steps += ["search?sought=a", f"signed/{signed}", *(f"{one}/{client}" for one in STEPS if one in OF_CLIENT)]
    steps += [f"{one}/{dog}" for one in of_dog] + [f"{one}/{bare}" for one in of_dog] + [f"dog/{one}" for one in known]
    return [f"/groomer/{one}" for one in steps] + ["/groomer/no-such-step", "/researcher/", "/sign-in"]


OF_DOG = ("dog", "finding", "bench", "visit", "check", "end", "intake", "offers", "measure", "edit-dog", "merge-dog",
          "delete-dog")  # fmt: skip
OF_CLIENT = ("client", "edit-client", "merge-client", "delete-client")


def pages(looking: Looking, addresses: Mapping[str, list[str]], cookies: Mapping[str, Any], only: str) -> bool:
    """Look at every page in every language, scheme and width; print what is wrong."""
    looked, wrong = 0, Counter[str]()
    for side, there in addresses.items():
        for language in LANGUAGES:
            for scheme, size in LOOKS if language == "en" else LOOKS[:2]:
                name = f"{side}-{language}-{scheme}-{size['width']}"
                if only and not re.search(only, name):
                    continue
                with looking.page(language, scheme, size, cookies.get(side, ())) as page:
                    for address in there:
                        page.goto(looking.url + address)
                        page.wait_for_selector("h1", state="attached")
                        looked += 1
                        if side == "workbench":
                            page.wait_for_selector("input[type=file]", state="attached")
                        looking.keep(page, f"{name}-{address}")
                        page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
                        page.add_style_tag(content=UNSTUCK)
                        found = [one for one in accessibility(page) if not one.startswith(GRADIOS_OWN)]
                        found += page.evaluate(FITS) if side != "workbench" else []
                        for one in found:
                            wrong[f"{address.split('?')[0]}: {one}"] = (
                                wrong.get(f"{address.split('?')[0]}: {one}", 0) + 1
                            )
    print(f"pages looked at: {looked}; what is wrong: {sum(wrong.values())}")
    for one, times in wrong.items():
        print(f"  {times} x {one}")
    return not wrong


def main(arguments: list[str]) -> int:
    """Count what is asked for; 1 when an aim is missed or the browser complained."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", nargs="*", help="taps, weight, pages; all without")
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--only", default="", help="of the pages: side-language-scheme-width, as a regular expression")
    asked = parser.parse_args(arguments)
    if asked.pictures:
        asked.pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, Serving(Path(folder) / "salon", demo=True) as server:
        server.make_known()
        groomer = server.signed_in("Ada")
        with sync_playwright() as playwright, server.client() as anybody:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
            looking = Looking(browser, server.url, asked.pictures)
            cookies = {}
            for side, who, path in (("groomer", "Ada", "/groomer/"), ("researcher", "Rosalind", "/researcher/")):
                with looking.page() as page:
                    enter(page, server.url, who, path)
                    cookies[side] = page.context.cookies()
            cookies["workbench"] = cookies["researcher"]
            parts = {
                "taps": partial(taps, looking),
                "weight": partial(weight, looking, cookies),
                "pages": lambda: pages(
                    looking,
                    {
                        "owner": owners_pages(anybody),
                        "groomer": salon_pages(groomer),
                        "researcher": ["/researcher/"],
                        "workbench": ["/workbench/", "/workbench/try"],
                    },
                    cookies,
                    asked.only,
                ),
            }
            held = [parts[name]() for name in asked.what or parts]
            browser.close()
    for one in looking.said:
        print(f"  the browser said: {one}")
    return 0 if all(held) and not looking.said else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
