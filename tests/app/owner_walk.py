"""What an owner does on the page, as steps that several tests take."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

PHONE = {"width": 360, "height": 740}
DESKTOP = {"width": 1280, "height": 900}


def begin(page: Any, url: str, name: str = "Bramble") -> None:
    """From the first page to the photos."""
    page.goto(f"{url}/owner/")
    page.fill("#dog-name", name)
    page.click("[data-form=start] button")
    page.wait_for_selector(".page[data-step=photos]")


def open_step(page: Any, url: str, token: str, step: str) -> None:
    """Come back by the link."""
    page.goto(f"{url}/owner/{step}?dog={token}")
    page.wait_for_selector(f'.page[data-step="{step}"]')


def token_of(page: Any) -> str:
    """The link's token, out of the address."""
    return str(page.evaluate("new URLSearchParams(location.search).get('dog')"))


def add_photo(page: Any, photo: Path) -> None:
    """Choose a file; the page shows it when it is kept."""
    before = page.locator(".pictures figure").count()
    page.set_input_files("#files", photo)
    page.wait_for_function(f"() => document.querySelectorAll('.pictures figure').length > {before}")


def unfold(page: Any) -> None:
    """Open everything that is folded."""
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")


def step_of(page: Any) -> str:
    """Which view is shown."""
    return str(page.get_attribute(".page", "data-step"))


def press_and_wait(page: Any, selector: str) -> str:
    """Press something that leads to another view; return the step that came."""
    before = step_of(page)
    page.click(selector)
    leave(page, before)
    return step_of(page)


def leave(page: Any, step: str) -> None:
    """Wait until another view than this one is shown."""
    page.wait_for_selector(f'.page[data-step]:not([data-step="{step}"])')


def all_sent(page: Any) -> None:
    """Wait until no entry waits in the browser any more."""
    page.wait_for_function(
        """() => Object.entries(localStorage).every(([key, kept]) => !key.includes("pending") || kept === "null")"""
    )


def answer_card(page: Any, answers: Mapping[str, Any]) -> str:
    """Answer what is asked on a screen, as far as ``answers`` knows it, and go on; return the next step."""
    for group in page.locator("fieldset[data-question]").all():
        name, kind = group.get_attribute("data-question"), group.get_attribute("data-kind")
        if name in answers and group.is_visible():
            _fill(page, name, kind, answers[name])
    return press_and_wait(page, "[data-form=card] button[type=submit]")


def _fill(page: Any, name: str, kind: str, value: Any) -> None:
    if kind in ("choice", "yes_no"):
        page.check(f'input[name="{name}"][value="{str(value).lower()}"]')
    elif kind == "choices":
        for choice in value or [""]:
            page.check(f'input[name="{name}"][value="{choice}"]')
    elif kind == "zones":
        for zone, state in value.items():
            page.select_option(f"#zone-{zone}", state)
    else:
        page.fill(f'fieldset[data-question="{name}"] input', str(value))


def to_result(page: Any, answers: Mapping[str, Any], look: Callable[[], None] = lambda: None) -> list[str]:
    """Answer one screen after the other until the result is there; return the screens that were asked."""
    asked = []
    for _ in range(25):
        if step_of(page) == "result":
            return asked
        asked.append(step_of(page))
        look()
        answer_card(page, answers)
    raise AssertionError(f"no result after {asked}")
