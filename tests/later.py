"""Heavy libraries, imported by the first test that needs one and not by every worker that collects the suite."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Any

import pytest


class Later:
    """Stands for a module; skips the whole file of tests where its library is not installed."""

    def __init__(self, name: str) -> None:
        self._name = name
        if find_spec(name.partition(".")[0]) is None:
            pytest.skip(f"{name} is not installed", allow_module_level=True)

    def __getattr__(self, attribute: str) -> Any:
        if attribute.startswith("_"):  # what pytest asks every object of a file for
            raise AttributeError(attribute)
        return getattr(import_module(self._name), attribute)
