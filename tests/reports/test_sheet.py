"""The home-care sheet: complete, readable by everybody, self-contained, on paper of both kinds."""

from __future__ import annotations

import io
import itertools
import re
import subprocess
from datetime import date
from functools import cache
from html.parser import HTMLParser

import care_dogs as dogs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from coatclass import reports, toolkit
from coatclass.contract import Role
from coatclass.errors import InputError
from coatclass.planning import plan
from coatclass.presentation import present
from coatclass.presentation.abridged import FULL, SHORTEST, details, first_page
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat
from coatclass.triage import triage
from coatclass.words import LANGUAGES

pytestmark = pytest.mark.slow  # none of them, but all together
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


def sheet(situation, language="en", name="Flöckchen", **more):
    """A dog's plan as it is shown; ``kit`` is a groomer's own choice of tools."""
    kit = more.pop("kit", None)
    return present(plan(situation, today=TODAY, kit=kit, language=language), dog_name=name, **more)


@cache
def on_paper(name, language):
    """Text of the pages: English on Letter, all others on A4."""
    return pdf_text(reports.sheet_pdf(sheet(DOGS[name], language), "Letter" if language == "en" else "A4"))


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
    source = reports.sheet_html(sheet(DOGS[name], language))
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
def test_the_first_page_stands_alone_and_the_details_begin_on_the_second(name, language):
    pages = on_paper(name, language)
    shown = sheet(DOGS[name], language)
    on_first = [section.title for section in (*first_page(shown).left, *first_page(shown).right)]
    assert on_first and all(title in pages[0] for title in on_first)
    assert shown.details_title in pages[1] and shown.details_title not in pages[0]
    assert 3 <= len(pages) <= 9
    assert all(len(page) > 150 for page in pages)


@pytest.mark.parametrize("brevity", [FULL, 1, SHORTEST])
@pytest.mark.parametrize("name", DOGS)
def test_what_the_first_page_leaves_out_stands_in_the_details(name, brevity):
    shown = sheet(DOGS[name])
    page = first_page(shown, brevity)
    whole = {section.id for section in details(shown, page)}
    kept = {section.id: section.blocks for section in (*page.left, *page.right)} | {"stops": page.top}
    for section in shown.on_paper():
        assert section.id in whole or kept[section.id] == section.blocks


@settings(max_examples=6, deadline=None)
@given(dogs.situations, st.sampled_from(LANGUAGES), st.sampled_from(["A4", "Letter"]))
def test_any_dog_gets_a_sheet(situation, language, paper):
    made = sheet(situation, language)
    assert Page(reports.sheet_html(made)).open == []
    pages = pdf_text(reports.sheet_pdf(made, paper))
    assert len(pages) >= 2 and made.details_title in pages[1]


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
    made = sheet(DOGS["smooth"], "de", name=name)
    page = Page(reports.sheet_html(made))
    assert page.open == []
    if name.isprintable() and name:
        assert name in page.text
    assert "<b>Rex" not in reports.sheet_html(made)
    assert len(pdf_text(reports.sheet_pdf(made))) >= 2


def test_letters_of_the_font_reach_the_paper_and_others_become_a_box():
    first = pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], name="Снежок – Łąka")))[0]
    assert "Снежок – Łąka" in first
    assert "□" in pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], name="雪")))[0]


def test_remarks_of_the_groomer_are_printed_and_escaped():
    made = sheet(DOGS["curly"], remarks="Left armpit: go slowly.\nNext visit in 6 weeks. <script>alert(1)</script>")
    source = reports.sheet_html(made)
    assert "go slowly.<br>Next visit" in source and "<script" not in source
    assert "go slowly" in " ".join(pdf_text(reports.sheet_pdf(made)))


def test_a_long_remark_flows_over_pages():
    made = sheet(DOGS["smooth"], remarks="A word to the owner. " * 700)
    pages = pdf_text(reports.sheet_pdf(made))
    assert sum(page.count("A word to the owner") for page in pages) > 600


def test_the_same_sheet_gives_the_same_bytes():
    made = sheet(DOGS["curly"])
    assert reports.sheet_pdf(made) == reports.sheet_pdf(made)
    assert reports.sheet_html(made) == reports.sheet_html(made)


def test_the_paper_has_the_size_that_was_asked_for():
    # ISO 216: A4 is 210 x 297 mm; Letter is 8.5 x 11 inches.
    for paper, (width, height) in {"A4": (210, 297), "Letter": (215.9, 279.4)}.items():
        box = PdfReader(io.BytesIO(reports.sheet_pdf(sheet(DOGS["smooth"]), paper))).pages[0].mediabox
        assert float(box.width) / 72 * 25.4 == pytest.approx(width, abs=0.1)
        assert float(box.height) / 72 * 25.4 == pytest.approx(height, abs=0.1)


def test_the_file_names_its_title_and_language():
    reader = PdfReader(io.BytesIO(reports.sheet_pdf(sheet(DOGS["smooth"], "de"))))
    assert reader.metadata.title == "Fellpflege zu Hause: Flöckchen"
    assert reader.trailer["/Root"]["/Lang"] == "de"


def test_an_unknown_language_or_paper_is_refused_in_plain_words():
    with pytest.raises(InputError):
        sheet(DOGS["smooth"], "xx")
    with pytest.raises(InputError):
        reports.sheet_pdf(sheet(DOGS["smooth"]), "A5")


def test_a_dog_on_hold_gets_no_brushing_on_the_first_page():
    first = on_paper("felted", "en")[0]
    assert "Now, until the visit" in first and "There is nothing to buy before the visit." in first
    assert "Last check, then praise" not in first and "If you buy only one thing" not in first


