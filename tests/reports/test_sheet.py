"""The home-care sheet: complete, readable by everybody, self-contained, on paper of both kinds."""

from __future__ import annotations

import dataclasses
import io
import itertools
import re
import xml.etree.ElementTree as ET
from datetime import date
from functools import cache
from html.parser import HTMLParser

import care_dogs as dogs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from coatclass import care, reports, toolkit
from coatclass.contract import Role
from coatclass.errors import InputError
from coatclass.reports._curve_picture import curve_picture
from coatclass.reports._dog_picture import dog_picture
from coatclass.reports._drawing import Line, hatch, svg
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat
from coatclass.words import LANGUAGES, catalogue

TODAY = date(2026, 3, 2)
C, Z = CoatCategory, BodyZone


def dog(category=C.CURLY, mm=30.0, **known):
    categories = frozenset({category}) if isinstance(category, str) else frozenset(category)
    return dogs.situation(categories=categories, measured_mm=mm, weight_kg=12.0, minutes_per_week=90.0, **known)


DOGS = {
    "curly": dog(),
    "long silky": dog(C.DROP, 150.0, textures=frozenset({Texture.SILKY})),
    "wire": dog(C.WIRE, 34.0, mats={Z.BEARD: MatState.TANGLES}),
    "smooth": dog(C.FUR, 8.0),
    "feathered": dog(C.FUR, 32.0, long_furnishings=True, swims=True),
    "packed": dog(C.ARCTIC, 90.0, undercoats=frozenset({Undercoat.DENSE}), mats={Z.BREECHES: MatState.MATS}),
    "doubtful": dog({C.MIXED, C.CURLY, C.DROP}, None, textures=frozenset({Texture.COTTONY}), wished_length_mm=75.0),
    "puppy": dog(C.MIXED, 20.0, age_months=5.0),
    "felted": dog(C.HAIR, 60.0, mats={Z.TRUNK: MatState.FELTED, Z.LEGS: MatState.TIGHT_MATS},
                  skin_trouble=frozenset({"sores", "pain", "smell"}), patience=Patience.CANNOT_BEAR),
    "short clip": dog(C.HAIR, 12.0, sensitive_skin=True),
}  # fmt: skip


def sheet(situation, name="Flöckchen", **more):
    plan = care.plan(situation, toolkit.recommend(situation), today=TODAY)
    return reports.Sheet(name, plan, **more)


@cache
def on_paper(name, language):
    """Text of the pages: German on A4, English on Letter."""
    return pdf_text(reports.sheet_pdf(sheet(DOGS[name]), language, {"de": "A4", "en": "Letter"}[language]))


class Page(HTMLParser):
    """Collects what a screen reader and a browser would look at."""

    def __init__(self, source):
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(source)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, tag

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def pdf_text(data):
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(data)).pages]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_the_page_is_well_formed_self_contained_and_says_its_language(name, language):
    source = reports.sheet_html(sheet(DOGS[name]), language)
    page = Page(source)
    assert page.open == []
    assert dict(page.tags)["html"] == {"lang": language}
    assert not re.search(r"(?:src|href|url)\s*[=(]", source)
    assert "http" not in source.replace("http://www.w3.org/2000/svg", "")
    assert "<script" not in source
    headings = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == 1 and all(below <= above + 1 for above, below in itertools.pairwise(headings))
    pictures = re.findall(r"<svg[^>]*>", source)
    assert pictures and all('role="img"' in picture for picture in pictures)
    assert source.count("<title>") >= 2 and source.count("<desc>") >= 1


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_page_and_pdf_say_every_step_tool_and_stop_rule(name, language):
    plan = care.plan(DOGS[name], toolkit.recommend(DOGS[name], language=language), today=TODAY, language=language)
    page = Page(reports.sheet_html(sheet(DOGS[name]), language)).text
    paper = "".join("".join(on_paper(name, language)).split())
    wanted = [step.title for step in plan.routine.steps] + [step.done_when for step in plan.routine.steps]
    wanted += [item.name for item in plan.case.kit]
    wanted += [caution.text for caution in plan.cautions]
    wanted += [plan.routine.bath, *plan.routine.bath_steps, *plan.time_words, *plan.growth_words, *plan.routine.ladder]
    for words in wanted:
        assert " ".join(words.split()) in page
        # On paper words may be broken over lines and pages; the first words of each must be there.
        assert "".join(words.split())[:22] in paper


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_the_first_page_stands_alone_and_the_details_begin_on_the_second(name, language):
    pages = on_paper(name, language)
    texts = catalogue(language, "sheet")
    assert texts.say("part.kit") in pages[0] and texts.say("part.where") in pages[0]
    assert texts.say("title.details") in pages[1] and texts.say("title.details") not in pages[0]
    assert 3 <= len(pages) <= 8


