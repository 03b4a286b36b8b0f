"""Templates that escape what people wrote; each side keeps its own beside the shared ones."""

from __future__ import annotations

from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from coatclass.taxonomy import BodyZone, band_label, category_label, definition, describe_mm
from coatclass.words import catalogue

APP = Path(__file__).resolve().parent.parent


@cache
def _environment() -> Environment:
    folders = [APP / side / "templates" for side in ("design", "owner", "groomer", "researcher")]
    environment = Environment(
        loader=FileSystemLoader(folders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["outline_of"] = _outline_of
    environment.filters.update(
        mm=describe_mm, band=band_label, category=category_label, definition=definition, day=_day, percent=_percent
    )
    return environment


def _outline_of(states: dict[str, str], levels: dict[str, int], title: str) -> Any:
    """The dog with mat states by zone, for pressing."""
    from app.design._outline import outline

    return outline({BodyZone(zone): levels[state] for zone, state in states.items()}, title=title, pressable=True)


def _day(when: date | datetime) -> str:
    return f"{when.day} {when.strftime('%B %Y')}"


def _percent(share: float) -> str:
    """A share as people read it; never 0 or 100, which would claim certainty."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def render(template: str, *, side: str, language: str = "en", **values: Any) -> str:
    """A template as HTML; ``t(key, ...)`` in it gives the side's texts, ``say`` all words."""
    say = catalogue(language, side)
    values |= {"t": say.say, "lines": say.lines, "say": say, "language": say.language}
    return _environment().get_template(template).render(**values)
