"""What the answers say about each other: contradictions (refused) and doubts (asked about, kept)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from coatclass.answers._questions import LANGUAGES
from coatclass.answers.conditions import hold_all
from coatclass.contract import Reason
from coatclass.resources import read_toml

if TYPE_CHECKING:
    from coatclass.answers._model import Answers

__all__ = ["contradictions", "doubts"]

_DATA = Path(__file__).with_name("data") / "checks.toml"
_DAYS_PER_WEEK = 7


def doubts(answers: Answers, language: str = "en") -> tuple[Reason, ...]:
    """Answers that surprise beside each other, in words that ask the owner to look again.

    Raises:
        ValueError: if the language is not one of the questionnaire's.
    """
    if language not in LANGUAGES:
        raise ValueError(f"there are no doubts in language {language!r}, only in {', '.join(LANGUAGES)}")
    found = _found("doubt", answers)
    if language == "en":
        return found
    words = read_toml(_DATA.with_name(f"checks.{language}.toml"))
    return tuple(Reason(code=doubt.code, text=words[doubt.code]) for doubt in found)


def contradictions(answers: Answers) -> tuple[Reason, ...]:
    """Answers that can't all be true; an :class:`Answers` never holds any."""
    return (*_found("contradiction", answers), *_longer_ago_than_born(answers), *_more_than_whole(answers))


def _found(section: str, answers: Answers) -> tuple[Reason, ...]:
    rows: list[dict[str, Any]] = read_toml(_DATA)[section]
    return tuple(Reason(code=row["code"], text=row["text"]) for row in rows if hold_all(row["when"], answers))


def _longer_ago_than_born(answers: Answers) -> tuple[Reason, ...]:
    if answers.age_months is None:
        return ()
    limits = read_toml(_DATA)["limits"]
    alive_days = (answers.age_months + limits["rounding_months"]) * limits["days_per_month"]
    ago_days = {
        "the last trim": (answers.last_trim_weeks or 0) * _DAYS_PER_WEEK,
        "the last comb-through": answers.days_since_combed or 0,
    }
    return tuple(
        Reason(code="before_birth", text=f"The dog is {answers.age_months:g} months old, yet {what} is longer ago.")
        for what, days in ago_days.items()
        if days > alive_days
    )


def _more_than_whole(answers: Answers) -> tuple[Reason, ...]:
    total = sum((answers.dna_breeds or {}).values())
    if total <= read_toml(_DATA)["limits"]["dna_breeds_at_most_percent"]:
        return ()
    return (Reason(code="over_100_percent", text=f"The breeds of the DNA test add up to {total:g} %, over 100 %."),)
