"""The plan abridged: the first page of a sheet, whose rest is the annex, and the answer on one phone screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from coatclass.presentation.blocks import (
    Block,
    Facts,
    Items,
    Note,
    Picture,
    Presentation,
    Section,
    StepRow,
    Steps,
    Text,
    ToolRow,
    Tools,
)
from coatclass.presentation.wording import tool_name
from coatclass.words import catalogue

FULL, SHORTEST = 0, 2
"""How much the first page says: everything, or only what can't be left out."""

_LEFT = ("verdict", "now", "training", "steps", "visit")
_RIGHT = ("kit", "week", "bath", "mistake", "next", "after")
_MOST_TOOLS = 3
_TRAINING_ROWS = (2, 1, 1)
_WAITED_FOR = ("visit", "trim")
_OF_THE_COAT = ("coat.kind", "coat.sure", "coat.open", "coat.length")


@dataclass(frozen=True)
class FirstPage:
    """What stands on the first page: the verdict and the stops across the top, left and right; the map of knots below
    where there is room.
    """

    title: str
    made: str
    verdict: str
    top: tuple[Note, ...]
    left: tuple[Section, ...]
    right: tuple[Section, ...]
    below: Section | None


def first_page(plan: Presentation, brevity: int = FULL) -> FirstPage:
    """The one page to put up beside the table: now, three tools, how often, the one mistake, the next date.

    Whatever stops the work stands on it in full, at any brevity: whoever reads this page alone must not be misled.

    Args:
        plan: in the language of the page.
        brevity: 0 to 2; the higher, the less is said, for sheets that would not fit.
    """
    stops = plan.section("stops")
    top = tuple(block for block in (stops.blocks if stops else ()) if isinstance(block, Note))
    sections = {section.id: section for section in (*plan.on_paper(), *_own(plan))}
    left, right = (
        tuple(_short(sections[name], plan, brevity) for name in column if name in sections)
        for column in (_LEFT, _RIGHT)
    )
    knots = plan.section("map")
    pictures = tuple(block for block in knots.blocks if isinstance(block, Picture)) if knots else ()
    below = replace(knots, blocks=pictures[:1]) if knots and pictures else None
    return FirstPage(plan.sheet_title, plan.made, plan.title, top, left, right, below)


def details(plan: Presentation, page: FirstPage) -> tuple[Section, ...]:
    """Every section of the sheet of which the first page left something out, in reading order."""
    shown = {section.id: section.blocks for section in (*page.left, *page.right)}
    stops = plan.section("stops")
    if stops is not None and page.top == stops.blocks:
        shown["stops"] = stops.blocks
    return tuple(section for section in plan.on_paper() if shown.get(section.id) != section.blocks)


def _own(plan: Presentation) -> Iterator[Section]:
    """Sections that only the first page has: one mistake, and the date that comes next."""
    words = catalogue(plan.language)
    mistake = in_short(plan).beware
    if mistake:
        more = Text(words.say("plan.caution.more"), "quiet")
        yield Section("mistake", words.say("plan.section.mistake"), "paper", (Text(mistake), more))
    dates = plan.section("dates")
    days = [pair for block in (dates.blocks if dates else ()) if isinstance(block, Facts) for pair in block.pairs]
    waited = [n for n, entry in enumerate(plan.entries) if entry.event.kind in _WAITED_FOR]
    booked = [n for n, entry in enumerate(plan.entries) if entry.event.kind == "booked"]
    soonest = sorted({*range(min(1, len(days))), *waited[:1], *booked})
    if days:
        yield Section("next", words.say("plan.section.next"), "paper", (Facts(tuple(days[n] for n in soonest)),))


def _short(section: Section, plan: Presentation, brevity: int) -> Section:
    shorten = _SHORTEN.get(section.id)
    return section if shorten is None else replace(section, blocks=tuple(shorten(section.blocks, plan, brevity)))


