"""``python -m training blind-sheet``: photos for a groomer to label without seeing any label, and what came back.

No person has labelled the photos so far. Half of the sheet is drawn from photos on which an annotator, or the image
model out of fold, differs from the label, half by chance from each coat; the groomer is told neither which is which,
nor breed, nor file name.
"""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from coatclass.errors import InputError
from coatclass.reports.evaluation.metrics import binomial_interval
from coatclass.scoring import tables
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.words import LANGUAGES, Catalogue, catalogue
from training.dataset.labels import OPINIONS
from training.places import ROOT, add_photos_argument, read_csv, write_csv

__all__ = ["CANT_TELL", "COLUMNS", "add_arguments", "choose", "compare", "prepare", "run"]

COLUMNS = ("number", "category", "length", "sure", "remark")
CANT_TELL = "cannot_tell"
_CHANGES = ("photo_id", "split", "label", "groomer", "sure", "remark")
_CHANGE_AT = 2  # how sure (1 to 3) a groomer must be for a label to be listed for change
_MARKS = ",;\t"
_SHEET, _KEY, _PAGE = "sheet.csv", "key.json", "sheet.html"
_DATASETS = ROOT / "datasets"

Labels = Mapping[str, Mapping[str, str]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training blind-sheet``."""
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument(
        "--out", type=Path, help="folder to prepare: pictures, sheet.html, sheet.csv to fill in, key.json"
    )
    what.add_argument("--read", type=Path, help="a prepared folder whose sheet.csv a groomer has filled in")
    parser.add_argument(
        "--language", choices=LANGUAGES, default=LANGUAGES[0], help="language of the page (default: en)"
    )
    parser.add_argument("--count", type=int, default=200, help="photos on the sheet (default: 200)")
    parser.add_argument("--seed", type=int, default=0, help="which photos are drawn, and in which order")
    add_photos_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Prepare a folder, or read one back and print what was found."""
    labels = {row["photo_id"]: row for row in read_csv(_DATASETS / "labels.csv")}
    if options.out is not None:
        chosen = choose(labels, _doubtful(labels), count=options.count, seed=options.seed)
        prepare(chosen, labels, options.photos, options.out, language=options.language)
        print(f"Give the groomer all of {options.out} but {_KEY}; read the sheet back with --read {options.out}.")
        return 0
    found = compare(read_sheet(options.read / _SHEET), _key(options.read), labels)
    write_csv(options.read / "changes.csv", _CHANGES, found["changes"])
    print(_report(found))
    return 0


def _doubtful(labels: Labels) -> set[str]:
    """Photos of train and val on which an annotator, or the model out of fold, differs from the label."""
    listed = {row["photo_id"] for row in read_csv(_DATASETS / "label_audit.csv")}
    further = read_csv(_DATASETS / OPINIONS)
    differ = {row["photo_id"] for row in further if row["category"] != labels[row["photo_id"]]["category"]}
    return {photo for photo in listed | differ if labels[photo]["split"] != "test"}


def choose(labels: Labels, doubtful: set[str], *, count: int, seed: int) -> list[str]:
    """Photos in the order of the sheet: up to half of them doubtful, the others alike from each coat, one a dog.

    Test photos are drawn by chance alone: labels of test that were looked at again on the word of the model under test
    would flatter it.
    """
    random = np.random.default_rng(seed)
    order = [str(photo) for photo in random.permutation(sorted(labels))]
    chosen: dict[str, str] = {}  # the photo of each dog

    def take(photo: str) -> None:
        chosen.setdefault(labels[photo]["group"], photo)

    for photo in order:
        if photo in doubtful and len(chosen) < count // 2:
            take(photo)
    by_coat = {str(name): [photo for photo in order if labels[photo]["category"] == name] for name in CATEGORIES}
    while len(chosen) < count and any(by_coat.values()):
        for photos in by_coat.values():
            if photos and len(chosen) < count:
                take(photos.pop())
    photos = list(chosen.values())
    return [photos[place] for place in random.permutation(len(photos))]


def prepare(chosen: Sequence[str], labels: Labels, photos: Path, out: Path, *, language: str = LANGUAGES[0]) -> None:
    """Write pictures under numbers, a page that shows them, an empty sheet, and the key from number to photo.

    Raises:
        InputError: if the folder holds a sheet already, which may be filled in.
    """
    if (out / _SHEET).exists():
        raise InputError(str(out), "holds a sheet already.", "Name another folder, or read this one with --read.")
    (out / "pictures").mkdir(parents=True, exist_ok=True)
    for number, photo in enumerate(chosen, 1):
        shutil.copyfile(photos / labels[photo]["file"], out / "pictures" / f"{number:03d}.jpg")
    write_csv(out / _SHEET, COLUMNS, [{"number": str(number)} for number in range(1, len(chosen) + 1)])
    (out / _KEY).write_text(json.dumps({str(n): photo for n, photo in enumerate(chosen, 1)}, indent=1) + "\n")
    (out / _PAGE).write_text(_page(len(chosen), catalogue(language)), encoding="utf-8")


def _page(count: int, words: Catalogue) -> str:
    coats = "".join(
        f"<dt><b>{name}</b> ({escape(words.coat(name))})</dt>"
        f"<dd>{escape(words.definition('coat', name, plain=False))}</dd>"
        for name in CATEGORIES
    )
    lengths = ", ".join(f"<b>{band}</b> ({escape(words.band(band))})" for band in BANDS)
    say = catalogue(words.language, "evaluation").say
    pictures = "".join(
        f'<figure><img src="pictures/{n:03d}.jpg" alt="{say("blind.dog", n=n)}"><figcaption>{n}</figcaption></figure>'
        for n in range(1, count + 1)
    )
    how = say("blind.how", sheet=_SHEET, cant_tell=f"<b>{CANT_TELL}</b>", lengths=lengths)
    title = say("blind.title")
    return f"""<!doctype html><html lang="{words.language}"><meta charset="utf-8"><title>{title}</title>
<style>body{{font-family:sans-serif;max-width:60em;margin:auto}}figure{{display:inline-block;margin:.5em}}
img{{max-width:22em;max-height:22em}}</style>
<h1>{title}</h1>
<p>{how}</p>
<dl>{coats}</dl>{pictures}</html>
"""


def read_sheet(path: Path) -> list[dict[str, str]]:
    """A filled-in sheet as spreadsheets save it: commas, semicolons or tabs between cells, words in any case.

    Raises:
        InputError: if it can't be read, or lacks a column.
    """
    rows = [dict(row) for row in tables.rows(str(path), marks=_MARKS)]
    if missing := set(COLUMNS[:-1]) - set(rows[0] if rows else ()):
        raise tables.lacking(str(path), missing, "Leave the first row as it was.")
    return [_tidy(row) for row in rows]


def _tidy(row: Mapping[str, Any]) -> dict[str, str]:
    cells = {name: str(row.get(name) or "").strip() for name in COLUMNS}
    return {name: cell if name == "remark" else cell.lower() for name, cell in cells.items()}


def compare(sheet: Sequence[Mapping[str, str]], key: Mapping[str, str], labels: Labels) -> dict[str, Any]:
    """Agreement of a filled-in sheet with the labels; rows without a category are left out.

    Returns:
        ``filled`` and ``cannot_tell``, numbers of rows; for ``category`` and ``band`` the number of ``photos``, how
        many ``agree``, the exact 95 % interval of that share (``low``, ``high``) and ``kappa`` (Cohen's; with quadratic
        weights for bands); and ``changes``, the labels to change.

    Raises:
        InputError: if a row names an unknown number, category, length or sureness.
    """
    filled = [row for row in sheet if row["category"].strip()]
    for row in filled:
        _check(row, key)
    said = [(row, labels[key[row["number"]]]) for row in filled]
    told = [(row, label) for row, label in said if row["category"] != CANT_TELL]
    categories = [(label["category"], row["category"]) for row, label in told]
    bands = [(label["band"], row["length"]) for row, label in said if {label["band"], row["length"]} <= set(BANDS)]
    return {
        "filled": len(filled),
        "cannot_tell": len(said) - len(told),
        "category": _agreement(categories, [str(name) for name in CATEGORIES], None),
        "band": _agreement(bands, [str(band) for band in BANDS], "quadratic"),
        "changes": [
            {
                "photo_id": label["photo_id"],
                "split": label["split"],
                "label": label["category"],
                "groomer": row["category"],
                "sure": row["sure"],
                "remark": row["remark"],
            }
            for row, label in told
            if row["category"] != label["category"] and int(row["sure"]) >= _CHANGE_AT
        ],
    }


def _agreement(pairs: Sequence[tuple[str, str]], words: Sequence[str], weights: str | None) -> dict[str, float]:
    from sklearn.metrics import cohen_kappa_score

    if not pairs:
        return {"photos": 0, "agree": 0, "low": 0.0, "high": 1.0, "kappa": float("nan")}
    one, other = zip(*pairs, strict=True)
    agree = sum(a == b for a, b in pairs)
    low, high = binomial_interval(agree, len(pairs))
    kappa = float(cohen_kappa_score(one, other, labels=list(words), weights=weights))
    return {"photos": len(pairs), "agree": agree, "low": low, "high": high, "kappa": kappa}


def _check(row: Mapping[str, str], key: Mapping[str, str]) -> None:
    if row["number"] not in key:
        raise InputError(_SHEET, f"names picture {row['number']!r}.", "Leave the numbers as they were.")
    words = {"category": (*CATEGORIES, CANT_TELL), "length": (*BANDS, CANT_TELL, ""), "sure": ("1", "2", "3")}
    for column, allowed in words.items():
        if row[column] not in allowed:
            choices = ", ".join(str(word) for word in allowed if word)
            raise InputError(
                f"{_SHEET}, picture {row['number']}", f"has {row[column]!r} as {column}.", f"Choose one of: {choices}."
            )


def _report(found: Mapping[str, Any]) -> str:
    lines = [f"{found['filled']} pictures labelled, {found['cannot_tell']} of them {CANT_TELL}."]
    for what in ("category", "band"):
        part = found[what]
        if part["photos"]:
            lines.append(
                f"{what}: as the label on {part['agree']} of {part['photos']} ({part['agree'] / part['photos']:.1%}; "
                f"{part['low']:.1%} to {part['high']:.1%}), kappa {part['kappa']:.3f}."
            )
    lines.append("Half of the sheet was drawn from doubtful photos: over all photos the agreement is better.")
    lines.append(
        f"{len(found['changes'])} labels to change, where the groomer was sure ({_CHANGE_AT} or 3): changes.csv."
    )
    return "\n".join(lines)


def _key(folder: Path) -> dict[str, str]:
    if not (folder / _KEY).is_file():
        raise InputError(str(folder), f"holds no {_KEY}.", "Name a folder that --out prepared.")
    key: dict[str, str] = json.loads((folder / _KEY).read_text(encoding="utf-8"))
    return key
