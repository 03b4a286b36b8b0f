"""What the verdicts are worth: how often each is wrong, where *settled* breaks its promise, and the dangerous error."""

from __future__ import annotations

from typing import Any

import numpy as np

from coatclass.contract import Verdict
from coatclass.decision import promise
from coatclass.reports.evaluation._bootstrap import binomial_interval
from coatclass.reports.evaluation._cases import Case, Cases
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = ["counted", "mixed_section", "settled_section", "verdict_section"]

_MIXED = CATEGORIES.index(CoatCategory.MIXED)


def counted(hits: int, n: int) -> dict[str, Any]:
    """A share with its exact interval (Clopper and Pearson 1934); share and interval None among none."""
    return {"n": n, "share": hits / n if n else None, "interval": binomial_interval(hits, n) if n else None}


def _verdict(case: Case) -> str:
    return str(case.decision.verdict) if case.decision else ""


def verdict_section(cases: Cases) -> list[dict[str, Any]]:
    """How often each verdict is given and, where it names a coat, how often the first named is wrong."""
    judged = cases.judged
    wrong = judged.p_category.argmax(axis=1) != judged.truth
    verdicts = np.array([_verdict(case) for case in judged.rows])
    rows = []
    for verdict in (Verdict.SETTLED, Verdict.NARROWED, Verdict.HANDS_ON):
        of = verdicts == verdict
        n, errors = int(of.sum()), int(wrong[of].sum())
        share = n / len(judged) if len(judged) else 0.0
        rows.append({"verdict": str(verdict), "n": n, "share": share, "wrong": errors})
        rows[-1]["interval"] = counted(errors, n)["interval"]
    return rows


def settled_section(cases: Cases) -> dict[str, Any]:
    """Wrong among *settled*, by what was said and by the source of the photo: the promise holds only on average.

    Rows: ``name``, ``n`` settled, ``wrong``, ``share`` wrong, exact ``interval`` (photos taken as independent).
    """
    settled = cases.judged.where(lambda case: _verdict(case) == Verdict.SETTLED)
    said = settled.p_category.argmax(axis=1)
    wrong = said != settled.truth
    sources = np.array([case.source for case in settled.rows])

    def row(name: str, of: Any) -> dict[str, Any]:
        errors = int(wrong[of].sum())
        return {"name": name, "wrong": errors} | counted(errors, int(of.sum()))

    return {
        "promised_wrong_at_most": promise()["settled_risk"],
        "all": row("all", np.ones(len(settled), dtype=bool)),
        "by_said": [row(str(name), said == i) for i, name in enumerate(CATEGORIES) if (said == i).any()],
        "by_source": [row(name, sources == name) for name in sorted(set(sources.tolist()) - {""})],
    }


def mixed_section(cases: Cases) -> dict[str, Any]:
    """The dangerous error: a mixed coat that is called something else with confidence.

    In the narrow sense it is settled as another coat. In the wider sense *mixed* is ruled out without hands: settled or
    narrowed to other coats, so that nobody is told to have it touched.
    """
    mixed = cases.judged.where(lambda case: case.category == _MIXED)
    n = len(mixed)
    settled = sum(_verdict(case) == Verdict.SETTLED for case in mixed.rows)
    ruled_out = sum(_ruled_out(case) for case in mixed.rows)
    sent = sum(_verdict(case) == Verdict.HANDS_ON for case in mixed.rows)
    return {
        "photos": n,
        "called_something_else_with_confidence": settled,
        "interval": counted(settled, n)["interval"],
        "ruled_out_without_hands": ruled_out,
        "ruled_out_interval": counted(ruled_out, n)["interval"],
        "sent_to_a_groomer": sent,
        "sent_interval": counted(sent, n)["interval"],
    }


def _ruled_out(case: Case) -> bool:
    """Whether the answer names coats, *mixed* not among them."""
    told = _verdict(case) in (Verdict.SETTLED, Verdict.NARROWED)
    return bool(case.decision and told and CoatCategory.MIXED not in case.decision.categories)
