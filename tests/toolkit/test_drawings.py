"""Every tool's working end can be recognised: drawn to one scale, in black on white, readable on paper and aloud."""

from __future__ import annotations

import io
import itertools
import logging
import re
from xml.etree import ElementTree as ET

import pytest

from coatclass.errors import InputError
from coatclass.toolkit import catalogue, drawing, tool_name
from coatclass.words import LANGUAGES

SVG = "{http://www.w3.org/2000/svg}"
TOOLS = tuple(catalogue())


def _shapes(tool: str) -> list[ET.Element]:
    root = ET.fromstring(drawing(tool))
    return [shape for shape in root if shape.tag not in (f"{SVG}title", f"{SVG}desc")]


@pytest.mark.parametrize("tool", TOOLS)
def test_a_drawing_is_made_of_simple_shapes_in_black_and_white(tool):
    shapes = _shapes(tool)
    assert {shape.tag.removeprefix(SVG) for shape in shapes} <= {"line", "path", "circle", "rect"}
    colours = {shape.get(name) for shape in shapes for name in ("fill", "stroke")}
    assert colours <= {None, "none", "#000000", "#ffffff"}
    assert not any(shape.get("class") or shape.get("style") for shape in shapes)


@pytest.mark.parametrize("tool", TOOLS)
def test_a_drawing_stays_on_its_paper(tool):
    root = ET.fromstring(drawing(tool))
    width, height = (float(size) for size in root.get("viewBox").split()[2:])
    for shape in _shapes(tool):
        for name, value in shape.attrib.items():
            if name in ("x1", "x2", "cx", "x", "y1", "y2", "cy", "y"):
                assert 0 <= float(value) <= (width if "x" in name else height), (tool, shape.attrib)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("tool", TOOLS)
def test_a_drawing_can_be_read_aloud(tool, language):
    root = ET.fromstring(drawing(tool, language=language))
    assert root.get("role") == "img"
    assert root.findtext(f"{SVG}title") == tool_name(tool, language=language)
    assert "10 mm" in root.findtext(f"{SVG}desc")


def test_every_tool_has_its_own_drawing():
    assert len({drawing(tool, described=False) for tool in TOOLS}) == len(TOOLS)


def test_a_bar_of_10_mm_gives_the_scale():
    for tool in TOOLS:
        bar = max(
            float(line.get("x2")) - float(line.get("x1"))
            for line in _shapes(tool)
            if line.tag == f"{SVG}line" and line.get("y1") == line.get("y2") == "52.00"
        )
        assert bar == 10


@pytest.mark.parametrize("tool", [tool for tool in TOOLS if catalogue()[tool].family.endswith("comb")])
def test_the_teeth_of_a_comb_are_drawn_to_scale(tool):
    specification = catalogue()[tool].specification
    teeth = [
        (float(line.get("x1")), float(line.get("y2")) - float(line.get("y1")))
        for line in _shapes(tool)
        if line.tag == f"{SVG}line" and line.get("stroke-width") == "0.9"
    ]
    assert all(specification.tooth_length_mm[0] <= length <= specification.tooth_length_mm[1] for _, length in teeth)
    places = sorted(x for x, _ in teeth)
    gaps = sorted(right - left - 0.9 for left, right in itertools.pairwise(places))
    low, high = specification.tooth_gap_mm
    assert low - 0.01 <= gaps[0]
    assert gaps[len(gaps) // 2] <= high + 0.01


@pytest.mark.parametrize("tool", [tool for tool in TOOLS if catalogue()[tool].family == "slicker"])
def test_the_pins_of_a_slicker_are_drawn_to_scale(tool):
    low, high = catalogue()[tool].specification.pin_length_mm
    pins = re.findall(r'd="M ([\d.]+) ([\d.]+) L \1 [\d.]+ L [\d.]+ ([\d.]+)"', drawing(tool))
    lengths = [float(end) - float(start) for _, start, end in pins][:-1]  # the last one is enlarged in the lens
    assert len(lengths) >= 8
    assert all(low <= length <= high for length in lengths)


@pytest.mark.parametrize("tool", TOOLS)
def test_fpdf2_draws_the_same_shapes_without_a_warning(tool, caplog):
    from fpdf import FPDF

    pdf = FPDF()
    pdf.add_page()
    empty = len(pdf.output())
    pdf = FPDF()
    pdf.add_page()
    with caplog.at_level(logging.WARNING):
        pdf.image(io.BytesIO(drawing(tool, described=False).encode()), w=60)
    assert len(pdf.output()) > empty + 300
    assert caplog.records == []


def test_a_tool_that_does_not_exist_cannot_be_drawn():
    with pytest.raises(InputError, match="no tool of the catalogue"):
        drawing("magic_brush")