def _verdict(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    """Coat, how sure and how long; without an estimate what is said instead of it."""
    words = catalogue(plan.language)
    wanted = {words.say(f"plan.{key}") for key in _OF_THE_COAT}
    facts = [pair for block in blocks if isinstance(block, Facts) for pair in block.pairs if pair[0] in wanted]
    return [Facts(tuple(facts))] if facts else list(blocks)


def _steps(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [
        replace(block, rows=tuple(_step(row, brevity) for row in block.rows)) if isinstance(block, Steps) else block
        for block in blocks
    ]


def _step(row: StepRow, brevity: int) -> StepRow:
    """A stroke by its name and place, how it is done stands in the details; what hands do or leave alone in full."""
    if row.tool is None:
        return replace(row, done="", errors=(), notes=())
    must = not row.tag and brevity == FULL
    return replace(row, do="", done=row.done if must else "", errors=(), notes=())


def _training(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    """Why, the first days, and the signs to stop; the other days stand in the details."""
    short: list[Block] = []
    for block in blocks:
        if isinstance(block, Steps):
            rows = tuple(replace(row, done="", notes=()) for row in block.rows[: _TRAINING_ROWS[brevity]])
            short.append(replace(block, rows=rows))
        else:
            short.append(block)
    return [*short, Text(catalogue(plan.language).say("plan.training.rest"), "quiet")]


def _bath(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [block for block in blocks if isinstance(block, Text)]


def _kit(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    """Three tools with their drawings and without the reasons, the needed ones first; the others by name."""
    short: list[Block] = []
    for block in blocks:
        if not isinstance(block, Tools):
            short.append(block)
            continue
        needed = sorted(block.rows, key=lambda row: row.role != "essential")[:_MOST_TOOLS]
        rows = tuple(replace(row, why="", where="") for row in block.rows if row in needed)
        short.append(replace(block, rows=rows))
        words = catalogue(plan.language)
        rest = [tool_name(row, words) for row in block.rows if row not in needed]
        if rest:
            short.append(Text(words.say("plan.kit.also", tools=words.joined(rest))))
    return short


def _visit(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [Items(block.items[:3]) if isinstance(block, Items) and brevity == SHORTEST else block for block in blocks]


_SHORTEN: dict[str, Callable[[Sequence[Block], Presentation, int], list[Block]]] = {
    "verdict": _verdict,
    "now": _steps,
    "training": _training,
    "steps": _steps,
    "bath": _bath,
    "kit": _kit,
    "visit": _visit,
}


B = TypeVar("B", bound=Block)


@dataclass(frozen=True)
class Short:
    """What is said first; every part is a part of the presentation, nothing is phrased anew.

    Attributes:
        coat: the probable coat, or the coats still possible, as a heading; empty without an estimate.
        coats: the same as it stands inside a sentence.
        others: the coats that can't be ruled out beside a probable one, as a sentence; else empty.
        sure: how sure that is.
        tools: three at most, the needed ones first, in the order of work.
        often: how often, in a sentence; empty where nothing is brushed yet.
        first: what has to be done before any tool; empty where tools come first.
        beware: the mistake that harms most; empty if none is known.
    """

    coat: str
    coats: str
    others: str
    sure: str
    tools: tuple[ToolRow, ...]
    often: str
    first: str
    beware: str


def in_short(plan: Presentation) -> Short:
    """The short answer of a presentation."""
    say = catalogue(plan.language).say
    facts = dict(pair for block in _blocks(plan, "verdict", Facts) for pair in block.pairs)
    rows = [row for block in _blocks(plan, "kit", Tools) for row in block.rows]
    rows.sort(key=lambda row: row.role != "essential")  # stable: the order of work stays within
    return Short(
        coat=facts.get(say("plan.coat.kind"), ""),
        coats=plan.coats,
        others=f"{say('plan.coat.open')}: {others}" if (others := facts.get(say("plan.coat.open"), "")) else "",
        sure=facts.get(say("plan.coat.sure"), ""),
        tools=tuple(rows[:_MOST_TOOLS]),
        often=next((block.items[0] for block in _blocks(plan, "week", Items) if block.items), ""),
        first="" if rows else next(_to_do(plan), ""),
        beware=next(_mistakes(plan), ""),
    )


def _blocks(plan: Presentation, section_id: str, kind: type[B]) -> Iterator[B]:
    section = plan.section(section_id)
    return (block for block in (section.blocks if section else ()) if isinstance(block, kind))


def _to_do(plan: Presentation) -> Iterator[str]:
    """What comes before any tool: the visit, or what is safe until then."""
    for name in ("visit", "now"):
        for block in _blocks(plan, name, Items):
            yield from block.items
        for steps in _blocks(plan, name, Steps):
            yield from (row.title for row in steps.rows)


def _mistakes(plan: Presentation) -> Iterator[str]:
    yield from (item for taught in _blocks(plan, "checked", Items) for item in taught.items)
    yield from (note.text for note in _blocks(plan, "beware", Note) if not note.of_the_dog)
    for steps in _blocks(plan, "steps", Steps):
        for row in steps.rows:
            yield from (note.text for note in row.notes if note.level != "note" and not note.of_the_dog)
    for steps in _blocks(plan, "steps", Steps):
        for row in steps.rows:
            yield from row.errors
