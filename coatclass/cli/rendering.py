"""What is printed in a terminal: a presentation, and what was learned."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from coatclass.presentation import Presentation
from coatclass.presentation import blocks as shown
from coatclass.words import Catalogue

if TYPE_CHECKING:
    from coatclass.learning import LearningReport

__all__ = ["learning_told", "print_presentation"]

_BAR_WIDTH = 12
_WIDEST_NAME = 30  # characters; longer names stand on a line of their own


def print_presentation(plan: Presentation, console: Console, *, full: bool = True, rest: str = "") -> None:
    """Print the verdict, then the sections in their order.

    Args:
        plan: what to show.
        console: where to.
        full: every section; else those to be read at once.
        rest: a last line that says how to see the others.
    """
    console.print(Text(plan.title, style="bold"), soft_wrap=False)
    for section in plan.for_checking() if full else plan.at_once():
        console.print()
        console.print(Text(section.title, style="bold underline"))
        for block in section.blocks:
            console.print(Padding(_WRITERS[type(block)](block), (0, 0, 0, 2)))
    if rest and not full:
        console.print()
        console.print(Text(rest, style="dim"))


def _text(block: shown.Text) -> RenderableType:
    return Text(block.text, style={"headline": "bold", "quiet": "dim"}.get(block.tone, ""))


def _rows(rows: Iterable[tuple[RenderableType, RenderableType]], *, right: bool = False) -> Table:
    grid = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    grid.add_column(justify="right" if right else "left", overflow="fold")
    grid.add_column(overflow="fold")
    for row in rows:
        grid.add_row(*row)
    return grid


def _items(block: shown.Items) -> RenderableType:
    marks = (f"{n}." if block.numbered else "-" for n in range(1, len(block.items) + 1))
    return _rows((Text(mark), Text(item)) for mark, item in zip(marks, block.items, strict=True))


def _facts(block: shown.Facts) -> RenderableType:
    if any(len(name) > _WIDEST_NAME for name, _ in block.pairs):
        return Group(
            *(Group(Text(name, style="bold"), Padding(Text(what), (0, 0, 0, 2))) for name, what in block.pairs)
        )
    return _rows((Text(name, style="bold"), Text(what)) for name, what in block.pairs)


def _note(block: shown.Note) -> RenderableType:
    style = {"stop": "bold red", "care": "bold yellow"}.get(block.level, "bold")
    return Text.assemble((f"{block.word}: ", style), " ".join(part for part in (block.text, block.where) if part))


def _steps(block: shown.Steps) -> RenderableType:
    return _rows((Text(f"{n}."), _step(row, block)) for n, row in enumerate(block.rows, start=1))


def _step(row: shown.StepRow, block: shown.Steps) -> RenderableType:
    lines: list[RenderableType] = [Text.assemble((row.title, "bold"), f" ({row.tag})" if row.tag else "")]
    if row.where:
        lines.append(Text(f"{block.where_word}: {row.where}.", style="dim"))
    if row.do:
        lines.append(Text(row.do))
    if row.done:
        lines.append(Text(f"{block.done_word}: {row.done}"))
    if row.errors:
        lines.append(Text(f"{block.errors_word}: {' '.join(row.errors)}", style="dim"))
    return Group(*lines, *(_note(note) for note in row.notes))


def _tools(block: shown.Tools) -> RenderableType:
    return Group(*(Padding(_tool(row, block), (0, 0, 0, 0)) for row in block.rows))


def _tool(row: shown.ToolRow, block: shown.Tools) -> RenderableType:
    lines: list[RenderableType] = [Text.assemble((row.name, "bold"), f" ({row.role_word})"), Text(row.why)]
    if row.features:
        lines.append(Text(f"{block.features_word}: {row.features}", style="dim"))
    if row.where:
        lines.append(Text(f"{block.where_word}: {row.where}.", style="dim"))
    return Group(*lines)


def _week(block: shown.WeekStrip) -> RenderableType:
    table = Table(box=box.SIMPLE, pad_edge=False)
    for day, _, _ in block.days:
        table.add_column(day)
    table.add_row(*(Text(due, style="bold" if level > 1 else "") for _, due, level in block.days))
    return table


def _bars(block: shown.Bars) -> RenderableType:
    grid = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for name, share, said, possible in block.rows:
        mark = f"{'●' if possible else '○'} {name}"
        grid.add_row(mark, Text(said, justify="right"), "█" * round(share * _BAR_WIDTH))
    return Group(Text(block.caption, style="dim"), grid)


def _table(block: shown.Table) -> RenderableType:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head, share in zip(block.head, block.shares, strict=True):
        table.add_column(head, overflow="fold", ratio=round(100 * share))
    for row in block.rows:
        table.add_row(*map(Text, row))
    return table


def _picture(block: shown.Picture) -> RenderableType:
    """A picture's description."""
    return Text(block.drawing.description, style="dim")


def _frames(block: shown.Frames) -> RenderableType:
    """A sequence in words."""
    return _rows((Text(f"{n}."), Text(said)) for n, (_, said) in enumerate(block.rows, start=1))


def _ruled(block: shown.RuledLines) -> RenderableType:
    return Text()


_WRITERS: dict[type, Callable[[Any], RenderableType]] = {
    shown.Text: _text,
    shown.Items: _items,
    shown.Facts: _facts,
    shown.Note: _note,
    shown.Steps: _steps,
    shown.Tools: _tools,
    shown.WeekStrip: _week,
    shown.Bars: _bars,
    shown.Picture: _picture,
    shown.Frames: _frames,
    shown.Table: _table,
    shown.RuledLines: _ruled,
}


def learning_told(report: LearningReport, texts: Catalogue) -> str:
    """What was learned, and whether it helps on dogs that were not learned from, in a few lines."""
    number, before, after = texts.number, report.before, report.after
    low, high = (number(end, 3, sign=True) for end in report.gain_interval)
    return texts.say(
        "learn.report",
        findings=texts.count("records.count.findings", report.findings),
        dogs=texts.count("learn.of_dogs", report.dogs),
        loss=texts.say("learn.from_to", before=number(before.log_loss, 3), after=number(after.log_loss, 3)),
        low=low,
        high=high,
        helps=texts.say("learn.helps" if report.worth_switching else "learn.chance"),
        right=texts.say(
            "learn.from_to", before=f"{number(100 * before.accuracy)} %", after=f"{number(100 * after.accuracy)} %"
        ),
    )
