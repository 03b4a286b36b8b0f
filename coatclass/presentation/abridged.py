"""The plan abridged: the first page of a sheet, and the answer on one phone screen."""

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
from coatclass.words import catalogue

FULL, SHORTEST = 0, 2
"""How much the first page says: everything, or only what can't be left out."""

_LEFT = ("verdict", "now", "steps", "bath", "visit", "beware")
_RIGHT = ("map", "week", "kit", "after", "changes", "grown", "dates")
_STOPS = (9, 9, 5)
_CAUTIONS = (6, 4, 3)
_DATES = (7, 5, 4)


@dataclass(frozen=True)
class FirstPage:
    """What stands on the first page: across the top, left and right."""

    title: str
    made: str
    top: tuple[Note, ...]
    left: tuple[Section, ...]
    right: tuple[Section, ...]


def first_page(plan: Presentation, brevity: int = FULL) -> FirstPage:
    """The one page to put up beside the table.

    Args:
        plan: in the language of the page.
        brevity: 0 to 2; the higher, the less is said, for sheets that would not fit.
    """
    stops = plan.section("stops")
    top = tuple(block for block in (stops.blocks if stops else ()) if isinstance(block, Note))
    return FirstPage(plan.sheet_title, plan.made, top[: _STOPS[brevity]], *(
        tuple(_short(section, plan, brevity) for section in plan.sections if section.id in column)
        for column in (_LEFT, _RIGHT)
    ))  # fmt: skip


def details(plan: Presentation, page: FirstPage) -> tuple[Section, ...]:
    """Every section of which the first page left something out, in reading order."""
    shown = {section.id: section.blocks for section in (*page.left, *page.right)}
    stops = plan.section("stops")
    if stops is not None and page.top == stops.blocks:
        shown["stops"] = stops.blocks
    return tuple(section for section in plan.sections if shown.get(section.id) != section.blocks)


def _short(section: Section, plan: Presentation, brevity: int) -> Section:
    shorten = _SHORTEN.get(section.id)
    return section if shorten is None else replace(section, blocks=tuple(shorten(section.blocks, plan, brevity)))


def _verdict(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [block for block in blocks if brevity < SHORTEST or isinstance(block, Facts)]


def _steps(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [
        replace(block, rows=tuple(_step(row, brevity) for row in block.rows)) if isinstance(block, Steps) else block
        for block in blocks
    ]


def _step(row: StepRow, brevity: int) -> StepRow:
    short = replace(row, errors=(), notes=())
    if row.tag and brevity > FULL:
        return replace(short, do="", done="", where="" if brevity == SHORTEST else row.where)
    return replace(short, done="" if brevity > FULL else row.done)


def _bath(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [block for block in blocks if isinstance(block, Text)]


def _map(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [block for block in blocks if isinstance(block, Picture)]


def _kit(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    """All tools with their drawings and without the reasons; at last the needed ones, and the names of the rest."""
    short: list[Block] = []
    for block in blocks:
        if not isinstance(block, Tools):
            short.append(block)
            continue
        rows = tuple(replace(row, why="", where="") for row in block.rows)
        needed = tuple(row for row in rows if row.role == "essential")
        few = brevity == SHORTEST and 0 < len(needed) < len(rows)
        short.append(replace(block, rows=needed if few else rows))
        if few:
            words = catalogue(plan.language)
            rest = words.joined(row.name for row in rows if row not in needed)
            short.append(Text(words.say("plan.kit.also", tools=rest)))
    return short


def _dates(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [Facts(block.pairs[: _DATES[brevity]]) if isinstance(block, Facts) else block for block in blocks]


def _visit(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    return [Items(block.items[:3]) if isinstance(block, Items) and brevity == SHORTEST else block for block in blocks]


def _beware(blocks: Sequence[Block], plan: Presentation, brevity: int) -> list[Block]:
    """What to take care of, at whatever step; the rest is in the details."""
    others = [block for section in plan.sections if section.id in ("now", "steps", "bath") for block in section.blocks]
    at_steps = [note for block in others if isinstance(block, Steps) for row in block.rows for note in row.notes]
    care = [note for note in (*at_steps, *blocks, *others) if isinstance(note, Note) and note.level == "care"]
    return [*care[: _CAUTIONS[brevity]], Text(catalogue(plan.language).say("plan.caution.more"), "quiet")]


_SHORTEN: dict[str, Callable[[Sequence[Block], Presentation, int], list[Block]]] = {
    "verdict": _verdict,
    "now": _steps,
    "steps": _steps,
    "bath": _bath,
    "map": _map,
    "kit": _kit,
    "dates": _dates,
    "visit": _visit,
    "beware": _beware,
}


_MOST_TOOLS = 3
B = TypeVar("B", bound=Block)


@dataclass(frozen=True)
class Short:
    """What is said first; every part is a part of the presentation, nothing is phrased anew.

    Attributes:
        coat: the coats still possible; empty without an estimate.
        sure: how sure that is.
        tools: three at most, the needed ones first, in the order of work.
        often: how often, in a sentence; empty where nothing is brushed yet.
        first: what has to be done before any tool; empty where tools come first.
        beware: the mistake that harms most; empty if none is known.
    """

    coat: str
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
    yield from (note.text for note in _blocks(plan, "beware", Note))
    for steps in _blocks(plan, "steps", Steps):
        for row in steps.rows:
            yield from (note.text for note in row.notes if note.level != "note")
    for steps in _blocks(plan, "steps", Steps):
        for row in steps.rows:
            yield from row.errors
