"""The answers about one dog, as a frozen value; every question may be skipped."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StrictBool, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from coatclass.answers._questions import LANGUAGES, question
from coatclass.answers.conditions import hold_all
from coatclass.contract import Frozen, Reason
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, Curl, Lie, MatState, Patience, Texture, Undercoat

__all__ = ["Answers", "OwnedTool", "contradictions", "doubts"]

_CHECKS = Path(__file__).with_name("data") / "checks.toml"
_DAYS_PER_WEEK = 7

SkinTrouble = Literal["sores", "redness", "smell", "pain", "parasites", "ear_trouble"]


def _blank_is_skipped(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


def _bounded(question_id: str) -> Any:
    """Bounds of a number, from the questionnaire, so that they are written down once."""
    spec = question(question_id)
    return Field(default=None, ge=spec.minimum, le=spec.maximum)


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Millimetres = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=100)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
Name = Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1, max_length=80)]
Text = Annotated[Name | None, BeforeValidator(_blank_is_skipped)]


class OwnedTool(Frozen):
    """A tool that the owner already has, described by what it is; lengths and gaps in mm."""

    kind: Name
    pin_length_mm: Millimetres | None = None
    pin_tip: Literal["plain", "ball", "coated", "plastic"] | None = None
    stiffness: Literal["soft", "medium", "firm", "extra_stiff"] | None = None
    tooth_gap_mm: Millimetres | None = None
    blade: StrictBool | None = None


class Answers(Frozen):
    """Everything that an owner or groomer said about one dog; None means skipped.

    Units are in the names. Bounds come from the questionnaire. Values that can't all be true are refused;
    values that merely surprise are named by :func:`coatclass.answers.doubts`.
    """

    # evidence about the coat
    breed: Text = None
    parents: Annotated[tuple[Name, ...], Field(max_length=2)] | None = None
    breed_known_by: Literal["papers", "dna_test", "guess"] | None = None
    dna_breeds: Annotated[dict[Name, Percent], Field(max_length=40)] | None = None
    age_months: Number | None = _bounded("age_months")
    feel: Texture | None = None
    curl: Curl | None = None
    undercoat_seen: Undercoat | None = None
    lie: Lie | None = None
    shedding: Literal["little", "seasonal", "steady"] | None = None
    keeps_growing: StrictBool | None = None
    beard_and_brows: StrictBool | None = None
    trunk_length_mm: Number | None = _bounded("trunk_length_mm")
    trunk_length_by: Literal["ruler", "finger", "eye"] | None = None
    last_trim_weeks: Number | None = _bounded("last_trim_weeks")
    last_trim_how: Literal["clipped", "scissored", "hand_stripped", "never"] | None = None
    comb_reaches_skin: StrictBool | None = None
    top_coat_lets_go: StrictBool | None = None
    wet_lock_curls: StrictBool | None = None

    # how the coat is lived in
    weight_kg: Number | None = _bounded("weight_kg")
    mats: dict[BodyZone, MatState] | None = None
    baths_per_month: Number | None = _bounded("baths_per_month")
    brushed_before_bath: Literal["always", "sometimes", "never"] | None = None
    swims: StrictBool | None = None
    wears_harness: StrictBool | None = None
    wears_clothing: StrictBool | None = None
    collar_on_full_neck: StrictBool | None = None
    patience: Patience | None = None
    minutes_per_week: Number | None = _bounded("minutes_per_week")
    wished_length_mm: Number | None = _bounded("wished_length_mm")
    skin_trouble: Annotated[tuple[SkinTrouble, ...], Field(max_length=20)] | None = None
    skin_where: dict[BodyZone, SkinTrouble] | None = None
    sensitive_skin: StrictBool | None = None
    sparse_hair: StrictBool | None = None
    long_furnishings: StrictBool | None = None
    days_since_combed: Number | None = _bounded("days_since_combed")
    owned_tools: Annotated[tuple[OwnedTool, ...], Field(max_length=50)] | None = None
    dna_result: Annotated[dict[Name, Name], Field(max_length=40)] | None = None

    @model_validator(mode="after")
    def _can_all_be_true(self) -> Self:
        found = contradictions(self)
        if found:
            raise PydanticCustomError("contradiction", "{texts}", {"texts": " ".join(r.text for r in found)})
        return self

    @property
    def measured_mm(self) -> float | None:
        """Trunk length that counts as measured: by ruler, or by somebody who didn't say otherwise; mm."""
        return None if self.trunk_length_by in ("finger", "eye") else self.trunk_length_mm


# --- what the answers say about each other ----------------------------------------------------------------------------


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
    words = read_toml(_CHECKS.with_name(f"checks.{language}.toml"))
    return tuple(Reason(code=doubt.code, text=words[doubt.code]) for doubt in found)


def contradictions(answers: Answers) -> tuple[Reason, ...]:
    """Answers that can't all be true; an :class:`Answers` never holds any."""
    return (*_found("contradiction", answers), *_longer_ago_than_born(answers), *_more_than_whole(answers))


def _found(section: str, answers: Answers) -> tuple[Reason, ...]:
    rows: list[dict[str, Any]] = read_toml(_CHECKS)[section]
    return tuple(Reason(code=row["code"], text=row["text"]) for row in rows if hold_all(row["when"], answers))


def _longer_ago_than_born(answers: Answers) -> tuple[Reason, ...]:
    if answers.age_months is None:
        return ()
    limits = read_toml(_CHECKS)["limits"]
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
    if total <= read_toml(_CHECKS)["limits"]["dna_breeds_at_most_percent"]:
        return ()
    return (Reason(code="over_100_percent", text=f"The breeds of the DNA test add up to {total:g} %, over 100 %."),)
