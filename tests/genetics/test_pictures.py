"""The pictures: well-formed, complete in words, inside their frame, readable without colour."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest

from coatclass.genetics import breed_named, chances_svg, cross, family_svg, named_crosses
from coatclass.taxonomy import CATEGORIES, CoatCategory

SVG = "{http://www.w3.org/2000/svg}"


def pictures() -> Iterator[tuple[str, str]]:
    for named in named_crosses():
        litter = breed_named(named).litter
        for audience in ("owner", "groomer"):
            yield f"{named.id}-{audience}-family", family_svg(litter, audience)
            chances = [float(chance) for chance in litter.category.values()]
            yield f"{named.id}-{audience}-chances", chances_svg(chances, named.title, audience)


ALL = dict(pictures())


@pytest.mark.parametrize("name", ALL)
def test_a_picture_says_in_words_what_it_shows(name: str) -> None:
    root = ET.fromstring(ALL[name])
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert root.get("role") == "img"
    assert title is not None and title.text
    assert description is not None and description.text
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    drawn = " ".join(node.text or "" for node in root.iter(f"{SVG}text"))
    for word in re.findall(r"\b(?:hair|fur|mixed|wire|curly|drop|arctic): ", drawn.lower()):
        assert word.strip(": ") in description.text.lower()


@pytest.mark.parametrize("name", ALL)
def test_nothing_is_drawn_outside_the_frame(name: str) -> None:
    root = ET.fromstring(ALL[name])
    width, height = float(root.get("width", 0)), float(root.get("height", 0))
    for node in root.iter(f"{SVG}rect"):
        x, y = float(node.get("x", 0)), float(node.get("y", 0))
        assert x >= 0 and x + float(node.get("width", 0)) <= width + 0.01
        assert y >= 0 and y + float(node.get("height", 0)) <= height + 0.01
    for node in root.iter(f"{SVG}text"):
        letters = len(node.text or "") * float(node.get("font-size", 12)) * 0.62
        left = float(node.get("x", 0)) - (letters / 2 if node.get("text-anchor") == "middle" else 0)
        assert left >= 0 and left + letters <= width + 20, node.text
        assert 0 < float(node.get("y", 0)) <= height


@pytest.mark.parametrize("name", [name for name in ALL if name.endswith("family")])
def test_boxes_of_a_family_do_not_overlap(name: str) -> None:
    boxes = [
        tuple(float(node.get(key, 0)) for key in ("x", "y", "width", "height"))
        for node in ET.fromstring(ALL[name]).iter(f"{SVG}rect")
    ][1:]
    for place, (x, y, width, height) in enumerate(boxes):
        for u, v, wide, high in boxes[place + 1 :]:
            assert x + width <= u or u + wide <= x or y + height <= v or v + high <= y


def test_bars_are_as_long_as_the_chances() -> None:
    chances = tuple(0.64 if coat is CoatCategory.MIXED else 0.06 for coat in CATEGORIES)
    widths = [float(node.get("width", 0)) for node in ET.fromstring(chances_svg(chances, "test")).iter(f"{SVG}rect")]
    assert 300 * 0.64 in [pytest.approx(width, abs=0.06) for width in widths]


def test_the_owner_reads_words_and_the_groomer_numbers() -> None:
    litter = cross("poodle_standard", "labrador_retriever", "f2").litter
    owner, groomer = family_svg(litter, "owner"), family_svg(litter, "groomer")
    assert "RSPO2" not in owner and "beard and brows" in owner
    assert "RSPO2" in groomer and "Without beard and brows: 1/4" in groomer


def test_a_name_with_markup_stays_text() -> None:
    assert "<b>" not in chances_svg([1 / 7] * 7, "<b>&</b>")
    ET.fromstring(chances_svg([1 / 7] * 7, "<b>&</b>"))