@settings(max_examples=6, deadline=None)
@given(dogs.situations, st.sampled_from(LANGUAGES), st.sampled_from(["A4", "Letter"]))
def test_any_dog_gets_a_sheet(situation, language, paper):
    made = sheet(situation)
    assert Page(reports.sheet_html(made, language)).open == []
    assert len(pdf_text(reports.sheet_pdf(made, language, paper))) >= 2


@pytest.mark.parametrize(
    "name",
    [
        "Übermut & Söhne",
        "<b>Rex</b>",
        "Ζεύς",
        "Снежок",
        "Łąka",
        "雪",
        "🐶 Wuff",
        "e\u0301toile",
        "a\u0000b\u202ec",
        "",
        "x" * 300,
    ],
)
def test_any_name_is_written_or_gracefully_replaced(name):
    made = sheet(DOGS["smooth"], name=name)
    page = Page(reports.sheet_html(made, "de"))
    assert page.open == []
    if name.isprintable() and name:
        assert name in page.text
    assert not [tag for tag, _ in page.tags if tag == "b"]
    assert len(pdf_text(reports.sheet_pdf(made, "de"))) >= 2


def test_letters_of_the_font_reach_the_paper_and_others_become_a_box():
    first = pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], name="Снежок – Łąka"), "en"))[0]
    assert "Снежок – Łąka" in first
    assert "□" in pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], name="雪"), "en"))[0]


def test_remarks_of_the_groomer_are_printed_and_escaped():
    made = sheet(DOGS["curly"], remarks="Left armpit: go slowly.\nNext visit in 6 weeks. <script>alert(1)</script>")
    source = reports.sheet_html(made, "en")
    assert "go slowly" in source and "<script" not in source
    assert "go slowly" in " ".join(pdf_text(reports.sheet_pdf(made, "en")))


def test_a_long_remark_flows_over_pages():
    made = sheet(DOGS["smooth"], remarks="A word to the owner. " * 700)
    pages = pdf_text(reports.sheet_pdf(made, "en"))
    assert sum(page.count("A word to the owner") for page in pages) > 600


def test_the_same_sheet_gives_the_same_bytes():
    made = sheet(DOGS["curly"])
    assert reports.sheet_pdf(made, "en") == reports.sheet_pdf(made, "en")
    assert reports.sheet_html(made, "de") == reports.sheet_html(made, "de")


def test_the_paper_has_the_size_that_was_asked_for():
    # ISO 216: A4 is 210 x 297 mm; Letter is 8.5 x 11 inches.
    for paper, (width, height) in {"A4": (210, 297), "Letter": (215.9, 279.4)}.items():
        box = PdfReader(io.BytesIO(reports.sheet_pdf(sheet(DOGS["smooth"]), "en", paper))).pages[0].mediabox
        assert float(box.width) / 72 * 25.4 == pytest.approx(width, abs=0.1)
        assert float(box.height) / 72 * 25.4 == pytest.approx(height, abs=0.1)


def test_the_file_names_its_title_and_language():
    reader = PdfReader(io.BytesIO(reports.sheet_pdf(sheet(DOGS["smooth"]), "de")))
    assert reader.metadata.title == "Fellpflege zu Hause: Flöckchen"
    assert reader.trailer["/Root"]["/Lang"] == "de"