def test_a_german_sheet_holds_no_english_sentence():
    for situation in DOGS.values():
        words = set(re.findall(r"[a-z]+", Page(reports.sheet_html(sheet(situation, "de"))).text.lower()))
        assert not words & {"the", "with", "your", "skin", "brush", "hair", "needed", "whole"}


def test_a_tool_that_a_groomer_added_keeps_the_groomers_words():
    own = dogs.item("something_new", Role.HELPFUL, 9)
    kit = (*toolkit.recommend(DOGS["curly"], triage(DOGS["curly"]), language="de"), own)
    text = Page(reports.sheet_html(sheet(DOGS["curly"], "de", kit=kit))).text
    assert "Something new" in text and "because" in text


def test_a_measured_length_and_an_estimate_are_told_apart():
    measured = Page(reports.sheet_html(sheet(DOGS["curly"]))).text
    guessed = dogs.situation(bands=frozenset({LengthBand.FROM_25_TO_75MM}))
    assert "30 mm (1 1/8 in), measured" in measured
    assert "estimated: measure at the shoulder blade" in Page(reports.sheet_html(sheet(guessed))).text


@pytest.mark.parametrize(
    ("bands", "said"),
    [
        ((LengthBand.UNDER_19MM, LengthBand.FROM_25_TO_75MM), "under 75 mm (3 in), not known"),
        ((LengthBand.FROM_19_TO_25MM, LengthBand.FROM_25_TO_75MM), "19 to 75 mm (3/4 to 3 in), not known"),
        ((LengthBand.FROM_25_TO_75MM, LengthBand.OVER_75MM), "over 25 mm (1 in), not known"),
        ((), "not known: measure at the shoulder blade"),
    ],
)
def test_a_length_that_may_lie_in_several_bands_is_not_told_as_one_number(bands, said):
    text = Page(reports.sheet_html(sheet(dogs.situation(bands=frozenset(bands))))).text
    assert said in text and "estimated: measure" not in text


def test_importing_the_room_loads_nothing_heavy():
    import subprocess
    import sys

    code = "import sys, coatclass.reports; print([m for m in ('fpdf', 'icalendar') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


LINK = "https://salon.example/owner/?dog=" + "t" * 43


def test_the_code_of_the_link_is_read_back_from_the_rendered_page(tmp_path):
    # ISO/IEC 18004 by two libraries: written by one (segno), read by another (OpenCV) from the page at 150 dpi.
    import cv2

    (tmp_path / "sheet.pdf").write_bytes(reports.sheet_pdf(sheet(DOGS["curly"]), link=LINK))
    subprocess.run(["pdftoppm", "-r", "150", "-l", "1", "-png", "sheet.pdf", "page"], cwd=tmp_path, check=True)
    page = cv2.imread(str(next(tmp_path.glob("page*.png"))))
    assert cv2.QRCodeDetector().detectAndDecode(page)[0] == LINK


def test_a_sheet_without_a_link_has_no_code_and_one_that_is_none_is_refused():
    made = sheet(DOGS["curly"])
    assert 'class="code"' not in reports.sheet_html(made) and 'class="code"' in reports.sheet_html(made, link=LINK)
    for wrong in ("javascript:alert(1)", "https://a.example/" + "x" * 600, "salon"):
        with pytest.raises(InputError) as refusal:
            reports.sheet_pdf(made, link=wrong)
        assert refusal.value.code == "link"


def test_the_dogs_photo_on_the_sheet_is_small_and_says_nothing_of_place_or_device():
    from PIL import Image

    stream = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "maker", "model"  # Exif 2.3, tags Make and Model
    exif.get_ifd(0x8825)[1] = "N"  # the place
    Image.effect_noise((1800, 1200), 60).convert("RGB").save(stream, "JPEG", exif=exif)
    small = reports.small_photo(stream.getvalue())
    image = Image.open(io.BytesIO(small))
    assert max(image.size) <= 480 and not image.getexif() and len(small) < 120_000
    made = sheet(DOGS["curly"])
    (picture,) = PdfReader(io.BytesIO(reports.sheet_pdf(made, photo=small))).pages[0].images
    assert not picture.image.getexif()
    assert b"maker" not in reports.sheet_pdf(made, photo=small)
    assert "data:image/jpeg;base64," in reports.sheet_html(made, photo=small)


@pytest.mark.parametrize("language", LANGUAGES)
def test_line_brushing_and_the_comb_test_stand_in_six_frames_where_a_line_is_parted(language):
    frames = sheet(DOGS["curly"], language).section("frames")
    assert frames is not None and len(frames.blocks[0].rows) == 6
    text = " ".join(on_paper("curly", language))
    for _, said in frames.blocks[0].rows:
        assert " ".join(said.split()) in text  # paper has no non-breaking spaces
    assert sheet(DOGS["smooth"], language).section("frames") is None  # nobody parts 8 mm of hair
    assert sheet(DOGS["felted"], language).section("frames") is None  # nobody brushes it


def test_a_word_too_long_for_its_line_is_parted_with_a_hyphen_at_the_joints_of_its_language():
    long = "Unterwollharke" * 12
    german = " ".join(pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], "de", remarks=long))))
    parted = re.findall(r"(\w+)-\s", german[german.index("Unterwoll") :])
    assert parted and all(piece.endswith(("Unter", "woll")) for piece in parted)
    english = " ".join(pdf_text(reports.sheet_pdf(sheet(DOGS["smooth"], remarks=long))))
    assert "-" not in english[english.index("Unterwoll") :][: len(long)]  # no joints: broken where the line ends
