"""What minutes cost by the salon's own rates."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from coatclass.contract import Frozen
from coatclass.plain_text import one_line
from coatclass.words import Catalogue

__all__ = ["FixedPrice", "Rates", "money", "price"]

Money = Annotated[float, Field(ge=0, le=100_000)]
_Short = Annotated[str, BeforeValidator(lambda text: one_line(text) if isinstance(text, str) else text)]


class FixedPrice(Frozen):
    """A line of the price table: up to a weight, so many minutes cost so much; further minutes cost by the hour."""

    up_to_kg: Annotated[float, Field(gt=0, le=150)]
    minutes: Annotated[int, Field(ge=0, le=600)]
    price: Money


def _rising(rows: tuple[FixedPrice, ...]) -> tuple[FixedPrice, ...]:
    ordered = tuple(sorted(rows, key=lambda row: row.up_to_kg))
    if len({row.up_to_kg for row in ordered}) < len(ordered):
        raise ValueError("two lines of the price table name the same weight")
    return ordered


class Rates(Frozen):
    """The salon's rates.

    Attributes:
        before, after: what is written before and after a number, such as a currency's sign.
        per_hour: of ordinary work; ``de_matting_per_hour``: of taking mats out, as ``per_hour`` if None.
        least: below which no visit costs.
        step: prices are rounded up to a multiple of it.
        table: fixed prices by weight; a dog heavier than every line pays by the hour.
    """

    before: Annotated[_Short, Field(max_length=12)] = ""
    after: Annotated[_Short, Field(max_length=12)] = ""
    per_hour: Annotated[float, Field(gt=0, le=100_000)]
    de_matting_per_hour: Annotated[float, Field(gt=0, le=100_000)] | None = None
    least: Money = 0.0
    step: Annotated[float, Field(gt=0, le=1000)] = 1.0
    table: Annotated[tuple[FixedPrice, ...], AfterValidator(_rising), Field(max_length=20)] = ()


def price(rates: Rates, *, minutes: float, de_matting: float = 0.0, weight_kg: float | None = None) -> float:
    """What a visit costs; never falls with minutes.

    Args:
        minutes: of the whole visit; ``de_matting``: those of them that go into taking mats out.
        weight_kg: of the dog; without it the price table is left out.
    """
    ordinary = max(0.0, minutes - de_matting)
    row = next((row for row in rates.table if weight_kg is not None and weight_kg <= row.up_to_kg), None)
    base = ordinary * rates.per_hour / 60 if row is None else row.price + _over(ordinary, row) * rates.per_hour / 60
    whole = base + de_matting * (rates.de_matting_per_hour or rates.per_hour) / 60
    steps = math.ceil(round(max(whole, rates.least) / rates.step, 6))
    return round(steps * rates.step, 2)


def _over(minutes: float, row: FixedPrice) -> float:
    return max(0.0, minutes - row.minutes)


def money(amount: float, rates: Rates, words: Catalogue) -> str:
    """An amount as the salon writes it, with the language's decimal sign; cents only where there are any."""
    digits = 0 if float(amount).is_integer() else 2
    number = f"{amount:.{digits}f}".replace(".", words.number(0.5)[1])
    return f"{rates.before}{' ' if len(rates.before) > 1 else ''}{number}{' ' if rates.after else ''}{rates.after}"
