"""What must hold in every plan as people read it: fifty invented dogs in every language, then drawn ones.

The checks read the presentation's blocks: every presenter writes these word for word (``tests/presentation`` holds that
for some dogs, the last part of this file for all). Sentences that exclude each other stand in ``forbidden_pairs.toml``.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from itertools import chain
from pathlib import Path

import pytest
from care_dogs import situations
from hypothesis import given, settings
from icalendar import Calendar
from shown import sentences
from test_presenters import in_html, in_pdf, in_terminal, missing, on_page

from coatclass import reports, toolkit
from coatclass.answers import Answers, parse
from coatclass.assessing import assess, situation_of
from coatclass.cli import main
from coatclass.cli.dog import presented
from coatclass.contract import Assessment, CoatSituation
from coatclass.planning import Phase, Plan, plan
from coatclass.presentation import Presentation, Section, present
from coatclass.presentation.abridged import FULL, SHORTEST, first_page
from coatclass.presentation.blocks import Facts, Items, Steps, Text, Tools
from coatclass.taxonomy import BodyZone
from coatclass.triage import zones_of
from coatclass.words import catalogue

TODAY = date(2026, 3, 2)
HERE = Path(__file__).parent
PAIRS = tomllib.loads((HERE / "forbidden_pairs.toml").read_text(encoding="utf-8"))["pair"]
INVENTED = tomllib.loads((HERE / "dogs.toml").read_text(encoding="utf-8"))
DEMO = {
    path.stem: json.loads(path.read_text(encoding="utf-8")) for path in (HERE.parents[1] / "app/demo").glob("*.json")
}
DOGS = DEMO | {name: row["answers"] for name, row in INVENTED.items()}
OF_NOW = ("now", "kit", "week", "steps", "ladder", "bath")
LANGUAGES = ("en", "de")  # those in which the table of pairs is written
EACH = pytest.mark.parametrize("language", LANGUAGES)
DOG = pytest.mark.parametrize("name", sorted(DOGS))
A_DATE = {"en": r"\d{1,2} [A-Z][a-z]+ \d{4}", "de": r"\d{1,2}\. [A-ZÄÖÜ][a-zäöü]+ \d{4}"}


@cache
def assessed(name: str) -> tuple[Answers, Assessment]:
    given_answers = parse(DOGS[name])
    return given_answers, assess((), given_answers)


@cache
def planned(name: str, language: str) -> Plan:
    answers, found = assessed(name)
    assert found.category is not None and found.length_band is not None
    dog = situation_of(answers, found.category, found.length_band, found.reasons)
    return plan(dog, today=TODAY, keeps_growing=answers.keeps_growing, language=language)


@cache
def shown(name: str, language: str) -> Presentation:
    answers, found = assessed(name)
    return presented(found, answers, name="Fennel", language=language, today=TODAY)


def said(made: Presentation) -> str:
    """Every sentence on a line of its own, the calendar's too; those of what is done now are marked as such."""
    lines = [made.title]
    for section in made.sections:
        if section.id not in ("cautions", "others", "about"):  # said before, of other tools, of every plan
            lines += sentences(section)
        if section.id == "now":
            lines += [f"now: {line}" for line in sentences(section)]
    return "\n".join((*lines, *chain.from_iterable((entry.title, entry.text) for entry in made.entries)))


def contradictions(text: str, language: str) -> list[str]:
    """Why two sentences of the text can't both be true."""
    keys = ("say", "beside") if language == "en" else ("sagt", "neben")
    return [pair["why"] for pair in PAIRS
            if all(re.search(pair[key], text, re.I | re.M) for key in keys)]  # fmt: skip


def named(text: str, language: str) -> set[BodyZone]:
    """The zones that a sentence names; what stands behind "except" is not meant, the whole dog is every zone."""
    words = catalogue(language)
    excepted = words.say("vocabulary.zones.except", zones="").strip()
    meant, _, left_out = text.partition(excepted)
    if left_out or words.zones(BodyZone) in text:
        return set(BodyZone) - _names(left_out, language)
    return _names(meant, language)


def _names(text: str, language: str) -> set[BodyZone]:
    words, found = catalogue(language), set()
    for zone in sorted(BodyZone, key=lambda zone: -len(words.zone(zone))):
        name = rf"(?<!\w){re.escape(words.zone(zone))}(?!\w)"
        if re.search(name, text, re.I):
            found.add(zone)
            text = re.sub(name, "", text, flags=re.I)
    return found


def blocks(made: Presentation, kind: type, *ids: str) -> Iterator:
    """Blocks of a kind in some sections, or in all."""
    for section in made.sections:
        if not ids or section.id in ids:
            yield from (block for block in section.blocks if isinstance(block, kind))


