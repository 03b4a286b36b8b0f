"""The report as one HTML page that needs no network and prints well."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coatclass.reports.evaluation._markup import (
    counted,
    escape,
    extra_cell,
    is_word,
    line,
    say,
    spoken,
    table,
    word_cell,
)
from coatclass.reports.evaluation._page_figures import doubt, main_figures, trust
from coatclass.reports.evaluation._page_groups import people, regimes, robust, served
from coatclass.reports.evaluation._ready_made import shown_table

__all__ = ["page"]

_HOW_TO_READ = (
    "Log loss is in nats, the Brier score runs from 0 to 2; of these, of calibration errors and of the area under the "
    "risk-coverage curve, less is better. Answered at 2 % error: the largest share of photos, surest first, of which "
    "at most 2 % are wrong; the limit is found on the photos themselves, so that one set beforehand is apt to do less "
    "well. Resampling repeats photos, which makes calibration errors larger: their intervals lie high."
)
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
        say(_HOW_TO_READ),
    ]


def _extras(report: Mapping[str, Any]) -> list[str]:
    """Tables that come ready made: generalisation, ablations."""
    parts = []
    for extra in report.get("extras", ()):
        head, rows = shown_table(extra)
        words = [title for place, title in enumerate(head) if any(is_word(row[place]) for row in rows)]
        lines = (line(str(row[0]), *(_either(value) for value in row[1:])) for row in rows)
        parts += [f"<h2>{escape(extra['title'])}</h2>", say(extra["text"]), table("", head, lines, words=words)]
    return parts


def _either(value: Any) -> str:
    return word_cell(value) if is_word(value) else extra_cell(value)


def _refused(report: Mapping[str, Any]) -> list[str]:
    refused = report.get("refused_photos")
    if not refused:
        return []
    rows = (
        line(photo["file"], word_cell(photo["reason"]), word_cell("a dog" if photo["is_dog"] else "no dog"))
        for photo in refused
    )
    head = ["photo", "reason", "labelled as"]
    return ["<h2>Photos that were refused</h2>", table("", head, rows, words=head)]


def _errors(report: Mapping[str, Any], thumbnails: Mapping[str, str]) -> list[str]:
    figures = []
    for error in report["errors"]:
        image = thumbnails.get(error["file"])
        picture = f'<img src="{image}" alt="{escape(error["file"])}">' if image else ""
        people = f"; people: {', '.join(error['annotators'])}" if error["annotators"] else ""
        sure = f" (confidence {error['annotators_confidence']:g})" if error["annotators_confidence"] else ""
        caption = f"{error['said']} at {error['sureness']:.0%}, label {error['label']}{people}{sure}; "
        caption += f"verdict {spoken(error['verdict'] or 'none')}. {error['file']}"
        figures.append(f"<figure>{picture}<figcaption>{escape(caption)}</figcaption></figure>")
    if not figures:
        return []
    wrong = sum(row["wrong"] for row in report["verdicts"])
    told = f"{len(figures)} of {wrong} photos whose first choice is wrong, surest first. "
    told += "What the program did not look at is pale."
    gallery = f'<div class="gallery">{"".join(figures)}</div>'
    return ["<h2>The most confident errors</h2>", say(told), gallery]
