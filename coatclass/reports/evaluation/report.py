"""From cases with estimates to one JSON file and one page, with plots and the most confident errors."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.metadata import version
from io import BytesIO
from math import log
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from coatclass import photo, vision
from coatclass.decision import promise
from coatclass.ensemble import load as load_members
from coatclass.errors import InputError, MissingExtraError, PhotoError
from coatclass.reports.evaluation import figures, plots
from coatclass.reports.evaluation.breakdowns import (
    DRAWS,
    TRAITS_TOLD,
    annotators,
    answer_sweep,
    by_confidence,
    own_answers,
    own_reliability,
    question_worth,
    reliability,
    robustness,
    subgroups,
    subset,
)
from coatclass.reports.evaluation.cases import (
    FEWEST,
    NOT_A_DOG,
    UNKNOWN,
    LabelledPhoto,
    LabelledPhotos,
    look_at,
    read_table,
    with_decisions,
)
from coatclass.reports.evaluation.figures import (
    Wording,
    mixed_section,
    settled_section,
    shown_table,
    verdict_section,
    wording,
)
from coatclass.reports.evaluation.metrics import Figure
from coatclass.scoring.tables import COLUMNS as SCORE_COLUMNS
from coatclass.scoring.tables import Kind, open_table, row_of, written_path
from coatclass.taxonomy import BANDS, CATEGORIES, category_label

__all__ = [
    "PREDICTIONS",
    "SCHEMA_VERSION",
    "build_report",
    "check_enough",
    "evaluate_table",
    "notes",
    "page",
    "restored",
    "to_json",
    "write_report",
]

SCHEMA_VERSION = 1
PREDICTIONS = "predictions.csv"
"""What the program says of each photo, as ``coatclass score`` writes it, with the labels."""
_MANY = 30  # dogs from which resampling can be trusted; common practice
JSON_FILE, PAGE_FILE = "evaluation.json", "evaluation.html"


def evaluate_table(
    table: Path,
    out: Path,
    *,
    robustness_photos: int = 0,
    gallery: int = 24,
    resamples: int = 1000,
    simulate: bool = True,
    language: str = "en",
    further: Callable[[Path], Mapping[str, Any]] = lambda predictions: {},
    advance: Callable[[], None] = lambda: None,
) -> dict[str, Any]:
    """Evaluate the released program on a researcher's own photos; write ``evaluation.json`` and ``evaluation.html``.

    What the program says of each photo is written first (``predictions.csv``): it stays, whatever happens afterwards,
    and is evaluated again without a photo.

    Args:
        table: CSV with columns file, category, band, and optional ones; see :func:`read_table`.
        out: folder for the two files, made if it is missing. The page holds small pictures of the gravest errors.
        robustness_photos: how many photos to repeat with worse pictures (31 looks each); 0 leaves that part out.
        gallery: how many errors to show.
        resamples: bootstrap resamples behind each interval.
        simulate: also show what simulated answers would add.
        language: of the page.
        further: makes further sections; called with the path of the predictions.
        advance: called once a photo, for a progress bar.

    Returns:
        The report, as written to the JSON file.

    Raises:
        InputError: if the table can't be read, or too few photos can be judged.
        ModelFilesError: if released files are missing or damaged.
        MissingExtraError: if matplotlib is not installed.
    """
    cases = with_decisions(look_at(read_table(table), advance))
    write_predictions(cases, out)
    check_enough(cases, table)
    more = further(out / PREDICTIONS)
    worse = robustness(subset(cases, robustness_photos)) if robustness_photos else None
    extra: dict[str, Any] = {"robustness": worse} if worse else {}
    report = build_report(cases, f"coatclass on {table.name}", resamples=resamples, simulate=simulate, gallery=gallery)
    return write_report({**report, **extra, **more}, cases, out, language)


def write_predictions(cases: LabelledPhotos, out: Path) -> None:
    """One row a photo: the columns of ``coatclass score``, then the labels.

    Raises:
        InputError: if the folder can't be written to.
    """

    def label(words: Sequence[str], place: int) -> str:
        return "" if place == UNKNOWN else str(words[place])

    rows = []
    for case in cases.rows:
        told = row_of(written_path(case.file), case.estimate, case.decision, case.report)
        truth = label(CATEGORIES, case.category) if case.is_dog else NOT_A_DOG
        votes = {f"category_{number}": label(CATEGORIES, vote) for number, vote in enumerate(case.categories_by, 1)}
        told |= {"truth": truth, "truth_band": label(BANDS, case.band), "group": case.group, "breed": case.breed}
        rows.append(told | {"source": case.source, "usable": "y" if case.usable else "n"} | votes)
    carried: dict[str, Kind] = dict.fromkeys((name for name in rows[0] if name not in SCORE_COLUMNS), "text")
    unfinished = out / f"{PREDICTIONS}.unfinished"
    try:
        out.mkdir(parents=True, exist_ok=True)
        with open_table(unfinished, ".csv", carried, "") as written:
            written.write(rows)
        unfinished.replace(out / PREDICTIONS)
    except OSError as error:
        problem = f"can't be written ({error.strerror})."
        raise InputError(str(out), problem, "Name a folder you may write to.") from error


def check_enough(cases: LabelledPhotos, table: Path) -> None:
    """Refuse a set in which too few cases can be judged.

    Raises:
        InputError: and why.
    """
    if len(cases.judged) < FEWEST:
        raise InputError(str(table), *_too_few(cases))


def _too_few(cases: LabelledPhotos) -> tuple[str, str]:
    """Why too few cases can be judged, and what to do about it."""
    refused = refused_photos(cases)
    why = f" {len(refused)} were refused, the first, {refused[0]['file']}: {refused[0]['reason']}" if refused else ""
    problem = f"has {len(cases.judged)} dogs with a known category whose photo can be judged."
    return problem + why, f"At least {FEWEST} are needed: fill in the column category, or add photos."


def opening(title: str) -> dict[str, Any]:
    """How every report begins: its title, the release that made it, what it promises and its words."""
    return {
        "schema_version": SCHEMA_VERSION,
        "title": title,
        "made_by": {
            "coatclass": version("coatclass"),
            "image_model": vision.read_manifest().model_version,
            "ensemble": load_members().version,
        },
        "promise": dict(promise()),
        "words": {"categories": list(CATEGORIES), "bands": list(BANDS)},
    }


def build_report(
    cases: LabelledPhotos,
    title: str,
    *,
    resamples: int = 1000,
    simulate: bool = True,
    draws: int = DRAWS,
    gallery: int = 24,
) -> dict[str, Any]:
    """All sections that need nothing but the cases; optional ones are left out where there are too few data.

    ``draws``: how often simulated owners are drawn, 2 at least; their figures are means.
    """
    report: dict[str, Any] = {
        **opening(title),
        "data": _data(cases),
        "notes": _notes(cases),
        "refused_photos": refused_photos(cases),
        "photo": figures.tables(cases, resamples=resamples),
        "confusion": figures.confusions(cases),
        "classes": figures.class_section(cases),
        "calibration": figures.calibration(cases),
        "dog": figures.dog_figures(cases, resamples=resamples),
        "sets": figures.set_section(cases),
        "verdicts": verdict_section(cases),
        "settled": settled_section(cases),
        "mixed": {"these photos": mixed_section(cases)},
        "by_confidence": by_confidence(cases, resamples=resamples),
        "annotators": annotators(cases, resamples=resamples),
        "subgroups": subgroups(cases, resamples=resamples),
        "own_answers": own_answers(cases, resamples=resamples),
        "errors": confident_errors(cases, gallery),
    }
    if simulate and cases.enough_bands:
        report["simulated_answers"] = answer_sweep(cases, resamples=min(resamples, 200), draws=draws)
        report["simulated_question_worth"] = question_worth(cases)
        report["calibration"]["simulated_answers"] = reliability(cases)
    if own := own_reliability(cases):
        report["calibration"]["own_answers"] = own
    return {key: value for key, value in report.items() if value not in (None, [])}


def _data(cases: LabelledPhotos) -> dict[str, int]:
    judged = cases.judged
    return {
        "photos": len(cases),
        "dogs": len(judged),
        "groups": len(set(judged.groups)),
        "refused": sum(case.estimate is None and case.is_dog for case in cases.rows),
        "other_pictures": sum(not case.is_dog for case in cases.rows),
    }


def _notes(cases: LabelledPhotos) -> list[str]:
    judged = cases.judged
    alone = sum(case.group == case.file for case in judged.rows)
    return notes(judged=len(judged), alone=alone, dogs=len(set(judged.groups)), measured=len(cases.measured))


def notes(*, judged: int, alone: int, dogs: int, measured: int) -> list[str]:
    """What a reader of the figures must know about these photos.

    Args:
        judged: photos of dogs with a known coat.
        alone: those of them without a group.
        dogs: groups that they show.
        measured: photos whose length is known.
    """
    said = []
    if alone:
        which = "No photo has a" if alone == judged else f"{alone} of {judged} photos have no"
        said.append(
            f"{which} group: each such photo was counted as a dog of its own. Where several show the same dog, the "
            "intervals are too narrow; name the dog in the column 'group'."
        )
    if dogs < _MANY:
        said.append(
            f"With fewer than {_MANY} dogs (here {dogs}) intervals from resampling are too narrow; where every photo "
            "is right they shrink to a point. Go by the exact intervals: precision, recall, sets and verdicts."
        )
    if measured < FEWEST:
        said.append(
            f"The length of {measured} coats is known; {FEWEST} are needed to say anything about it. What "
            "concerns the length band is left out, and so are simulated answers, which are drawn for a known length."
        )
    return said


def refused_photos(cases: LabelledPhotos) -> list[dict[str, Any]]:
    """Photos of dogs that were refused, and other pictures that could not be opened, each with the reason."""
    return [
        {"file": case.file, "is_dog": case.is_dog, "reason": _why(case)}
        for case in cases.rows
        if (case.estimate is None if case.is_dog else case.evidence is None)
    ]


def _why(case: LabelledPhoto) -> str:
    return " ".join(reason.text for reason in case.report.reasons) if case.report else ""


def write_report(
    report: Mapping[str, Any], cases: LabelledPhotos | None, out: Path, language: str = "en"
) -> dict[str, Any]:
    """Write both files whole or not at all; return the report as plain JSON values. Without cases: no pictures.

    ``language``: of the page; the JSON is the same in every language.
    """
    plain: dict[str, Any] = to_json(report)
    small = thumbnails(cases, list(report.get("errors", []))) if cases is not None else {}
    text = page({"errors": [], **restored(plain)}, small, language)
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, content in ((JSON_FILE, json.dumps(plain, indent=1) + "\n"), (PAGE_FILE, text)):
            unfinished = out / f"{name}.unfinished"
            unfinished.write_text(content, encoding="utf-8")
            unfinished.replace(out / name)
    except OSError as error:
        raise InputError(
            str(out), f"can't be written ({error.strerror}).", "Name a folder you may write to."
        ) from error
    return plain


def restored(plain: Any) -> Any:
    """The content of the JSON file with its figures as objects again: the page is made from it, so both agree."""
    if isinstance(plain, Mapping):
        if set(plain) == set(Figure._fields):
            return Figure(**plain)
        return {key: restored(entry) for key, entry in plain.items()}
    return [restored(entry) for entry in plain] if isinstance(plain, list) else plain


def to_json(value: Any) -> Any:
    """Figures as objects, everything else as JSON has it."""
    if isinstance(value, Figure):
        return {"value": round(value.value, 5), "low": round(value.low, 5), "high": round(value.high, 5), "n": value.n}
    if isinstance(value, Mapping):
        return {str(key): to_json(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(entry) for entry in value]
    return round(value, 6) if isinstance(value, float) else value


_SIDE = 220


def confident_errors(cases: LabelledPhotos, most: int) -> list[dict[str, Any]]:
    """The judged cases that are wrong, surest first: what was said, the label, and each annotator's."""
    judged = cases.judged
    p, truth = judged.p_category, judged.truth
    wrong = np.flatnonzero(p.argmax(axis=1) != truth)
    surest = wrong[np.argsort(-p[wrong].max(axis=1), kind="stable")][:most]
    return [_error(judged.rows[place], p[place]) for place in surest]