def places(made: Presentation, whole: Plan) -> Iterator[str]:
    """Every sentence of what is done now that says where."""
    alone = {step.title for step in whole.now.routine.steps if step.technique.startswith("leave")}
    for block in blocks(made, Tools, "kit"):
        yield from (row.where for row in block.rows if row.where)
    for block in blocks(made, Steps, "now", "steps"):
        for row in block.rows:
            if row.title not in alone:
                title = "" if row.tool else row.title  # a tool may be called after a zone
                yield from (one for one in (title, row.where, row.do, row.done) if one)
    for block in blocks(made, Items, "week", "ladder"):
        yield from block.items
    yield from (entry.text for entry in made.entries if entry.event.kind == "touch_up")


def check_places(made: Presentation, whole: Plan) -> None:
    """No uncleared zone and no zone that the dog lacks where something is done now."""
    coats = (whole.grown or whole.now).situation.categories  # a spitz has no beard as a puppy either
    having, alone = set(zones_of(replace(whole.now.situation, categories=coats))), set(whole.now.triage.left_alone)
    for text in places(made, whole):
        touched = named(text, made.language) & alone
        assert not touched, f"{sorted(touched)}: left alone, but: {text}"
        lacking = _names(text, made.language) - having
        assert not lacking, f"the dog has no {sorted(lacking)}: {text}"


def check_bath(made: Presentation, whole: Plan) -> None:
    section, may = made.section("bath"), whole.now.triage.bath.open and whole.now.week is not None
    steps = set(whole.now.routine.bath_steps)
    assert any(entry.event.kind == "bath" for entry in made.entries) == may
    assert section is not None
    assert any(isinstance(block, Items) for block in section.blocks) == may == bool(steps)
    assert section.title == catalogue(made.language).say(f"plan.section.{'bath' if may else 'no_bath'}")


def check_buying(made: Presentation, whole: Plan) -> None:
    """Nothing is bought for a coat that is not there yet; what is bought first is needed, and used first."""
    if not whole.now.triage.shopping.open:
        assert made.section("kit") is None
    rows = [row for block in blocks(made, Tools, "kit") for row in block.rows]
    if any(row.role == "essential" for row in rows):
        assert rows[0].role == "essential"
    order = {row.tool: number for number, row in enumerate(rows)}
    used = [order[row.tool] for block in blocks(made, Steps, "steps") for row in block.rows if row.tool]
    assert used[: len(set(used))] == sorted(set(used)), "steps in another order than the kit"


def check_references(made: Presentation, whole: Plan) -> None:
    """What is pointed to is shown."""
    words = catalogue(made.language)
    text = said(made)
    ladder = {"en": "“A loose knot, step by step”", "de": "„Einen losen Knoten lösen“"}[made.language]
    if ladder in text:
        assert made.section("ladder") is not None or made.section("after-ladder") is not None
    if words.say("plan.step.as_now") in text.split("\n"):
        assert any(True for _ in blocks(made, Steps, "steps", "now"))
    if re.search(words.say("plan.kit.as_now", tools=".+"), text):
        assert made.section("kit") is not None
    pattern = re.escape(words.say("care.step.same", order="#")).replace(r"\#", r"(\d+)")
    for block in blocks(made, Steps):
        for number, row in enumerate(block.rows, start=1):
            if found := re.fullmatch(pattern, row.do):
                assert int(found[1]) < number
                assert not re.fullmatch(pattern, block.rows[int(found[1]) - 1].do)


def check_numbers(made: Presentation, whole: Plan) -> None:
    """How often, how long, how many minutes and when: the same wherever it is said."""
    words, phases = catalogue(made.language), {"": whole.now, "after-": whole.after}
    for prefix, phase in phases.items():
        if phase is not None:
            ids = (*(f"{prefix}{one}" for one in OF_NOW), *(("after",) if prefix else ()))
            parts = [section for section in made.sections if section.id in ids]
            check_week(parts, phase, made.language)
    for entry in made.entries:
        week = whole.now.week
        if entry.event.kind == "session":
            assert week is not None and len(entry.event.weekdays) == week.sittings
            if week.sitting_minutes is not None:
                assert words.minutes(week.sitting_minutes) in entry.text
    days = list(chain.from_iterable(block.pairs for block in blocks(made, Facts, "dates")))
    assert [what for _, what in days] == [entry.title for entry in made.entries]
    dates = {words.day(entry.event.start) for entry in made.entries}
    assert all(set(re.findall(A_DATE[made.language], when)) <= dates for when, _ in days)
    length = words.mm(whole.growth.now_mm)
    now = {"en": r"than it is now, (.+?\))[,;]", "de": r"werden als jetzt, (.+?\))[,;]"}[made.language]
    assert set(re.findall(now, said(made))) <= {length}


