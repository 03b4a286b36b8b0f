"""Tables that come ready made, as people are shown them; the JSON keeps every row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["shown_table"]

_CHOSEN = "chosen"


def shown_table(extra: Mapping[str, Any]) -> tuple[list[str], list[list[Any]]]:
    """Head and rows to show. Where a column tells which rows were chosen: one row a variant, without that column.

    Variants are named in the first column. One of which no row was chosen is shown by its first row.
    """
    head, rows = list(extra["head"]), [list(row) for row in extra["rows"]]
    if _CHOSEN not in head:
        return head, rows
    place = head.index(_CHOSEN)
    first: dict[Any, Sequence[Any]] = {}
    for row in rows:
        if row[0] not in first or (row[place] and not first[row[0]][place]):
            first[row[0]] = row
    return _without(head, place), [_without(row, place) for row in first.values()]


def _without(cells: Sequence[Any], place: int) -> list[Any]:
    return [*cells[:place], *cells[place + 1 :]]