def _error(case: LabelledPhoto, p: Any) -> dict[str, Any]:
    best = int(p.argmax())
    return {
        "file": case.file,
        "said": category_label(CATEGORIES[best]),
        "sureness": float(p[best]),
        "label": category_label(CATEGORIES[case.category]),
        "probability_of_label": float(p[case.category]),
        "annotators": [category_label(CATEGORIES[label]) for label in case.categories_by if label != UNKNOWN],
        "annotators_confidence": case.confidence,
        "verdict": str(case.decision.verdict) if case.decision else None,
        "breed": case.breed,
    }


def thumbnails(cases: LabelledPhotos, errors: list[dict[str, Any]]) -> dict[str, str]:
    """Thumbnails as data URIs by file, with what the model ignored greyed out; only for a report on the own disk."""
    by_file = {case.file: case for case in cases.rows}
    return {error["file"]: uri for error in errors if (uri := _thumbnail(by_file[error["file"]])) is not None}


def _thumbnail(case: LabelledPhoto) -> str | None:
    try:
        image = photo.load(case.path, name=case.file).image
    except PhotoError:
        return None
    mask = vision.look(image, file=case.file).mask
    image.thumbnail((_SIDE, _SIDE))
    soft = Image.fromarray((mask * 255).clip(0, 255).astype(np.uint8)).resize(image.size, Image.Resampling.BILINEAR)
    pale = Image.blend(image.convert("L").convert("RGB"), Image.new("RGB", image.size, (255, 255, 255)), 0.45)
    buffer = BytesIO()
    Image.composite(image, pale, soft).save(buffer, "JPEG", quality=80)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


