"""What every test may use: the labelled photos and the reference tables, where they are to be had."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
IN_CI = os.environ.get("CI") == "true"


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
