"""The report as one HTML page that needs no network and prints well."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coatclass.reports.evaluation._markup import cell, counted, escape, extra_cell, line, table
from coatclass.reports.evaluation._page_figures import doubt, main_figures, trust
from coatclass.reports.evaluation._page_groups import people, regimes, robust, served

__all__ = ["page"]

_STYLE = Path(__file__).with_name("page.css")


def page(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> str:
    """The whole page."""
    parts = [*_head(report), *main_figures(report), *trust(report), *doubt(report), *people(report)]
    parts += [*served(report), *regimes(report), *robust(report), *_extras(report), *_refused(report)]
    parts += _errors(report, thumbnails)
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report['title'])}</title><style>{_STYLE.read_text(encoding='utf-8')}</style></head><body>\n{body}\n</body></html>\n"
    )


def _head(report: Mapping[str, Any]) -> list[str]:
    data, made = report["data"], report["made_by"]
    return [
        f"<h1>{escape(report['title'])}</h1>",
        f'<p class="say">{counted(data["dogs"], "photo")} of dogs with a known coat '
        f"({counted(data['groups'], 'dog')}), {counted(data['refused'], 'photo')} refused, "
        f"{counted(data['other_pictures'], 'other picture')}. "
        f"Image model {escape(made['image_model'])}, ensemble {escape(made['ensemble'])}, "
        f"coatclass {escape(made['coatclass'])}. "
        "Intervals are 95 %, from resampling dogs, not photos, unless they are called exact.</p>",
    ]


def _extras(report: Mapping[str, Any]) -> list[str]:
    """Tables that come ready made: generalisation, ablations."""
    parts = []
    for extra in report.get("extras", ()):
        rows = (line(str(row[0]), *(extra_cell(value) for value in row[1:])) for row in extra["rows"])
        parts += [
            f"<h2>{escape(extra['title'])}</h2>",
            f'<p class="say">{escape(extra["text"])}</p>',
            table("", extra["head"], rows),
        ]
    return parts


def _refused(report: Mapping[str, Any]) -> list[str]:
    refused = report.get("refused_photos")
    if not refused:
        return []
    rows = (
        line(photo["file"], f"<td>{escape(photo['reason'])}</td>", cell("dog" if photo["is_dog"] else "other picture"))
        for photo in refused
    )
    return ["<h2>Photos that were refused</h2>", table("", ["photo", "reason", "label"], rows, words=["reason"])]


def _errors(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> list[str]:
    figures = []
    for error in report["errors"]:
        image = thumbnails.get(error["file"])
        picture = f'<img src="{image}" alt="{escape(error["file"])}">' if image else ""
        people = f"; people: {', '.join(error['annotators'])}" if error["annotators"] else ""
        sure = f" (confidence {error['annotators_confidence']:g})" if error["annotators_confidence"] else ""
        caption = f"{error['said']} at {error['sureness']:.0%}, label {error['label']}{people}{sure}; "
        caption += f"verdict {error['verdict']}. {error['file']}"
        figures.append(f"<figure>{picture}<figcaption>{escape(caption)}</figcaption></figure>")
    shown = f'<div class="gallery">{"".join(figures)}</div>'
    return (
        ["<h2>The most confident errors</h2>", "<p>What the program did not look at is pale.</p>", shown]
        if figures
        else []
    )