def check_week(parts: Iterable[Section], phase: Phase, language: str) -> None:
    """Frequencies and minutes of one phase; what length fits is told in minutes of other lengths."""
    other = phase.length.text if phase.length else ""
    words = catalogue(language)
    text = "\n".join(line for line in chain.from_iterable(map(sentences, parts)) if line != other)
    every = {words.often(times) for times in range(1, 8)}
    told = {often for often in every if re.search(rf": {re.escape(often)}[.,]", text)}
    assert told <= ({words.often(phase.week.rounds)} if phase.week else set())
    if phase.week is not None and phase.week.sitting_minutes is not None:
        each = {"en": r"about (\d+) minutes? each", "de": r"etwa (\d+) Minuten?\b"}[language]
        assert {int(n) for n in re.findall(each, text)} <= {round(phase.week.sitting_minutes)}


CHECKS = (check_places, check_bath, check_buying, check_references, check_numbers)


@EACH
@DOG
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__.removeprefix("check_"))
def test_every_dog(check, name, language):
    check(shown(name, language), planned(name, language))


@DOG
def test_what_is_tried_first_is_what_is_bought_first(name):
    made = shown(name, "en")
    kit, trial = made.section("kit") or made.section("after-kit"), made.section("trial")
    bought = re.search(r"^If you (?:then )?buy only one thing: (.+)\.$", "\n".join(sentences(kit)) if kit else "", re.M)
    if trial is not None and bought and not assessed(name)[0].owned_tools:
        assert trial.blocks[0].items[0].endswith(f": {bought[1]}.")


ENGLISH = re.compile(
    r"\b(the|and|of|is|are|it|its|your|with|this|that|from|for|not|nothing|to|or|by|at|than|which|dog|coat|hair)\b",
    re.I,
)
# Written by the owner, or the title of a source. Breeds stand on the plan as the owner calls them.
AS_WRITTEN = re.compile(r"that pink thing from granny|[^|]*\((?:gelesen|Kurzfassung[^)]*)\)[^|]*")


@DOG
def test_no_german_sentence_holds_english(name):
    made = shown(name, "de")
    said = [*chain.from_iterable(map(sentences, made.for_checking())), *chain.from_iterable(
        (entry.title, entry.text) for entry in made.entries)]  # fmt: skip
    assert len(said) > 50
    breeds = {DOGS[name].get("breed"), *DOGS[name].get("parents", ())}
    told = {one: ENGLISH.findall(AS_WRITTEN.sub("", one)) for one in said if one not in breeds}
    assert {sentence: words for sentence, words in told.items() if words} == {}


# What templates hide: a phrase beside a phrase that does not fit it.
FAULTS = {
    "no digits with a point": r"\d\.\d(?!\d* ?(?:\(|-|/))",
    "one is not many": r"\b1 (?:Minuten|Wochen|Tagen|Sitzungen|Hunde|Hunden|Terminen|Messungen|Bäder)\b",
    "brackets in brackets": r"\([^()]*\([^()]*\)[^()]*\)",
    "a bracket after a bracket": r"\) \(",
    "a placeholder": r"[{}]",
    "a space before a mark": r" [,;.:]|,,|;;|(?<!\.)\.\.(?!\.)",
}


@DOG
def test_german_sentences_are_composed_without_these_faults(name):
    made = shown(name, "de")
    found = {}
    for sentence in chain.from_iterable(map(sentences, made.for_checking())):
        told = AS_WRITTEN.sub("", sentence)
        found |= {fault: sentence for fault, shape in FAULTS.items() if re.search(shape, told)}
    assert found == {}


@EACH
@DOG
def test_no_two_sentences_of_a_plan_contradict_each_other(name, language):
    assert contradictions(said(shown(name, language)), language) == []


@DOG
def test_the_json_contradicts_itself_as_little(name):
    _, found = assessed(name)
    assert contradictions("\n".join(strings(found.model_dump(mode="json"))), "en") == []


def strings(value: object) -> Iterator[str]:
    """Every sentence in a JSON value."""
    match value:
        case str():
            yield value
        case dict():
            yield from chain.from_iterable(strings(one) for key, one in value.items() if key != "source")
        case list():
            yield from chain.from_iterable(map(strings, value))


@EACH
@DOG
def test_what_the_owner_told_is_on_the_plan(name, language):
    made, (answers, _) = shown(name, language), assessed(name)
    text = said(made)
    assert all(parent in text for parent in answers.parents or ())
    assert not re.search(r"\b0 minute|\b0 Minute", text)
    if answers.owned_tools:
        section = made.section("owned")
        assert section is not None and len(section.blocks[-1].pairs) == len(answers.owned_tools)


