"""One voice: whatever a presentation says stands word for word in terminal, sheet, file, page and calendar."""

from __future__ import annotations

import html
import io
import re
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from icalendar import Calendar
from pypdf import PdfReader
from rich.console import Console
from shown import DOGS, sentences, shown

from app.owner.page import OwnerRequest, render
from coatclass import reports
from coatclass.answers import parse
from coatclass.assessing import assess
from coatclass.cli.dog import presented
from coatclass.cli.rendering import print_presentation
from coatclass.contract import Assessment, PhaseAdvice
from coatclass.presentation import Presentation
from coatclass.presentation.abridged import in_short
from coatclass.presentation.blocks import Items
from coatclass.presentation.first import RULE_OF_THE_BATH
from coatclass.words import LANGUAGES, catalogue

STAMP = datetime(2026, 3, 2, 12, tzinfo=UTC)


def squeezed(text: str) -> str:
    """Without the spaces that presenters set as they need."""
    return "".join(text.split())


def in_terminal(plan: Presentation) -> str:
    console = Console(file=io.StringIO(), width=5000)
    print_presentation(plan, console)
    return squeezed(console.file.getvalue())


def in_html(source: str) -> str:
    body = re.sub(r"<style.*?</style>|<svg.*?</svg>|<title>.*?</title>", "", source, flags=re.S)
    return squeezed(html.unescape(re.sub(r"<[^>]+>", " ", body)))


def on_page(plan: Presentation) -> str:
    """The owner's result page, as its template writes it."""
    of = SimpleNamespace(name=plan.dog, dog=SimpleNamespace(sharing="salon"))
    told = SimpleNamespace(next_question=None, verdict="hands_on", category=None)
    given = {"assessment": told, "photos": (), "wishes": (), "days": 60, "short": in_short(plan), "unread": ""}
    return in_html(render("result.html", OwnerRequest(token="t" * 43), of=of, plan=plan, **given))


def in_pdf(plan: Presentation, paper: str) -> str:
    pages = PdfReader(io.BytesIO(reports.sheet_pdf(plan, paper))).pages
    foot = re.escape(squeezed(plan.page_title)) + r"–[^\W\d]+"
    return "".join(re.sub(f"{foot}{number}", "", squeezed(page.extract_text()), count=1)
                   for number, page in enumerate(pages, start=1))  # fmt: skip


def missing(plan: Presentation, text: str, *, paper: bool = False, sources: bool = False) -> list[tuple[str, str]]:
    sections = plan.on_paper() if paper else plan.for_checking() if sources else plan.on_screen()
    return [(section.id, said) for section in sections for said in sentences(section) if squeezed(said) not in text]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_every_sentence_stands_in_terminal_page_and_sheet(name, language):
    plan = shown(name, language)
    assert missing(plan, in_terminal(plan), sources=True) == []
    assert missing(plan, on_page(plan)) == []
    assert missing(plan, in_html(reports.sheet_html(plan)), paper=True) == []


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_sources_are_for_those_who_check_and_every_caution_stands_on_the_sheet(name, language):
    plan = shown(name, language)
    sources = plan.section("cautions")
    assert sources is not None and sources.place == "sources"
    on_sheet = in_html(reports.sheet_html(plan))
    words = catalogue(language)
    lacking = {text for _, text, _ in sources.blocks[0].rows if squeezed(text) not in on_sheet}
    rules = (squeezed(words.say(f"care.bath.{rule}")) for rule in ("rule", "rule_short"))
    if any(rule in on_sheet for rule in rules):  # the routine's own rule says it
        lacking.discard(words.say(f"care.caution.{RULE_OF_THE_BATH}"))
    assert lacking == set()
    head = squeezed("".join(sources.blocks[0].head))
    assert head in in_terminal(plan) and head not in on_sheet and head not in on_page(plan)


@pytest.mark.parametrize(("name", "language"), [(name, LANGUAGES[n % 2]) for n, name in enumerate(DOGS)])
def test_every_sentence_stands_in_the_printed_file(name, language):
    plan = shown(name, language)
    assert missing(plan, in_pdf(plan, "A4"), paper=True) == []