if TYPE_CHECKING:
    from jinja2 import Template


_HERE = Path(__file__).parent


def page(report: Mapping[str, Any], thumbnails: Mapping[str, str], language: str = "en") -> str:
    """The whole page.

    Args:
        report: the report, its figures as :class:`Figure`.
        thumbnails: data URIs of small pictures by file.
        language: of the page; one without texts of the report gets the English page.

    Raises:
        MissingExtraError: if jinja2 or matplotlib is not installed.
    """
    style = (_HERE / "page.css").read_text(encoding="utf-8")
    html = _template(language).render(
        report=report, thumbnails=thumbnails, plots=plots, style=style, traits_told=TRAITS_TOLD, log_2=log(2)
    )
    return _with_contents(html, wording(language).say("contents"))


def _with_contents(html: str, name: str) -> str:
    """The page with a list of its sections, each of which can be linked to."""
    found: list[str] = []

    def linked(title: re.Match[str]) -> str:
        found.append(title[1])
        return f'<h2 id="part-{len(found)}">{title[1]}</h2>'

    html = re.sub(r"<h2>(.*?)</h2>", linked, html)
    entries = "".join(f'<li><a href="#part-{place}">{title}</a></li>' for place, title in enumerate(found, start=1))
    return html.replace(_CONTENTS, f'<nav aria-label="{name}"><ul>{entries}</ul></nav>', 1)


