"""The README's pictures: ``python -m app.demo.pictures`` photographs the app on its invented salon.

Needs playwright and a chromium on the path. No photos of dogs are shown: the salon has only our own drawings.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from coatclass.records import UserRole, add_user, open_records

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "pictures"
PORT = 7899
URL = f"http://127.0.0.1:{PORT}"
PHONE, TABLET = {"width": 390, "height": 844}, {"width": 1024, "height": 768}
_FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"]
_CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chromium-headless-shell"))), None)
_SERVE = (
    "from pathlib import Path; from app.server import serve; from app.settings import Settings; "
    "serve(port={port}, settings=Settings(data=Path({data!r}), demo=True))"
)
_NAME, _PASSWORD = "Picture maker", "for this folder only"


def main() -> None:
    """Serve a throw-away salon, take the pictures, stop."""
    from playwright.sync_api import sync_playwright

    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        data = str(Path(folder) / "data")
        command = [sys.executable, "-c", _SERVE.format(port=PORT, data=data)]
        server = subprocess.Popen(command, env={**os.environ, "GRADIO_TEMP_DIR": folder}, stderr=subprocess.DEVNULL)
        try:
            _wait()
            with open_records(f"sqlite:///{data}/records.sqlite") as salon:
                add_user(salon, _NAME, _PASSWORD, UserRole.GROOMER)
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=_CHROMIUM, args=_FLAGS)
                _groomer(browser)  # first: the owner's visit adds a dog
                _owner(browser)
                browser.close()
        finally:
            server.terminate()
            server.wait(timeout=20)


def _wait() -> None:
    for _ in range(600):
        try:
            if httpx.get(f"{URL}/health").is_success:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise SystemExit("the server does not answer")


def _page(browser: Any, viewport: dict[str, int], scheme: str = "light") -> Any:
    return browser.new_context(viewport=viewport, color_scheme=scheme, device_scale_factor=1).new_page()


def _keep(page: Any, name: str) -> None:
    page.wait_for_timeout(600)
    page.screenshot(path=FOLDER / f"{name}.png")


def _owner(browser: Any) -> None:
    token = httpx.post(f"{URL}/api/v1/dogs/by-link", json={"name": "Fennel"}).raise_for_status().json()["token"]
    page = _page(browser, PHONE)
    page.goto(f"{URL}/owner/q/lie?dog={token}")
    page.wait_for_selector('.page[data-step="q/lie"]')
    _keep(page, "owner-question")
    answers = json.loads((HERE / "fennel.json").read_text(encoding="utf-8"))
    httpx.patch(f"{URL}/api/v1/dogs/by-link/{token}/answers", json=answers).raise_for_status()
    page.goto(f"{URL}/owner/result?dog={token}")
    page.wait_for_selector(".page[data-step=result]")
    _keep(page, "owner-result")


def _groomer(browser: Any) -> None:
    page = _page(browser, TABLET)
    page.goto(f"{URL}/sign-in")
    page.fill("#name", _NAME)
    page.fill("#password", _PASSWORD)
    page.click("[type=submit]")
    page.wait_for_selector(".page.salon")
    _keep(page, "groomer-today")
    page.locator(".page.salon a", has_text="Clover").first.click()
    page.wait_for_selector('.page[data-step^="dog"]')
    _keep(page, "groomer-dog")


if __name__ == "__main__":
    main()
