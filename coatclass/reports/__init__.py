"""Sheets and reports. Each part is loaded when it is used, so that importing the room costs nothing."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coatclass.reports._sheet import Sheet, sheet_html, sheet_pdf

__all__ = ["Sheet", "sheet_html", "sheet_pdf"]

_WHERE = {"Sheet": "_sheet", "sheet_html": "_sheet", "sheet_pdf": "_sheet"}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
