"""The pictures: readable without colour, inside their shapes, and the same facts in words."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageFont
from shown import DOGS, shown

import coatclass
from coatclass import care
from coatclass.contract import CoatSituation
from coatclass.planning import plan
from coatclass.presentation.blocks import Picture
from coatclass.presentation.drawing import Label, Line, hatch, svg
from coatclass.presentation.pictures import (
    dog_map,
    growth_curve,
    length_picture,
    photo_guide,
    pressable_dog,
    time_curve,
)
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Texture
from coatclass.words import LANGUAGES, catalogue

C, Z = CoatCategory, BodyZone
TODAY = date(2026, 3, 2)
FONTS = Path(coatclass.__file__).parent / "reports" / "data" / "fonts"


def dog(category=C.CURLY, mm=30.0, **known):
    return CoatSituation(
        frozenset({category}),
        frozenset({LengthBand.FROM_25_TO_75MM}),
        mm,
        weight_kg=12.0,
        minutes_per_week=90.0,
        **known,
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_dog_is_readable_without_colour_and_names_every_zone_that_it_has(language):
    words = catalogue(language)
    found = plan(dog(C.ARCTIC, 90.0, mats={Z.BREECHES: MatState.TIGHT_MATS}), today=TODAY).now
    picture = dog_map(found.load, found.triage.left_alone, words)
    source = svg(picture)
    ET.fromstring(source)
    colours = set(re.findall(r"#[0-9a-f]{6}", source))
    assert colours and all(c[1:3] == c[3:5] == c[5:7] for c in colours)
    for zone in care.RISK_ZONES:
        assert (words.title(words.zone(zone)) in source) == (zone in found.triage.having)
    assert f"{words.title(words.say('plan.map.leave'))}: {words.zone(Z.BREECHES)}." in picture.description


def box_of(label):
    """Left, top, right and bottom of words set in the sheet's own type."""
    face = "DejaVuSans-Bold.ttf" if label.bold else "DejaVuSans.ttf"
    wide = ImageFont.truetype(FONTS / face, 100).getlength(label.text) * label.size / 100
    (x, y), shift = label.at, {"left": 0.0, "middle": wide / 2, "right": wide}[label.side]
    return x - shift, y - 0.76 * label.size, x - shift + wide, y + 0.24 * label.size


def crossing(picture):
    """Pairs of words that run into each other, and words that run out of the picture."""
    x, y, width, height = picture.view
    boxes = [(shape.text, box_of(shape)) for shape in picture.shapes if isinstance(shape, Label) and shape.text]
    out = [(text, "out") for text, (left, top, right, low) in boxes
           if left < x or right > x + width or top < y or low > y + height]  # fmt: skip
    return out + [(a, b) for (a, (l1, t1, r1, b1)), (b, (l2, t2, r2, b2)) in itertools.combinations(boxes, 2)
                  if l1 < r2 and l2 < r1 and t1 < b2 and t2 < b1]  # fmt: skip


@pytest.mark.parametrize("leaves", [False, True])
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_words_of_the_dogs_map_run_into_each_other(language, leaves):
    """The harness path is the zone whose words stand nearest to others; every zone is at high risk, or left alone."""
    load = [care.ZoneLoad(zone, 90.0, "high", ()) for zone in care.RISK_ZONES]
    rank = {} if leaves else {zone: 10 + n for n, zone in enumerate(care.RISK_ZONES)}
    assert crossing(dog_map(load, care.RISK_ZONES if leaves else (), catalogue(language), rank)) == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_photo_guide_leaves_room_between_dog_and_frame_on_every_side(language):
    picture = photo_guide(catalogue(language))
    frame, *rest = [shape for shape in picture.shapes if isinstance(shape, Line)]
    dog = [point for shape in rest if len(shape.points) > 40 for point in shape.points]  # curves; marks are short
    for place in (0, 1):
        edge, inside = [point[place] for point in frame.points], [point[place] for point in dog]
        room = (min(inside) - min(edge), max(edge) - max(inside))
        assert all(35 < one < 50 for one in room), room
    words = [shape.text for shape in picture.shapes if isinstance(shape, Label)]
    assert catalogue(language).say("plan.guide.hand") in words
    ET.fromstring(svg(picture))


