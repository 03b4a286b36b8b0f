"""What a sheet is made of, free of a format; the HTML and the PDF are written from the same blocks."""

from __future__ import annotations

from dataclasses import dataclass

from coatclass.reports._drawing import Drawing

__all__ = [
    "Block",
    "Facts",
    "FirstPage",
    "Items",
    "Note",
    "Picture",
    "RuledLines",
    "Section",
    "StepRow",
    "Steps",
    "Table",
    "Text",
    "ToolRow",
    "Tools",
    "WeekStrip",
]


@dataclass(frozen=True)
class Text:
    """A paragraph."""

    text: str
    quiet: bool = False


@dataclass(frozen=True)
class Items:
    """A list."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Facts:
    """Pairs of a name and what it is."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Note:
    """A caution: its level as a code and a word, the text, and where it holds."""

    level: str
    word: str
    text: str
    where: str = ""


@dataclass(frozen=True)
class StepRow:
    """One step of the routine; ``tag`` says that its tool is not a must."""

    number: int
    title: str
    tag: str
    where: str
    do: str
    done: str
    errors: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Steps:
    """The routine; ``words`` names where, done and errors."""

    rows: tuple[StepRow, ...]
    where_word: str
    done_word: str
    errors_word: str


@dataclass(frozen=True)
class ToolRow:
    """One tool: name, role, what to look for in a shop, why, and its working end as SVG (empty if there is none)."""

    name: str
    role: str
    features: str
    why: str
    drawing: str
    alt: str


@dataclass(frozen=True)
class Tools:
    """Tools with their drawings."""

    rows: tuple[ToolRow, ...]


@dataclass(frozen=True)
class WeekStrip:
    """The days of a week: name, what is due, whether it is a sitting (2), a touch-up (1) or nothing (0)."""

    days: tuple[tuple[str, str, int], ...]


@dataclass(frozen=True)
class Picture:
    """A drawing."""

    drawing: Drawing


@dataclass(frozen=True)
class Table:
    """A table with a head; ``shares`` of the width for each column."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class RuledLines:
    """Empty lines to write on."""

    count: int


Block = Text | Items | Facts | Note | Steps | Tools | WeekStrip | Picture | Table | RuledLines


@dataclass(frozen=True)
class Section:
    """A headed part of the sheet."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class FirstPage:
    """What stands on the first page: across the top, left and right."""

    title: str
    day: str
    top: tuple[Note, ...]
    left: tuple[Section, ...]
    right: tuple[Section, ...]
