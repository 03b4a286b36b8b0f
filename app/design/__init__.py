"""The frame of every page: one theme, one style sheet, templates that escape. What plans show is not theirs."""

from app.design._blocks import blocks, mount
from app.design._templates import HEAD, address, render
from app.design._theme import theme

__all__ = ["HEAD", "address", "blocks", "mount", "render", "theme"]
