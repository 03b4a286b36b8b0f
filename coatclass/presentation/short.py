"""The answer on one phone screen: the coat and how sure, three tools, how often, and the one mistake to avoid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

from coatclass.presentation.blocks import Block, Facts, Items, Note, Presentation, Steps, ToolRow, Tools
from coatclass.words import catalogue

__all__ = ["Short", "in_short"]

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
