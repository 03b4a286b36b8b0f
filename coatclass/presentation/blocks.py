"""What a plan is shown as, independent of any format: sections of blocks in reading order. Presenters only render."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import ClassVar, Literal

from coatclass.care import Event
from coatclass.presentation.drawing import Drawing

__all__ = [
    "Bars",
    "Block",
    "Entry",
    "Facts",
    "Frames",
    "Gauge",
    "Items",
    "NotThis",
    "Note",
    "Picture",
    "Place",
    "Presentation",
    "RuledLines",
    "Section",
    "ShopCard",
    "ShopRow",
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
    """A paragraph; ``tone``: headline says the most important sentence of a section, quiet the least."""

    kind: ClassVar[str] = "text"
    text: str
    tone: Literal["", "headline", "quiet"] = ""


@dataclass(frozen=True)
class Items:
    """A list."""

    kind: ClassVar[str] = "items"
    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Facts:
    """Pairs of a name and its value."""

    kind: ClassVar[str] = "facts"
    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Note:
    """A caution: its level as a code and a word, the text, and where it holds.

    ``of_the_dog``: it tells what this dog is (old, say), and not what people do wrong.
    """

    kind: ClassVar[str] = "note"
    level: str
    word: str
    text: str
    where: str = ""
    of_the_dog: bool = False


@dataclass(frozen=True)
class StepRow:
    """One step; ``tool`` is its id, ``tag`` says that the tool is not a must."""

    title: str
    where: str
    do: str
    done: str
    tool: str | None = None
    tag: str = ""
    errors: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Steps:
    """What to do, in order; ``where_word``, ``done_word`` and ``errors_word`` name the parts of a step."""

    kind: ClassVar[str] = "steps"
    rows: tuple[StepRow, ...]
    where_word: str
    done_word: str
    errors_word: str


@dataclass(frozen=True)
class ToolRow:
    """One tool: its id, name, role as a code and a word, features in a shop, where, why, and its working end as SVG."""

    tool: str
    name: str
    role: str
    role_word: str
    features: str
    where: str
    why: str
    drawing: str
    alt: str


@dataclass(frozen=True)
class Tools:
    """Tools with their drawings; ``where_word`` names their places, ``features_word`` what to look for."""

    kind: ClassVar[str] = "tools"
    rows: tuple[ToolRow, ...]
    where_word: str
    features_word: str


@dataclass(frozen=True)
class WeekStrip:
    """The days of a week: name, what is due, whether it is a sitting (2), a touch-up (1) or nothing (0)."""

    kind: ClassVar[str] = "week"
    days: tuple[tuple[str, str, int], ...]


@dataclass(frozen=True)
class Bars:
    """Shares as bars, the largest first: (name, share in [0, 1], share in words, whether it is still possible)."""

    kind: ClassVar[str] = "bars"
    caption: str
    rows: tuple[tuple[str, float, str, bool], ...]


@dataclass(frozen=True)
class Picture:
    """A drawing; ``compact`` is the same for a narrow screen, on which the words of the wide one are too small."""

    kind: ClassVar[str] = "picture"
    drawing: Drawing
    compact: Drawing | None = None


@dataclass(frozen=True)
class Frames:
    """A sequence of pictures, each with the sentence below it."""

    kind: ClassVar[str] = "frames"
    rows: tuple[tuple[Drawing, str], ...]


@dataclass(frozen=True)
class Table:
    """A table with column titles; ``shares`` of the width for each column."""

    kind: ClassVar[str] = "table"
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class RuledLines:
    """Empty lines to write on."""

    kind: ClassVar[str] = "ruled"
    count: int


Block = Text | Items | Facts | Note | Steps | Tools | WeekStrip | Bars | Picture | Frames | Table | RuledLines

Place = Literal["first", "more", "paper", "sources"]


@dataclass(frozen=True)
class Section:
    """A part with a heading; ``id`` names it and never changes.

    ``place`` is first (read at once), more, paper (only printed) or sources (for those who check, never an owner's).
    """

    id: str
    title: str
    place: Place
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Entry:
    """One entry of the calendar in words."""

    event: Event
    title: str
    text: str


@dataclass(frozen=True)
class Gauge:
    """What is held beside a tool: a drawing in units of 1 mm, and what to see."""

    drawing: Drawing
    says: str


@dataclass(frozen=True)
class ShopRow:
    """One tool to buy; ``drawing`` is its working end as SVG in units of 1 mm, ``sees`` what tells it from others."""

    tool: str
    name: str
    role_word: str
    features: str
    sees: tuple[str, ...]
    gauges: tuple[Gauge, ...]
    instead: str
    drawing: str
    alt: str


@dataclass(frozen=True)
class NotThis:
    """A tool to leave in the shop, and why."""

    name: str
    why: str
    drawing: str
    alt: str


@dataclass(frozen=True)
class ShopCard:
    """The card in one language; ``rows`` are empty where there is nothing to buy, and ``lead`` then says so."""

    title: str
    lead: str
    fits: str
    scale: str
    rows: tuple[ShopRow, ...]
    rest: str
    not_word: str
    nots: tuple[NotThis, ...]


@dataclass(frozen=True)
class Presentation:
    """One plan as it is shown, in one language.

    Attributes:
        language: of every word.
        day: the day of the plan; ``made`` says it in words.
        dog: how the dog is called.
        title: the verdict in one sentence.
        coats: the probable coat, or all that are still possible, as they stand inside a sentence; empty without any.
        sheet_title, page_title, details_title: head and foot of the printed sheet, head of its later pages.
        sections: in reading order.
        entries: of the calendar, in the order of their start; empty without a plan.
        shop: the card for a shop; None without a plan.
    """

    language: str
    day: date
    dog: str
    title: str
    sheet_title: str
    page_title: str
    details_title: str
    made: str
    sections: tuple[Section, ...]
    entries: tuple[Entry, ...] = field(default=())
    coats: str = ""
    shop: ShopCard | None = None

    def section(self, section_id: str) -> Section | None:
        """A section by its id, None if this plan has none."""
        return next((one for one in self.sections if one.id == section_id), None)

    def at_once(self) -> Iterator[Section]:
        """The sections to be read at once."""
        return (one for one in self.sections if one.place == "first")

    def on_screen(self) -> Iterator[Section]:
        """The sections that an owner sees on a screen."""
        return (one for one in self.sections if one.place in ("first", "more"))

    def on_paper(self) -> Iterator[Section]:
        """The sections of the sheet: everything but the sources."""
        return (one for one in self.sections if one.place != "sources")

    def for_checking(self) -> Iterator[Section]:
        """Everything that is not only for paper, with the sources."""
        return (one for one in self.sections if one.place != "paper")
