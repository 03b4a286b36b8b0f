"""The report as one HTML page (``page.html``) that needs no network and prints well."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from math import log
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coatclass.errors import MissingExtraError
from coatclass.reports.evaluation import plots
from coatclass.reports.evaluation.breakdowns import TRAITS_TOLD
from coatclass.reports.evaluation.figures import label, number, shown_table, spoken
from coatclass.reports.evaluation.metrics import Figure

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["page"]

_HERE = Path(__file__).parent


def page(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> str:
    """The whole page.

    Args:
        report: the report, its figures as :class:`Figure`.
        thumbnails: data URIs of small pictures by file.

    Raises:
        MissingExtraError: if jinja2 or matplotlib is not installed.
    """
    style = (_HERE / "page.css").read_text(encoding="utf-8")
    return _with_contents(
        _template().render(
            report=report, thumbnails=thumbnails, plots=plots, style=style, traits_told=TRAITS_TOLD, log_2=log(2)
        )
    )


def _with_contents(html: str) -> str:
    """The page with a list of its sections, each of which can be linked to."""
    found: list[str] = []

    def linked(title: re.Match[str]) -> str:
        found.append(title[1])
        return f'<h2 id="part-{len(found)}">{title[1]}</h2>'

    html = re.sub(r"<h2>(.*?)</h2>", linked, html)
    entries = "".join(f'<li><a href="#part-{place}">{title}</a></li>' for place, title in enumerate(found, start=1))
    return html.replace(_CONTENTS, f'<nav aria-label="Contents"><ul>{entries}</ul></nav>', 1)


_CONTENTS = "<!-- contents -->"


@cache
def _template() -> Template:
    try:
        from jinja2 import Environment, FileSystemLoader
        from markupsafe import Markup, escape
    except ImportError as error:
        raise MissingExtraError("The evaluation report", "evaluate") from error

    def labelled(svg: str, caption: str) -> Markup:
        """A plot with its caption as the name that screen readers speak."""
        return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(caption)}" ', 1))

    environment = Environment(loader=FileSystemLoader(_HERE), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {
        "label": label,
        "label_and_interval": lambda name: [label(name), "95 %"],
        "labelled": labelled,
        "number": number,
        "percent": lambda share: f"{share:.0%}",
        "pluralise": lambda n, thing: f"{n} {thing}{'' if n == 1 else 's'}",
        "shown": _shown,
        "shown_table": shown_table,
        "spoken": spoken,
        "subgroup": lambda row: (f"{row['kind']}: {row['name']}", row["accuracy"]),
        "word_columns": _word_columns,
    }
    environment.tests |= {"figure": lambda value: isinstance(value, Figure), "word": _is_word}
    return environment.get_template("page.html")


def _shown(value: Any) -> str:
    """One value of a table; a dash where there is none."""
    shown = number(value) if isinstance(value, float) else value
    return "–" if shown in (None, "") else str(shown)


def _is_word(value: Any) -> bool:
    """Whether a value of a ready-made table is text, not a number."""
    return isinstance(value, str) and any(letter.isalpha() for letter in value)


def _word_columns(table: tuple[Sequence[str], Sequence[Sequence[Any]]]) -> list[str]:
    """Titles of the columns that hold text, which is set to the left."""
    head, rows = table
    return [title for place, title in enumerate(head) if any(_is_word(row[place]) for row in rows)]
