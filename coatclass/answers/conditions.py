"""Conditions over answers, as they are written in the data files: when a question makes sense, what doesn't fit.

A condition names a ``field`` and one test of its value:

    given = true|false     the question was answered, or was not
    is = value             equal
    in = [values]          one of
    above, below = number  strictly above, strictly below
    has = [values]         a list, or the values of a mapping, holds at least one of these
    lacks = [values]       holds none of these; true if the question was not answered

Apart from ``given`` and ``lacks``, a question that was not answered fulfils no condition.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable, Mapping
from typing import Any

__all__ = ["check_condition", "hold_all", "holds"]

_TESTS: dict[str, Callable[[Any, Any], bool]] = {
    "is": operator.eq,
    "in": lambda value, allowed: value in allowed,
    "above": operator.gt,
    "below": operator.lt,
    "has": lambda value, wanted: not _members(value).isdisjoint(wanted),
}


def _members(value: Any) -> set[Any]:
    if value is None:
        return set()
    return set(value.values() if isinstance(value, Mapping) else value)


def holds(condition: Mapping[str, Any], answers: object) -> bool:
    """Tell whether one condition holds for these answers (any object with the questions as attributes)."""
    value = getattr(answers, condition["field"])
    test, operand = next((key, operand) for key, operand in condition.items() if key != "field")
    if test == "given":
        return bool((value is not None) == operand)
    if test == "lacks":
        return _members(value).isdisjoint(operand)
    return value is not None and _TESTS[test](value, operand)


def hold_all(conditions: Iterable[Mapping[str, Any]], answers: object) -> bool:
    """Tell whether every condition holds; true for none."""
    return all(holds(condition, answers) for condition in conditions)


def check_condition(condition: Mapping[str, Any], fields: Iterable[str]) -> None:
    """Refuse a condition of a data file that names an unknown field or test.

    Raises:
        ValueError: naming the condition.
    """
    tests = set(condition) - {"field"}
    if condition.get("field") not in set(fields) or len(tests) != 1 or not tests <= {*_TESTS, "given", "lacks"}:
        raise ValueError(f"not a condition: {dict(condition)}")
