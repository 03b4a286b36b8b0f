"""The sheet as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from pathlib import Path
from typing import Any

from coatclass.reports._blocks import (
    Block,
    Facts,
    FirstPage,
    Items,
    Note,
    Picture,
    RuledLines,
    Section,
    StepRow,
    Steps,
    Table,
    Text,
    ToolRow,
    Tools,
    WeekStrip,
)
from coatclass.reports._drawing import svg
from coatclass.reports._sheet import Sheet
from coatclass.reports._sheet_content import FULL, SHORTEST, details, first_page
from coatclass.words import catalogue

__all__ = ["write"]

_MOST_CHARACTERS = 3800  # of the left column on paper
_CSS = Path(__file__).with_name("data") / "sheet.css"


def write(sheet: Sheet) -> str:
    """The page, in the language that the sheet's plan is in."""
    language = sheet.plan.language
    # Printed, the first page should be one page: where there is much to say it says less, the details follow anyway.
    pages = (first_page(sheet, brevity) for brevity in range(FULL, SHORTEST + 1))
    page = next((page for page in pages if _characters(page) <= _MOST_CHARACTERS), first_page(sheet, SHORTEST))
    texts = catalogue(language, "sheet")
    return f"""<!DOCTYPE html>
<html lang="{language}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="coatclass">
<title>{escape(page.title)}</title>
<style>
{_CSS.read_text(encoding="utf-8")}</style>
</head>
<body>
<main>
<div class="first">
<header><h1>{escape(page.title)}</h1><p class="quiet">{escape(page.day)}</p></header>
{_blocks(page.top)}
<div class="columns">
<div>{"".join(_section(part) for part in page.left)}</div>
<div>{"".join(_section(part) for part in page.right)}</div>
</div>
</div>
<div class="details">
<h1>{escape(texts.say("title.details"))}</h1>
{"".join(_section(part) for part in details(sheet))}
</div>
</main>
</body>
</html>
"""


def _characters(page: FirstPage) -> int:
    """How much stands in the left column and above it; a title or a frame costs a line."""
    blocks = [*page.top, *(block for section in page.left for block in section.blocks)]
    count = 0
    for block in blocks:
        if isinstance(block, Note):
            count += len(block.text) + len(block.where) + 60
        elif isinstance(block, Steps):
            count += sum(len(row.title) + len(row.where) + len(row.do) + 60 for row in block.rows)
        elif isinstance(block, Facts):
            count += sum(max(60, len(what) + 30) for _, what in block.pairs)
        elif isinstance(block, Text):
            count += max(60, len(block.text))
    return count


def _section(section: Section) -> str:
    return f"<section><h2>{escape(section.title)}</h2>\n{_blocks(section.blocks)}</section>\n"


def _blocks(blocks: Iterable[Block]) -> str:
    return "\n".join(_WRITERS[type(block)](block) for block in blocks) + "\n"


def _lines(text: str) -> str:
    return escape(text).replace("\n", "<br>")


def _text(block: Text) -> str:
    return f'<p class="quiet">{_lines(block.text)}</p>' if block.quiet else f"<p>{_lines(block.text)}</p>"


def _items(block: Items) -> str:
    kind = "ol" if block.numbered else "ul"
    rows = "".join(f"<li>{escape(item)}</li>" for item in block.items)
    return f"<{kind}>{rows}</{kind}>"


def _facts(block: Facts) -> str:
    return "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{escape(what)}</dd>" for name, what in block.pairs) + "</dl>"


def _note(block: Note) -> str:
    where = f" {escape(block.where)}" if block.where else ""
    words = f"<strong>{escape(block.word)}</strong> {_lines(block.text)}{where}"
    return f'<p class="note {block.level}">{words}</p>'


def _steps(block: Steps) -> str:
    return '<ol class="steps">' + "".join(_step(row, block) for row in block.rows) + "</ol>"


def _step(row: StepRow, block: Steps) -> str:
    tag = f' <span class="tag">({escape(row.tag)})</span>' if row.tag else ""
    where = f' <span class="where">{escape(block.where_word)}: {escape(row.where)}.</span>' if row.where else ""
    parts = [f'<span class="number">{row.number}</span><h3>{escape(row.title)}</h3>{tag}{where}']
    if row.do:
        parts.append(f"<p>{escape(row.do)}</p>")
    if row.done:
        parts.append(f'<p class="done"><strong>{escape(block.done_word)}:</strong> {escape(row.done)}</p>')
    if row.errors:
        errors = "".join(f"<li>{escape(error)}</li>" for error in row.errors)
        parts.append(f"<p><strong>{escape(block.errors_word)}:</strong></p><ul>{errors}</ul>")
    parts += [_note(note) for note in row.notes]
    return f"<li>{''.join(parts)}</li>"


def _tools(block: Tools) -> str:
    return '<div class="tools">' + "".join(_tool(row) for row in block.rows) + "</div>"


def _tool(row: ToolRow) -> str:
    drawing = row.drawing.replace('role="img"', f'role="img" aria-label="{escape(row.alt)}"', 1)
    why = f"<p>{escape(row.why)}</p>" if row.why else ""
    features = f"<br>{escape(row.features)}" if row.features else ""
    words = f"<strong>{escape(row.name)}</strong> ({escape(row.role)}){features}"
    return f"<figure>{drawing}<figcaption>{words}{why}</figcaption></figure>"


def _picture(block: Picture) -> str:
    return f'<div class="picture">{svg(block.drawing)}</div>'


def _week(block: WeekStrip) -> str:
    head = "".join(f'<th scope="col">{escape(day)}</th>' for day, _, _ in block.days)
    body = "".join(f'<td class="due{kind}">{escape(due)}</td>' for _, due, kind in block.days)
    return f'<table class="week"><thead><tr>{head}</tr></thead><tbody><tr>{body}</tr></tbody></table>'


def _table(block: Table) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in block.head)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in block.rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _ruled(block: RuledLines) -> str:
    return '<div class="ruled">' + "<div></div>" * block.count + "</div>"


_WRITERS: dict[type, Callable[[Any], str]] = {
    Text: _text,
    Items: _items,
    Facts: _facts,
    Note: _note,
    Steps: _steps,
    Tools: _tools,
    Picture: _picture,
    WeekStrip: _week,
    Table: _table,
    RuledLines: _ruled,
}