_CONTENTS = "<!-- contents -->"


@cache
def _template(language: str) -> Template:
    try:
        from jinja2 import Environment, FileSystemLoader
        from markupsafe import Markup, escape
    except ImportError as error:
        raise MissingExtraError("The evaluation report", "evaluate") from error

    def labelled(svg: str, caption: str) -> Markup:
        """A plot with its caption as the name that screen readers speak."""
        return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(caption)}" ', 1))

    environment = Environment(loader=FileSystemLoader(_HERE), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    words = wording(language)
    environment.globals |= {
        "heads": lambda *keys: [words.say(f"head.{key}") for key in keys],
        "t": words.say,
        "wording": words,
    }
    environment.filters |= {
        "coat": words.coat,
        "counted": lambda n, things: words.count(f"count.{things}", n),
        "inside": lambda part: words.say(f"part.{part}.inside"),
        "label": words.label,
        "label_and_interval": lambda name: [words.label(name), words.say("short_interval")],
        "labelled": labelled,
        "number": words.number,
        "percent": words.percent,
        "reason": words.reason,
        "rough_span": lambda ends: words.say("to", low=words.number(ends[0], 2), high=words.number(ends[1], 2)),
        "short": words.short,
        "shown": lambda value: _shown(value, words),
        "shown_table": shown_table,
        "spoken": words.spoken,
        "subgroup": words.subgroup,
        "subgroup_count": lambda row: f"{words.subgroup(row)} ({row['n']})",
        "subgroup_figure": lambda row: (words.subgroup(row), row["accuracy"]),
        "told": words.told,
        "word_columns": _word_columns,
    }
    environment.tests |= {"figure": lambda value: isinstance(value, Figure), "word": _is_word}
    return environment.get_template("page.html")


def _shown(value: Any, words: Wording) -> str:
    """One value of a table; a dash where there is none."""
    shown = words.number(value) if isinstance(value, float) else value
    return "–" if shown in (None, "") else str(shown)


def _is_word(value: Any) -> bool:
    """Whether a value of a ready-made table is text, not a number."""
    return isinstance(value, str) and any(letter.isalpha() for letter in value)


def _word_columns(table: tuple[Sequence[str], Sequence[Sequence[Any]]]) -> list[str]:
    """Titles of the columns that hold text, which is set to the left."""
    head, rows = table
    return [title for place, title in enumerate(head) if any(_is_word(row[place]) for row in rows)]