@pytest.mark.parametrize("name", DOGS)
def test_the_calendar_says_the_titles_that_the_dates_say(name):
    plan = shown(name)
    entries = Calendar.from_ical(reports.calendar_ics(plan, dog_id="d" * 32, stamp=STAMP)).events
    told = [(str(entry["SUMMARY"]), str(entry.get("DESCRIPTION", ""))) for entry in entries]
    assert told == [(entry.title, entry.text) for entry in plan.entries]
    dates = plan.section("dates")
    if dates is not None:
        assert [what for _, what in dates.blocks[0].pairs] == [title for title, _ in told]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_every_form_leads_with_the_same_verdict(name, language):
    """The sheet's first page once left it to the reader whether the coat is sure."""
    plan = shown(name, language)
    said = squeezed(plan.title)
    assert in_terminal(plan).startswith(said)
    assert said in on_page(plan) or squeezed(in_short(plan).coat) in on_page(plan)
    assert said in squeezed(PdfReader(io.BytesIO(reports.sheet_pdf(plan))).pages[0].extract_text())
    assert said in in_html(reports.sheet_html(plan).split('<div class="details">')[0])


@pytest.mark.parametrize("left", [1, 4])
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_coat_that_must_be_felt_is_named_inside_the_sentence_in_every_form(language, left):
    """No plural for one coat, and no capital in mid-sentence."""
    given = parse({"parents": ["Golden Retriever", "Standard Poodle"], "breed_known_by": "guess", "curl": "wavy"})
    found = assess((), given)
    assert found.verdict == "hands_on" and found.category is not None
    possible = found.category.model_copy(update={"set": found.category.set[:left]})
    words = catalogue(language)
    plan = presented(found.model_copy(update={"category": possible}), given, name="Fennel", language=language)
    coats = words.either(words.coat(one, phrase=True) for one in possible.set)
    assert in_short(plan).coats == coats and coats in plan.title
    assert "sind:" not in plan.title
    if not in_short(plan).others:
        assert squeezed(coats) in on_page(plan)  # the page around it is in English here


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", DOGS)
def test_the_visit_of_the_calendar_asks_what_the_plan_asks(name, language):
    plan = shown(name, language)
    section = plan.section("visit")
    texts = [entry.text for entry in plan.entries if entry.event.kind == "visit"]
    if texts:
        lines = texts[0].split("\n")
        asked = [item for block in section.blocks if isinstance(block, Items) for item in block.items]
        stops = [block.text for block in plan.section("stops").blocks] if plan.section("stops") else []
        assert [one for one in lines if one not in stops] == asked
        assert not plan.section("stops") or lines[0] in (*stops, *asked)


def texts_of(part: Assessment | PhaseAdvice) -> list[str]:
    """The sentences of a phase in the JSON."""
    routine, length = part.routine, part.length
    said = [item.why for item in part.kit if item.role in ("essential", "helpful")]
    said += [word for step in part.training for word in (step.do, step.go_on_when)]
    if length is not None:
        said.append(length.text)
    if routine is not None and (part.week is not None or isinstance(part, Assessment)):
        said += [word for step in routine.steps for word in (step.title, step.do, step.done_when)]
        said += [routine.bath, *routine.bath_steps, *routine.ladder, *routine.groomer_decides, routine.hold]
    return said


@pytest.mark.parametrize(
    "answers",
    [
        {"breed": "poodle", "breed_known_by": "papers", "trunk_length_mm": 30, "weight_kg": 12, "minutes_per_week": 60},
        {"breed": "samoyed", "breed_known_by": "papers", "mats": {"breeches": "tight_mats"}, "weight_kg": 25},
        {"breed": "maltese", "mats": {"trunk": "felted"}, "skin_trouble": ["sores"], "skin_where": {"belly": "sores"}},
        {"breed": "beagle", "patience": "cannot_bear", "trunk_length_mm": 15},
    ],
)
def test_the_json_says_the_same_sentences(answers):
    given = parse(answers)
    found = assess((), given)
    plan = presented(found, given)
    text = in_terminal(plan)
    said = [reason.text for reason in found.reasons] + [ask.text for ask in found.visit]
    said += [caution.text for caution in found.cautions] + texts_of(found)
    assert [one for one in said if squeezed(one) not in text] == []
