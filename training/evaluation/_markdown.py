"""Pieces of Markdown: tables, figures with their intervals, counts with theirs; from the report's plain JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

__all__ = ["counted", "interval", "number", "table", "value", "with_interval"]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """The lines of a table."""
    return [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]


def number(value: float | None, digits: int = 3) -> str:
    """So many decimals, the minus kept that tells on which side of 0 it lies; nothing where there is none."""
    return "" if value is None else f"{value:.{digits}f}"


def interval(ends: Sequence[float], digits: int = 3) -> str:
    """Low to high, in brackets; no dash beside a minus."""
    low, high = (number(end, digits) for end in ends)
    return f"({low}{' to ' if '-' in low + high else '–'}{high})"


def with_interval(figure: dict[str, float] | None) -> str:
    """A figure and its interval."""
    return f"{number(figure['value'])} {interval((figure['low'], figure['high']))}" if figure else ""


def counted(row: dict[str, Any], key: str, ends: str = "interval", of: str = "n") -> str:
    """A count, what it is of, its rate, and the exact interval of the rate."""
    n = row[of]
    return f"{row[key]} of {n}: {number(row[key] / n)} {interval(row[ends])}" if n else "0 of 0"


def value(shown: Any) -> str:
    """A figure, a number, or anything else."""
    if isinstance(shown, dict):
        return with_interval(shown)
    return number(shown) if isinstance(shown, float) else str(shown)
