"""Blocks as HTML: one template that sheet and pages share, and what it needs."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from coatclass.presentation.drawing import Drawing, svg

__all__ = ["TEMPLATES", "environment"]

TEMPLATES = Path(__file__).with_name("templates")
"""Folder of ``blocks.html``, whose macro ``render(block)`` writes any block."""


def environment(*folders: Path) -> Environment:
    """A jinja environment that escapes what people wrote and knows the blocks."""
    made = Environment(
        loader=FileSystemLoader([*folders, TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(svg=_svg, named=_named, broken=_broken)
    return made


@lru_cache(maxsize=256)  # a dog's chart is drawn for nobody else
def _svg(drawing: Drawing) -> Markup:
    return Markup(svg(drawing))


def _named(drawing: str, alt: str) -> Markup:
    """A tool's drawing with its description for those who can't see it."""
    return Markup(drawing.replace('role="img"', f'role="img" aria-label="{escape(alt)}"', 1))


def _broken(text: str) -> Markup:
    """Escaped text whose lines stay lines."""
    return Markup("<br>").join(text.split("\n"))
