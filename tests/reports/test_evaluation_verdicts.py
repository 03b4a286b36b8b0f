"""What the verdicts are worth: where *settled* is wrong, and mixed coats that nobody is told to have touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from coatclass.contract import CoatEstimate, Decision, Verdict
from coatclass.reports.evaluation import LabelledPhoto, LabelledPhotos, mixed_section
from coatclass.reports.evaluation.figures import settled_section, verdict_section
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

stats = pytest.importorskip("scipy.stats")

FUR, HAIR, WIRE, MIXED = CoatCategory.FUR, CoatCategory.HAIR, CoatCategory.WIRE, CoatCategory.MIXED


def told(label: CoatCategory, verdict: Verdict, *named: CoatCategory, source: str = "") -> LabelledPhoto:
    """A dog of this label, of whom these coats were named, surest first."""
    p = tuple(0.9 if c is named[0] else 0.1 / 6 for c in CATEGORIES)
    estimate = CoatEstimate(category=p, band=(1.0, 0, 0, 0), regime="photo")
    decision = Decision(tuple(named), (BANDS[0],), verdict)
    place = CATEGORIES.index(label)
    return LabelledPhoto("a.jpg", Path("a.jpg"), "g", place, 0, source=source, estimate=estimate, decision=decision)


def test_settled_is_counted_by_what_was_said_and_by_source():
    cases = LabelledPhotos(
        (
            *[told(FUR, Verdict.SETTLED, FUR, source="studio")] * 38,
            *[told(HAIR, Verdict.SETTLED, FUR, source="street")] * 2,
            *[told(WIRE, Verdict.SETTLED, WIRE, source="street")] * 5,
            *[told(HAIR, Verdict.NARROWED, WIRE, FUR, source="street")] * 9,  # not settled: no part of the promise
        )
    )
    section = settled_section(cases)
    counts = {row["name"]: (row["wrong"], row["n"]) for key in ("by_said", "by_source") for row in section[key]}
    assert counts == {"fur": (2, 40), "wire": (0, 5), "studio": (0, 38), "street": (2, 7)}
    fur = next(row for row in section["by_said"] if row["name"] == "fur")
    # Clopper and Pearson 1934, as scipy has it.
    assert fur["interval"] == pytest.approx(tuple(stats.binomtest(2, 40).proportion_ci(method="exact")), abs=1e-6)
    assert (section["all"]["wrong"], section["all"]["n"]) == (2, 45)
    assert section["all"]["wrong"] == next(r for r in verdict_section(cases) if r["verdict"] == "settled")["wrong"]


def test_without_sources_and_without_settled_coats_nothing_is_made_up():
    section = settled_section(LabelledPhotos((told(FUR, Verdict.NARROWED, FUR, WIRE),)))
    assert section["by_said"] == section["by_source"] == []
    assert section["all"]["n"] == 0 and section["all"]["interval"] is None


def test_a_mixed_coat_narrowed_to_other_coats_is_ruled_out_without_hands():
    cases = LabelledPhotos(
        (
            told(MIXED, Verdict.SETTLED, FUR),
            told(MIXED, Verdict.NARROWED, FUR, HAIR),
            told(MIXED, Verdict.HANDS_ON, FUR, MIXED),
            told(MIXED, Verdict.HANDS_ON, FUR),  # touched for another reason: a groomer will find it
            told(FUR, Verdict.NARROWED, FUR, HAIR),
        )
    )
    section = mixed_section(cases)
    assert section["photos"] == 4
    assert section["called_something_else_with_confidence"] == 1
    assert section["ruled_out_without_hands"] == 2
    assert section["sent_to_a_groomer"] == 2
    expected = stats.binomtest(2, 4).proportion_ci(method="exact")
    assert section["ruled_out_interval"] == pytest.approx(tuple(expected), abs=1e-6)
