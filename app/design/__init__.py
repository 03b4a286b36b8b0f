"""How every page looks: one theme, one style sheet, templates that escape, and pictures drawn by ourselves."""

from app.design._blocks import HEAD, blocks, mount
from app.design._outline import outline
from app.design._pictures import bars, growth_curve, length_picture, load_list, time_curve
from app.design._templates import render
from app.design._theme import theme

__all__ = [
    "HEAD",
    "bars",
    "blocks",
    "growth_curve",
    "length_picture",
    "load_list",
    "mount",
    "outline",
    "render",
    "theme",
    "time_curve",
]