def test_a_zone_at_higher_risk_is_hatched_more_densely():
    def lines(situation):
        picture = dog_map(care.MatRisk(situation).today, (), catalogue())
        return sum(isinstance(shape, Line) and len(shape.points) == 2 for shape in picture.shapes)

    worn = {"textures": frozenset({Texture.COTTONY}), "swims": True, "days_since_combed": 30.0}
    assert lines(dog(C.FUR, 5.0)) < lines(dog()) < lines(dog(mm=40.0, **worn))


@given(st.floats(2, 20), st.booleans())
def test_hatching_stays_inside_its_shape(gap, rising):
    square = [(0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (0.0, 50.0)]
    lines = hatch(square, gap, rising=rising, width=1.0)
    assert lines
    for line in lines:
        for x, y in line.points:
            assert -1e-6 <= x <= 100 + 1e-6 and -1e-6 <= y <= 50 + 1e-6


def test_every_zone_can_be_pressed_and_says_its_name():
    source = pressable_dog({Z.TAIL: 3}, title="Where?", words=catalogue())
    root = ET.fromstring(source.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" '))
    zones = {one.get("data-zone"): one for one in root.iter("{http://www.w3.org/2000/svg}g")}
    assert set(zones) == set(BodyZone)
    assert zones["tail"].get("data-level") == "3" and zones["belly"].get("data-level") == ""
    for zone, one in zones.items():
        assert one.find("{http://www.w3.org/2000/svg}title").text == catalogue().zone(zone)


def test_the_curve_of_time_shows_todays_length_and_the_owners_minutes():
    found = plan(dog(), today=TODAY).now
    picture = time_curve(found.time, 30.0, catalogue())
    source = svg(picture)
    ET.fromstring(source)
    assert "you can give 90 minutes" in source and "today: 30 mm" in source
    assert "stroke-dasharray" in source and "minutes" in picture.description


def test_the_curve_of_growth_shows_what_was_measured_and_is_left_out_where_there_is_nothing():
    measured = (care.DatedLength(date(2026, 1, 1), 20.0), care.DatedLength(date(2026, 2, 20), 29.0))
    growing = plan(dog(), today=TODAY, measurements=measured).growth
    picture = growth_curve(growing, catalogue(), measured)
    assert picture is not None
    ET.fromstring(svg(picture))
    assert "Measured: 20 mm (3/4 in) on 1 January 2026." in picture.description
    still = plan(dog(C.FUR, 8.0), today=TODAY).growth
    assert not still.curve and growth_curve(still, catalogue()) is None


def test_lengths_still_possible_are_black_and_named():
    picture = length_picture((LengthBand.OVER_75MM,), catalogue())
    black = [one for one in picture.shapes if isinstance(one, Line) and len(one.points) > 8 and one.grey == 0]
    assert len(black) == 10 and "over 75 mm" in picture.description


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_the_words_of_a_chart_can_be_read_on_a_phone(name, language):
    # 12 px on the 316 px that a page of 360 px leaves a picture: a floor of our own, common practice, no source.
    made = shown(name, language)
    found = [block.compact for section in made.sections for block in section.blocks
             if isinstance(block, Picture) and block.compact]  # fmt: skip
    for drawing in found:
        x, _, width, _ = drawing.view
        for label in (shape for shape in drawing.shapes if isinstance(shape, Label)):
            assert label.size * 316 / width >= 11.0, (drawing.title, label.text)
            assert label.side != "left" or label.at[0] + 0.5 * label.size * len(label.text) <= x + width + 6, label.text
