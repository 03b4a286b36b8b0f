"""The frame of every page: one theme, one style sheet, templates that escape. What plans show is not theirs."""

from app.design._gradio import blocks, mount, theme
from app.design._templates import HEAD, address, render

__all__ = ["HEAD", "address", "blocks", "mount", "render", "theme"]