def test_an_unknown_language_or_paper_is_refused_in_plain_words():
    with pytest.raises(InputError):
        reports.sheet_html(sheet(DOGS["smooth"]), "xx")
    with pytest.raises(InputError):
        reports.sheet_pdf(sheet(DOGS["smooth"]), "en", "A5")


def test_a_dog_on_hold_gets_no_brushing_on_the_first_page():
    first = on_paper("felted", "en")[0]
    assert "What to do now" in first and "A vet should look first" in first
    assert "Last check, then praise" not in first and "On hold until" in first


def test_a_german_sheet_holds_no_english_sentence():
    for situation in DOGS.values():
        words = set(re.findall(r"[a-z]+", Page(reports.sheet_html(sheet(situation), "de")).text.lower()))
        assert not words & {"the", "with", "your", "skin", "brush", "hair", "needed", "whole"}


def test_a_tool_that_a_groomer_added_keeps_the_groomers_words():
    own = dogs.item("something_new", Role.HELPFUL, 9)
    plan = care.plan(DOGS["curly"], (*toolkit.recommend(DOGS["curly"]), own), today=TODAY)
    text = Page(reports.sheet_html(reports.Sheet("Rex", plan), "de")).text
    assert "Something new" in text and "because" in text


# --- pictures -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_dog_is_readable_without_colour_and_names_every_zone(language):
    texts = catalogue(language, "sheet")
    situation = DOGS["packed"]
    picture = dog_picture(care.load(situation), (Z.BREECHES,), texts)
    source = svg(picture)
    ET.fromstring(source)
    colours = set(re.findall(r"#[0-9a-f]{6}", source))
    assert colours and all(c[1:3] == c[3:5] == c[5:7] for c in colours)
    for zone in care.RISK_ZONES:
        assert texts.zone(zone) in source
    assert texts.say("picture.leave") in picture.description


def test_a_zone_at_higher_risk_is_hatched_more_densely():
    def lines(situation):
        picture = dog_picture(care.load(situation), (), catalogue("en", "sheet"))
        return sum(isinstance(shape, Line) and len(shape.points) == 2 for shape in picture.shapes)

    bare = dog(C.FUR, 5.0)
    some = dog(C.CURLY, 40.0)
    most = dataclasses.replace(some, textures=frozenset({Texture.COTTONY}), swims=True, days_since_combed=30.0)
    assert lines(bare) < lines(some) < lines(most)


@given(st.floats(2, 20), st.booleans())
def test_hatching_stays_inside_its_shape(gap, rising):
    square = [(0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (0.0, 50.0)]
    lines = hatch(square, gap, rising=rising, width=1.0)
    assert lines
    for line in lines:
        for x, y in line.points:
            assert -1e-6 <= x <= 100 + 1e-6 and -1e-6 <= y <= 50 + 1e-6


def test_the_curve_shows_todays_length_and_the_owners_minutes():
    budget = care.time_budget(DOGS["curly"])
    picture = curve_picture(budget, 30.0, catalogue("en", "sheet"))
    source = svg(picture)
    ET.fromstring(source)
    assert "you can give 90 minutes" in source and "today: 30 mm" in source
    assert "stroke-dasharray" in source
    assert "minutes" in picture.description


def test_importing_the_room_loads_nothing_heavy():
    import subprocess
    import sys

    code = (
        "import sys, coatclass.reports, coatclass.care; print([m for m in ('fpdf', 'icalendar') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_measured_length_and_an_estimate_are_told_apart():
    measured = Page(reports.sheet_html(sheet(DOGS["curly"]), "en")).text
    guessed = dogs.situation(bands=frozenset({LengthBand.FROM_25_TO_75MM}))
    assert "30 mm (1 1/8 in), measured" in measured
    assert "estimated: measure at the shoulder blade" in Page(reports.sheet_html(sheet(guessed), "en")).text
