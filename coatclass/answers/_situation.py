"""From answers to what the tool rules and the care plan look at."""

from __future__ import annotations

from collections.abc import Iterable

from coatclass.answers._model import Answers
from coatclass.contract import CoatSituation
from coatclass.taxonomy import CoatCategory, LengthBand

__all__ = ["situation"]

# Fields that both sides call by the same name and that pass as they are.
_SAME = (
    "patience", "sensitive_skin", "long_furnishings", "age_months", "weight_kg", "swims", "wears_harness",
    "wears_clothing", "collar_on_full_neck", "baths_per_month", "brushed_before_bath", "days_since_combed",
    "minutes_per_week", "wished_length_mm",
)  # fmt: skip


def situation(answers: Answers, *, categories: Iterable[CoatCategory], bands: Iterable[LengthBand]) -> CoatSituation:
    """The situation of a dog with these prediction sets; what was not answered stays unknown.

    A length counts as measured only if it was read from a ruler or by somebody who didn't say otherwise.
    """
    return CoatSituation(
        categories=frozenset(categories),
        bands=frozenset(bands),
        measured_mm=answers.measured_mm,
        textures=frozenset() if answers.feel is None else frozenset({answers.feel}),
        undercoats=frozenset() if answers.undercoat_seen is None else frozenset({answers.undercoat_seen}),
        mats=dict(answers.mats or {}),
        hand_stripped=None if answers.last_trim_how is None else answers.last_trim_how == "hand_stripped",
        clipped=_clipped(answers),
        sparse=answers.sparse_hair,
        skin_trouble=frozenset(answers.skin_trouble or ()) | frozenset((answers.skin_where or {}).values()),
        skin=dict(answers.skin_where or {}),
        **{name: getattr(answers, name) for name in _SAME},
    )


def _clipped(answers: Answers) -> bool | None:
    """Whether the coat was cut to its present length; a tidy-up with scissors leaves that open."""
    return {"clipped": True, "hand_stripped": False, "never": False}.get(answers.last_trim_how or "")
