"""The frame of every page: one theme, one style sheet, templates that escape. What plans show is not theirs."""

from app.design._blocks import HEAD, blocks, mount
from app.design._templates import render
from app.design._theme import theme

__all__ = ["HEAD", "blocks", "mount", "render", "theme"]
