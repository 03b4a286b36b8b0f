"""Every rule and number of the room with its provenance, for people to read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from coatclass.care._cautions import facts
from coatclass.care._coat import data
from coatclass.words import catalogue

__all__ = ["CareRule", "rules"]

_FILES = ("coats", "techniques", "load", "time", "growth", "calendar", "facts")


@dataclass(frozen=True)
class CareRule:
    """One rule: its id (file and place in it), what it says, and where it comes from."""

    id: str
    says: str
    source: str


def rules(language: str = "en") -> tuple[CareRule, ...]:
    """The cautions in words, then every sourced row of the data files."""
    texts = catalogue(language, "care")
    quoted = facts(texts)
    cautions = (
        CareRule(f"caution.{rule['code']}", texts.say(f"caution.{rule['code']}", **quoted), rule["source"])
        for rule in data("cautions")["caution"]
    )
    rows = (row for name in _FILES for row in _sourced(name, data(name)))
    return (*cautions, *rows)


def _sourced(place: str, table: Mapping[str, Any]) -> Iterator[CareRule]:
    """Every table that names its source, and those inside it that name their own."""
    if "source" in table:
        own = {key: value for key, value in table.items() if key != "source" and not _has_source(value)}
        yield CareRule(place, ", ".join(f"{key} {_plain(value)}" for key, value in own.items()), str(table["source"]))
    for key, value in table.items():
        if isinstance(value, Mapping) and ("source" not in table or _has_source(value)):
            yield from _sourced(f"{place}.{key}", value)


def _has_source(value: Any) -> bool:
    return isinstance(value, Mapping) and "source" in value


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{key} {_plain(inner)}" for key, inner in value.items()) + ")"
    if isinstance(value, list):
        return "[" + ", ".join(_plain(inner) for inner in value) + "]"
    return str(value)
