"""A sheet for a groomer: what is drawn, what it hides, and what is read from it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from PIL import Image

from coatclass.errors import InputError
from coatclass.taxonomy import CATEGORIES
from training.blind_sheet import CANT_TELL, COLUMNS, choose, compare, prepare, read_sheet
from training.places import read_csv

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def labels() -> dict[str, dict[str, str]]:
    return {row["photo_id"]: row for row in read_csv(DATASETS / "labels.csv")}


def test_half_are_doubtful_each_coat_is_there_and_no_dog_twice(labels: dict[str, dict[str, str]]) -> None:
    doubtful = {name for name in sorted(labels)[::10] if labels[name]["split"] != "test"}
    chosen = choose(labels, doubtful, count=200, seed=3)
    assert len(chosen) == 200 == len({labels[photo]["group"] for photo in chosen})
    assert 100 <= sum(photo in doubtful for photo in chosen) <= 130
    counts = [sum(labels[photo]["category"] == name for photo in chosen) for name in CATEGORIES]
    assert min(counts) >= 14
    assert chosen == choose(labels, doubtful, count=200, seed=3) != choose(labels, doubtful, count=200, seed=4)


def test_the_sheet_names_neither_photo_nor_breed_nor_label(tmp_path: Path, labels: dict[str, dict[str, str]]) -> None:
    chosen = sorted(labels)[::500]
    for photo in chosen:
        path = tmp_path / "photos" / labels[photo]["file"]
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("RGB", (40, 30)).save(path)
    prepare(chosen, labels, tmp_path / "photos", tmp_path / "out")
    given = [path for path in (tmp_path / "out").rglob("*") if path.is_file() and path.name != "key.json"]
    assert len(given) == len(chosen) + 2
    shown = " ".join([*(path.name for path in given), (tmp_path / "out" / "sheet.csv").read_text()])
    page = (tmp_path / "out" / "sheet.html").read_text(encoding="utf-8")
    for photo in chosen:
        assert photo not in shown + page and labels[photo]["breed"] not in shown
    assert all(f"<b>{name}</b>" in page for name in CATEGORIES)
    with (tmp_path / "out" / "sheet.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COLUMNS and not any(row["category"] for row in rows)
    with pytest.raises(InputError, match="already"):
        prepare(chosen, labels, tmp_path / "photos", tmp_path / "out")


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_sheet_is_read_as_a_spreadsheet_saved_it(mark: str, tmp_path: Path) -> None:
    lines = [COLUMNS, ("1", "Curly ", "25_75MM", "3", "Achsel verfilzt"), ("2", "", "", "", "")]
    text = "\ufeff" + "".join(mark.join(line) + "\r\n" for line in lines)
    (tmp_path / "sheet.csv").write_text(text, encoding="utf-8")
    first, second = read_sheet(tmp_path / "sheet.csv")
    assert list(first.values()) == ["1", "curly", "25_75mm", "3", "Achsel verfilzt"]
    assert second["category"] == ""
    (tmp_path / "sheet.csv").write_text("number;remark\n1;x\n", encoding="utf-8")
    with pytest.raises(InputError, match="has no columns category, length, sure"):
        read_sheet(tmp_path / "sheet.csv")


def test_the_sheet_is_in_the_groomers_language_but_for_the_words_to_write(
    tmp_path: Path, labels: dict[str, dict[str, str]]
) -> None:
    photo = next(iter(labels))
    (tmp_path / "photos" / labels[photo]["file"]).parent.mkdir(parents=True)
    Image.new("RGB", (40, 30)).save(tmp_path / "photos" / labels[photo]["file"])
    prepare([photo], labels, tmp_path / "photos", tmp_path / "out", language="de")
    page = (tmp_path / "out" / "sheet.html").read_text(encoding="utf-8")
    assert 'lang="de"' in page and "Füllen Sie" in page and "Fill in" not in page
    assert all(f"<b>{word}</b>" in page for word in (*CATEGORIES, CANT_TELL))


def _row(number: int, category: str, length: str = "", sure: str = "3") -> dict[str, str]:
    return {"number": str(number), "category": category, "length": length, "sure": sure, "remark": ""}


def test_reading_back_gives_the_agreement_and_the_labels_to_change(labels: dict[str, dict[str, str]]) -> None:
    photos = [next(name for name in labels if labels[name]["category"] == coat) for coat in ("fur", "wire", "hair")]
    key = {str(n): photo for n, photo in enumerate(photos, 1)} | {"4": photos[0], "5": photos[1], "6": photos[2]}
    sheet = [_row(1, "fur", labels[photos[0]]["band"]), _row(2, "hair"), _row(3, "drop", sure="1")]
    sheet += [_row(4, "fur"), _row(5, CANT_TELL, sure="1"), {**_row(6, ""), "sure": ""}]
    found = compare(sheet, key, labels)
    assert (found["filled"], found["cannot_tell"]) == (5, 1)
    assert (found["category"]["photos"], found["category"]["agree"]) == (4, 2)
    # Clopper and Pearson (1934) for 2 of 4: 0.0676 to 0.9324, as in published tables.
    assert found["category"]["low"] == pytest.approx(0.0676, abs=1e-4)
    assert found["category"]["high"] == pytest.approx(0.9324, abs=1e-4)
    # Cohen 1960: observed 1/2, by chance fur 2/4 x 2/4, hair 1/4 x 1/4.
    assert found["category"]["kappa"] == pytest.approx((0.5 - 0.3125) / (1 - 0.3125))
    assert [(row["label"], row["groomer"]) for row in found["changes"]] == [("wire", "hair")]
    assert found["band"]["photos"] == found["band"]["agree"] == 1


@pytest.mark.parametrize(
    ("row", "words"),
    [(_row(9, "fur"), "picture '9'"), (_row(1, "woolly"), "Choose one of"), (_row(1, "fur", sure="4"), "as sure")],
)
def test_a_slip_of_the_pen_is_named(row: dict[str, str], words: str, labels: dict[str, dict[str, str]]) -> None:
    with pytest.raises(InputError, match=words):
        compare([row], {"1": next(iter(labels))}, labels)
