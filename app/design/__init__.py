"""The frame of every page: templates that escape what people wrote; each side keeps its own beside the shared ones.

What plans show is not decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment
from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup
from pydantic import BaseModel

from app.language import choices, words
from coatclass import reasons
from coatclass.presentation.html import environment
from coatclass.presentation.pictures import photo_guide, pressable_dog
from coatclass.presentation.wording import percent
from coatclass.taxonomy import BodyZone
from coatclass.words import Catalogue, about, catalogue

__all__ = ["HEAD", "address", "render"]

HEAD = (
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<meta name="color-scheme" content="light dark">'
    '<link rel="stylesheet" href="/static/coatclass.css">'
    '<link rel="icon" href="/static/mark.svg" type="image/svg+xml">'
)
_PAGES = ("pages.js", "measure.js")
_SCRIPTS = {"owner": (*_PAGES, "owner.js"), "groomer": (*_PAGES, "intake.js", "salon.js")}
APP = Path(__file__).resolve().parent.parent


@cache
def _environment(language: str) -> Environment:
    """The templates with what they call by a short name; ``texts(room)`` gives the texts of any room."""
    made = environment(*(APP / side / "templates" for side in ("design", "owner", "groomer", "researcher")))
    words = catalogue(language)
    made.globals |= {"texts": partial(catalogue, language), "outline_of": partial(_outline_of, words)}
    made.globals["photo_guide"] = partial(photo_guide, words)
    made.globals["dog_seen"] = partial(_dog_seen, words)
    made.filters.update(
        mm=words.mm,
        divided=words.divided,
        band=words.band,
        category=lambda coat: words.title(words.coat(coat)),
        zone=lambda zone: words.zone(zone, long=True),
        says=lambda word, kind: words.definition(kind, word),
        day=words.day,
        percent=lambda share: percent(share, words),
        told=lambda reason: reasons.said(reason, language),
        seen=_seen,
    )
    return made


def _seen(record: BaseModel, *names: str) -> Markup:
    """How fields of a record read now, as JSON for an attribute of the form that changes them."""
    return htmlsafe_json_dumps(record.model_dump(mode="json", include=set(names)))


def _outline_of(
    words: Catalogue, states: Mapping[str, str], levels: Mapping[str, int], title: str, *, pressable: bool = True
) -> Markup:
    """The dog with what was found by zone, for pressing."""
    marked = {BodyZone(zone): levels[state] for zone, state in states.items()}
    return Markup(pressable_dog(marked, title=title, words=words, pressable=pressable))


def _dog_seen(words: Catalogue, view: str, title: str, first: bool) -> Markup:
    """The dog from one side, every zone a button; the first on a page brings the hatchings."""
    return Markup(pressable_dog({}, title=title, words=words, keys=True, view=view, patterns=first))


def render(template: str, *, side: str, **values: Any) -> str:
    """A template as HTML in the reader's language; ``t(key, ...)`` in it gives the side's texts, ``say`` all words."""
    say = words(side)
    tongue = about(say.language)
    values |= {"t": say.say, "lines": say.lines, "say": say, "language": say.language}
    values |= {"tongue": tongue, "tongues": choices(), "switch": catalogue(say.language, "language").say("switch")}
    values |= {"go": partial(_go, side, values.get("token", "")), "head": Markup(HEAD), "scripts": _SCRIPTS[side]}
    return _environment(say.language).get_template(template).render(side=side, **values)


def address(side: str, step: str, token: str = "") -> str:
    """Where a step stands: ``/groomer/dog/...``, ``/owner/q/feel?dog=TOKEN``."""
    path, _, asked = step.partition("?")
    query = "&".join(part for part in (asked, f"dog={token}" if token else "") if part)
    return f"/{side}/{quote(path)}" + (f"?{query}" if query else "")


def _go(side: str, token: str, step: str) -> Markup:
    """The attributes of a link to a step; the script shows it without leaving the page."""
    return Markup('href="{}" data-go="{}"').format(address(side, step, token), step)
