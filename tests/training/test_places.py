"""The digest that a release keeps of its code can be counted again, and tells a change of any file that shapes it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from training.places import code_sha256


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    files = {"coatclass/a.py": "one", "training/configs/b.toml": "two", "coatclass/data/c.csv": "three"}
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_digest_is_that_of_a_list_that_sha256sum_writes(checkout: Path) -> None:
    """One line a file, digest and path with a space between, in the order of the paths."""
    files = {"coatclass/a.py": b"one", "coatclass/data/c.csv": b"three", "training/configs/b.toml": b"two"}
    lines = "".join(f"{hashlib.sha256(content).hexdigest()} {name}\n" for name, content in files.items())
    assert code_sha256(checkout) == hashlib.sha256(lines.encode()).hexdigest()


def test_it_tells_what_shapes_a_release_from_what_does_not(checkout: Path) -> None:
    before = code_sha256(checkout)
    for name in ("README.md", "coatclass/notes.md", "tests/test_a.py", "models/d.csv", "app/e.py"):
        (checkout / name).parent.mkdir(parents=True, exist_ok=True)
        (checkout / name).write_text("none of its code", encoding="utf-8")
        assert code_sha256(checkout) == before, name
    seen = {before}
    for change in (
        lambda: (checkout / "coatclass/a.py").write_text("another", encoding="utf-8"),
        lambda: (checkout / "coatclass/a.py").rename(checkout / "coatclass/z.py"),
        (checkout / "training/configs/b.toml").unlink,
        lambda: (checkout / "training/new.py").write_text("", encoding="utf-8"),
    ):
        change()
        seen.add(code_sha256(checkout))
    assert len(seen) == 5
