"""The home-care sheet: a presentation as one self-contained HTML page or as a PDF."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from pathlib import Path

from jinja2 import Environment

from coatclass.presentation import Presentation
from coatclass.presentation.abridged import FULL, SHORTEST, FirstPage, details, first_page
from coatclass.presentation.blocks import Facts, Items, Note, Steps, Text
from coatclass.presentation.html import environment
from coatclass.reports._link import qr_code
from coatclass.words import catalogue

__all__ = ["sheet_html", "sheet_pdf"]

_DATA = Path(__file__).with_name("data")
_MOST_CHARACTERS = 2600  # of the left column on paper


def sheet_html(plan: Presentation, *, link: str = "", photo: bytes = b"") -> str:
    """The sheet as one self-contained page: no script, no other host, readable by screen readers, prints well.

    Args:
        plan: what to show.
        link: the dog's private web address, shown as a code; none if empty.
        photo: the dog's photo, made small with :func:`small_photo`; none if empty.

    Raises:
        InputError: for a link that can't be printed.
    """
    # Printed, the first page should be one page: where there is much to say it says less, the details follow anyway.
    pages = (first_page(plan, brevity) for brevity in range(FULL, SHORTEST + 1))
    page = next((page for page in pages if _characters(page) <= _MOST_CHARACTERS), first_page(plan, SHORTEST))
    style = (_DATA / "sheet.css").read_text(encoding="utf-8")
    return (
        _templates()
        .get_template("sheet.html")
        .render(
            plan=plan,
            page=page,
            details=details(plan, page),
            style=style,
            code=qr_code(link, plan.language) if link else None,
            photo=b64encode(photo).decode(),
            photo_alt=catalogue(plan.language).say("plan.title.photo", dog=plan.dog),
        )
    )


@cache
def _templates() -> Environment:
    return environment(_DATA)


def _characters(page: FirstPage) -> int:
    """How many characters the left column and its head hold; a title or frame counts as a line."""
    blocks = [*page.top, *(block for section in page.left for block in section.blocks)]
    count = 0
    for block in blocks:
        if isinstance(block, Note):
            count += len(block.text) + len(block.where) + 60
        elif isinstance(block, Steps):
            count += sum(len(row.title) + len(row.where) + len(row.do) + 60 for row in block.rows)
        elif isinstance(block, Facts):
            count += sum(max(60, len(what) + 30) for _, what in block.pairs)
        elif isinstance(block, Items):
            count += sum(max(60, len(item)) for item in block.items)
        elif isinstance(block, Text):
            count += max(60, len(block.text))
    return count


def sheet_pdf(
    plan: Presentation, paper: str = "A4", *, link: str = "", photo: bytes = b"", annex: bool = True
) -> bytes:
    """The sheet as a PDF file; the same presentation gives the same bytes.

    Args:
        plan: what to show.
        paper: ``A4`` or ``Letter``.
        link: the dog's private web address, printed as a code; none if empty.
        photo: the dog's photo, made small with :func:`small_photo`; none if empty.
        annex: whether the details follow the first page; without them that page says so.

    Raises:
        InputError: for an unknown paper, or a link that can't be printed.
    """
    from coatclass.reports._sheet_pdf import write

    return write(plan, paper, photo, qr_code(link, plan.language) if link else None, annex=annex)