@DOG
def test_puppies_get_gentle_tools(name):
    made, whole = shown(name, "en"), planned(name, "en")
    if (whole.now.situation.age_months or 99) < 6:
        tools = [toolkit.catalogue()[row.tool] for block in blocks(made, Tools, "kit") for row in block.rows]
        assert tools and all(tool.drag == "gentle" and not tool.blade for tool in tools)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair["why"][:40])
def test_the_table_of_pairs_gives_a_reason_and_speaks_every_language(pair):
    assert set(pair) == {"say", "beside", "sagt", "neben", "why"}
    assert all(re.compile(pair[key]) for key in ("say", "beside", "sagt", "neben"))


@settings(max_examples=40, deadline=None)
@given(situations)
def test_drawn_dogs_get_plans_that_hold_together(dog: CoatSituation) -> None:
    whole = plan(dog, today=TODAY)
    made = present(whole)
    for check in CHECKS:
        check(made, whole)
    assert contradictions(said(made), "en") == []


# --- the first page of the sheet, read alone -------------------------------------------------------------------------


def alone(made: Presentation, brevity: int) -> Presentation:
    """A plan of which nothing is read but the first page of the sheet."""
    page = first_page(made, brevity)
    stops = made.section("stops")
    top = () if stops is None else (replace(stops, blocks=page.top),)
    return replace(made, sections=(*top, *page.left, *page.right), entries=())


@EACH
@DOG
def test_whoever_reads_only_the_first_page_is_not_misled(name, language):
    made, whole = shown(name, language), planned(name, language)
    for brevity in (FULL, 1, SHORTEST):
        page = alone(made, brevity)
        check_places(page, whole)
        assert contradictions(said(page), language) == []
        text = said(page)
        stops = made.section("stops")
        assert all(one in text for one in (sentences(stops) if stops else ()))  # what stops the work, in full
        for block in blocks(made, Steps, "now", "steps"):
            for row in block.rows:
                if row.tool is None:
                    assert row.do in text and row.where in text
        bath = page.section("bath")
        assert bath is not None and bath.blocks == tuple(
            block for block in made.section("bath").blocks if isinstance(block, Text)
        )
        tools = [row for block in blocks(page, Tools, "kit") for row in block.rows]
        assert (
            len(tools) <= 3
            and (whole.now.triage.shopping.open or not tools)
            and (tools or not any(True for _ in blocks(made, Tools, "kit")))
        )
        if made.entries:
            assert page.section("next") is not None


# --- the same sentences in every presenter ----------------------------------------------------------------------------


@DOG
def test_terminal_page_sheet_and_calendar_say_these_sentences(name):
    language = LANGUAGES[sorted(DOGS).index(name) % len(LANGUAGES)]
    made = shown(name, language)
    assert missing(made, in_terminal(made), sources=True) == []
    assert missing(made, on_page(made)) == []
    assert missing(made, in_html(reports.sheet_html(made)), paper=True) == []
    stamp = datetime(2026, 3, 2, 12, tzinfo=UTC)
    events = Calendar.from_ical(reports.calendar_ics(made, dog_id="d" * 32, stamp=stamp)).events
    starts = [getattr(event.start, "date", lambda event=event: event.start)() for event in events]
    assert [(str(event["SUMMARY"]), start) for event, start in zip(events, starts, strict=True)] == [
        (entry.title, entry.event.start) for entry in made.entries
    ]


def test_the_terminal_shows_first_what_must_be_read_at_once_and_says_how_to_see_the_rest(capsys, tmp_path):
    answers = tmp_path / "my dog.json"
    answers.write_text(json.dumps(DOGS["hair_mats_and_bites"]), encoding="utf-8")
    assert main(["assess", "--answers", str(answers)]) == 0
    short = capsys.readouterr().out
    assert main(["assess", "--answers", str(answers), "--full"]) == 0
    full = capsys.readouterr().out
    made = presented(*reversed(assessed("hair_mats_and_bites")))
    titles = {section.place: [one.title for one in made.sections if one.place == section.place]
              for section in made.sections}  # fmt: skip
    lines, all_lines = short.splitlines(), full.splitlines()
    assert all(title in lines for title in titles["first"]) and "Stop" in lines
    assert not any(title in lines for title in titles["more"])
    assert all(title in all_lines for place in ("more", "sources") for title in titles[place])
    command = short[short.index("coatclass assess") :].replace("\n", "")
    assert command.startswith("coatclass assess --answers") and command.endswith("--full")
    assert len(lines) < 170 < len(all_lines)  # five weeks of training stand on the first pages, by day and by date


@pytest.mark.parametrize("name", ["curly_felted", "hair_mats_and_bites", "arctic_mats", "puppy_doodle"])
def test_the_printed_file_says_these_sentences(name):
    made = shown(name, LANGUAGES[len(name) % len(LANGUAGES)])
    assert missing(made, in_pdf(made, "A4"), paper=True) == []
