"""What every test may use: labelled photos, reference tables, a database server; and how workers share the suite."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests import postgresql

ROOT = Path(__file__).resolve().parent.parent
IN_CI = os.environ.get("CI") == "true"
# The same examples at every run in CI, others each time elsewhere; a busy machine may take its time over one.
_EXAMPLES = settings.get_profile("ci" if IN_CI else "default")
settings.register_profile("suite", _EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("suite")


def _folder_beside_the_checkout(variable: str, default: str, marker: str) -> Path:
    folder = Path(os.environ.get(variable, ROOT.parent / "shared" / default))
    if not (folder / marker).is_file():
        message = f"{variable} names no folder with {marker}: {folder}. Set {variable} to run this test."
        if IN_CI:
            pytest.fail(message)
        pytest.skip(message)
    return folder


@pytest.fixture(scope="session")
def photos() -> Path:
    """The folder of labelled photos (``manifest.csv`` inside); fails in CI, skips elsewhere when it is missing."""
    return _folder_beside_the_checkout("COATCLASS_PHOTOS", "photos", "manifest.csv")


@pytest.fixture(scope="session")
def tables() -> Path:
    """The folder of published reference tables; fails in CI, skips elsewhere when it is missing."""
    return _folder_beside_the_checkout("COATCLASS_TABLES", "tables", "published_facts.csv")


@pytest.fixture(scope="session")
def not_dogs(photos: Path) -> Path:
    """Pictures of other animals, beside the photos."""
    return photos.parent / "not_dogs"


@pytest.fixture(scope="session")
def postgres() -> Iterator[Callable[[], str]]:
    """A function that makes a new, empty database on a real server and returns its address."""
    if postgresql.programs() is None:
        (pytest.fail if IN_CI else pytest.skip)(postgresql.MISSING)
    with postgresql.running() as new_database:
        yield new_database


# --- a second chance --------------------------------------------------------------------------------------------------


def patience_ended(error: BaseException | None) -> bool:
    """Whether playwright waited in vain for what a page should hold; no other error, nor one that followed from it."""
    return type(error).__name__ == "TimeoutError" and type(error).__module__.startswith("playwright.")


# A machine that many share may hold a browser up for once; the summary names who needed it. Its race is to be mended.
SECOND_CHANCE = pytest.mark.flaky(reruns=1, only_rerun=["^TimeoutError: "], condition=patience_ended)


# --- sharing the suite among workers ----------------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Among workers, files with slow tests start first, so that none is left for the end; in CI see above."""
    for item in items:
        if IN_CI and item.get_closest_marker("browser"):
            item.add_marker(SECOND_CHANCE)
    if hasattr(config, "workerinput"):
        slow = {item.path for item in items if item.get_closest_marker("slow")}
        items.sort(key=lambda item: item.path not in slow)
