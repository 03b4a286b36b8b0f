"""Photo and answers on the split, with answers as an observer gave them from the pictures: no owner did."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from coatclass.contract import Verdict
from coatclass.ensemble import Members
from coatclass.reports.evaluation import LabelledPhoto, LabelledPhotos, binomial_interval, bootstrap, with_decisions
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = ["observed_answers"]

_COMMON = {CoatCategory.FUR, CoatCategory.ARCTIC}
_GROUPS: dict[str, Callable[[LabelledPhoto], bool]] = {
    "all": lambda case: True,
    "rare coats": lambda case: CATEGORIES[case.category] not in _COMMON,
    "mixed": lambda case: CATEGORIES[case.category] is CoatCategory.MIXED,
}


def observed_answers(cases: LabelledPhotos, resamples: int, *, members: Members | None = None) -> dict[str, Any]:
    """The photo alone, and with up to three observed answers: figures, promises, and whether *mixed* was lost."""
    told = cases.judged.where(lambda case: case.answers is not None)
    ways = {"photo": told, "photo and observed answers": with_decisions(told, use_answers=True, members=members)}
    return {
        "id": "observed_answers",
        "title": "Photo and answers, the answers observed",
        "text": "Curl, lie, beard and brows as a vision-language model answered them from the picture, without sight "
        "of label or breed: no owner answered, and the observer is of the same kind as the annotators, so errors may "
        "be shared. Rare coats: all but fur and arctic.",
        "head": ["", "photos", "accuracy", "log loss", "settled", "wrong among settled", "truth in the set",
                 "truth in the set, or hands"],
        "rows": [
            [f"{name}: {group}", *_figures(part, resamples)]
            for group, keep in _GROUPS.items()
            for name, whole in ways.items()
            if len(part := whole.where(keep))
        ],
    }  # fmt: skip


def _figures(cases: LabelledPhotos, resamples: int) -> list[Any]:
    p, truth = cases.p_category, cases.truth
    right = p.argmax(axis=1) == truth
    loss = -np.log(p[np.arange(len(truth)), truth].clip(1e-12))
    figures = bootstrap(
        {"accuracy": lambda r: float(right[r].mean()), "log_loss": lambda r: float(loss[r].mean())},
        cases.groups,
        resamples=resamples,
    )
    in_set = np.array([bool(case.decision and CATEGORIES[case.category] in case.decision.categories)
                       for case in cases.rows])  # fmt: skip
    hands = np.array([bool(case.decision and case.decision.verdict is Verdict.HANDS_ON) for case in cases.rows])
    settled = cases.settled
    wrong = int((settled & ~right).sum())
    return [
        len(cases),
        *figures.values(),
        f"{int(settled.sum())} of {len(cases)}",
        _counted(wrong, int(settled.sum())),
        f"{int(in_set.sum())} of {len(cases)}",
        f"{int((in_set | hands).sum())} of {len(cases)}",
    ]


def _counted(wrong: int, of: int) -> str:
    if not of:
        return "none settled"
    low, high = binomial_interval(wrong, of)
    return f"{wrong} of {of}: {wrong / of:.1%} ({low:.1%} to {high:.1%})"
