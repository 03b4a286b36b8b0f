"""What the release is worth on dogs, breeds and sources that training never saw."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from coatclass.breeds import named_by_imagenet
from coatclass.reports.evaluation import (
    Figure,
    LabelledPhotos,
    binomial_interval,
    bootstrap,
    by_confidence,
    metrics,
    mixed_section,
)
from coatclass.reports.evaluation.figures import category_figures, category_scores
from coatclass.taxonomy import BANDS
from training.evaluation.cases import cross_fitted, pool, role, sources_held_out
from training.evaluation.reference import reference_cases

__all__ = [
    "beside_reference",
    "counts",
    "mixed_out_of_fold",
    "settled_counts",
    "sure_and_unsure",
    "unseen_breeds",
    "unseen_sources",
]

# Figures of the category under _FIGURE_HEAD.
_SHOWN = (
    "accuracy", "macro_f1_without_mixed", "log_loss", "coverage_at_2_percent_error", "coverage_at_5_percent_error",
)  # fmt: skip
_FIGURE_HEAD = [
    "photos", "accuracy", "macro-F1 without mixed", "log loss", "answered at 2 % error", "answered at 5 % error",
    "band kappa",
]  # fmt: skip
Scores = dict[str, Callable[[Any], float]]


def unseen_breeds(models: Path, resamples: int) -> dict[str, Any]:
    """Leave-breeds-out: the same photos read by networks that knew the breed and by networks that never saw it."""
    dogs, breeds = cross_fitted(models), cross_fitted(models, "breed")
    rows = [
        ("dog never seen", dogs),
        ("dog never seen, breed in training", _chosen(dogs, pool(models).breed_known)),
        *_by_imagenet("dog never seen", dogs),
        ("breed never seen", breeds),
        *_by_imagenet("breed never seen", breeds),
    ]
    for name, unseen in (("reference, dog never seen", "dog"), ("reference, breed never seen", "breed")):
        if reference := reference_cases(dogs, models, unseen):
            rows += [(name, reference), *_by_imagenet(name, reference)]
    named = sum(named_by_imagenet(case.breed) for case in breeds.rows)
    return {
        "id": "unseen_breeds",
        "title": "Breeds that training never saw",
        "text": f"Leave-breeds-out cross-validation on the {len(breeds)} photos of train and val, members of the "
        "ensemble cross-fitted by dog. Breed never seen: no photo of the dog's breed was in the network's training. "
        f"Yet the network started from ImageNet, and {named} of the photos show a breed that ImageNet has a class for "
        "(or for a variety of it); kinship reads the scores of these classes. Breed never seen, not named by ImageNet: "
        "new to both. Reference: logistic regression on frozen features, on the same folds. Intervals: over dogs; "
        "where the breed was never seen, over breeds.",
        "head": ["", *_FIGURE_HEAD],
        "rows": [[name, *_figures(cases, resamples, _unit(name))] for name, cases in rows],
    }


def _unit(name: str) -> str:
    return "breed" if "breed never seen" in name else "group"


def _by_imagenet(name: str, cases: LabelledPhotos) -> list[tuple[str, LabelledPhotos]]:
    return [
        (f"{name}, named by ImageNet", cases.where(lambda case: named_by_imagenet(case.breed))),
        (f"{name}, not named by ImageNet", cases.where(lambda case: not named_by_imagenet(case.breed))),
    ]


def _chosen(cases: LabelledPhotos, mask: Any) -> LabelledPhotos:
    return LabelledPhotos(tuple(case for case, keep in zip(cases.rows, mask.tolist(), strict=True) if keep))


def _units(cases: LabelledPhotos, unit: str) -> list[str]:
    """What is resampled: ``group`` (the dog), or ``breed`` where one network meets or misses a breed as a whole."""
    return [getattr(case, unit) for case in cases.rows]


def _figures(cases: LabelledPhotos, resamples: int, unit: str = "group") -> list[Any]:
    """The cells under ``_FIGURE_HEAD``."""
    judged, measured = cases.judged, cases.measured
    figures = category_figures(judged, only=_SHOWN, resamples=resamples, units=_units(judged, unit))
    p, band = measured.p_band, measured.band
    said = p.argmax(axis=1)
    scores: Scores = {"kappa": lambda r: metrics.kappa(band[r], said[r], len(BANDS), quadratic=True)}
    kappa = bootstrap(scores, _units(measured, unit), resamples=resamples)["kappa"]
    return [len(judged), *figures.values(), kappa]


def unseen_sources(models: Path, resamples: int) -> list[dict[str, Any]]:
    """The same photos read by networks that knew their source of photos and by networks that never saw it."""
    if not sources_held_out(models):
        return []
    read = [
        ("released, source in training", cross_fitted(models)),
        ("released, source new to the network", cross_fitted(models, "source")),
        ("released, source new to network and members", cross_fitted(models, "source_at_all")),
        ("reference, source in training", reference_cases(cross_fitted(models), models, "dog")),
        ("reference, source never seen", reference_cases(cross_fitted(models), models, "source")),
    ]
    sources = sorted({case.source for case in cross_fitted(models).rows})
    rows = [
        [f"{source}: {name}", *_figures(_of_source(cases, source), resamples)]
        for source in sources
        for name, cases in read
        if cases
    ]
    return [
        {
            "id": "unseen_sources",
            "title": "Photos from another source: the released recipe",
            "text": "Leave-source-out on the photos of train and val. Source new to the network: it learned only from "
            "the other source's photos; members of the ensemble are cross-fitted by dog and know the source. New to "
            "members too: they were fitted on the other source's photos. Temperatures and thresholds are the released "
            "ones. The dog itself is never seen, in any row.",
            "head": ["", *_FIGURE_HEAD],
            "rows": rows,
        }
    ]


def _of_source(cases: LabelledPhotos, source: str) -> LabelledPhotos:
    return cases.where(lambda case: case.source == source)


def settled_counts(models: Path) -> dict[str, Any]:
    """How many dogs are settled out of fold, and how many of these are wrong, with exact intervals.

    The rows *held out* are the dogs that set weights, temperatures and the limit for mixed coats, but neither the
    prediction sets nor the limit for *settled*; the other rows hold dogs that did.
    """
    dogs, breeds = cross_fitted(models), cross_fitted(models, "breed")
    held_out = role(models, "temper")
    rows = [
        ("held out: dog never seen", _chosen(dogs, held_out)),
        ("held out: breed never seen", _chosen(breeds, held_out)),
        ("dog never seen", dogs),
        *_by_imagenet("dog never seen", dogs),
        ("breed never seen", breeds),
        *_by_imagenet("breed never seen", breeds),
    ]
    if sources_held_out(models):
        read = {
            "source in training": dogs,
            "source new to the network": cross_fitted(models, "source"),
            "source new to network and members": cross_fitted(models, "source_at_all"),
        }
        for source in sorted({case.source for case in dogs.rows}):
            rows += [(f"{source}: {name}", _of_source(cases, source)) for name, cases in read.items()]
    return {
        "id": "settled_out_of_fold",
        "title": "Settled, counted out of fold",
        "text": "Dogs of train and val, one photo each (the first), by the photo alone; exact 95 % intervals (Clopper "
        "and Pearson 1934). Held out: dogs that set weights, temperatures and the limit for mixed coats, but neither "
        "prediction sets nor the limit for settled; those were set on the other dogs, which the rows below hold too. "
        "Rows share dogs, so they do not add up to independent evidence; the intervals take dogs as independent, which "
        "dogs of one breed are not quite.",
        "head": ["", "dogs", "settled", "share settled", "settled and wrong", "wrong among settled"],
        "rows": [[name, *counts(cases)] for name, cases in rows],
    }


def counts(cases: LabelledPhotos) -> list[Any]:
    """Dogs, how many are settled, their share, how many of these are wrong, and their share; one photo a dog."""
    judged = cases.judged
    firsts = {group: row for row, group in reversed(list(enumerate(judged.groups)))}
    one = LabelledPhotos(tuple(judged.rows[row] for row in sorted(firsts.values())))
    wrong = one.p_category.argmax(axis=1) != one.truth
    settled = one.settled
    n, bad = int(settled.sum()), int((settled & wrong).sum())
    return [len(one), n, _share(n, len(one)), bad, _share(bad, n)]


def _share(hits: int, n: int) -> Figure | str:
    return Figure(hits / n, *binomial_interval(hits, n), n) if n else ""


def beside_reference(looked: LabelledPhotos | None, models: Path, resamples: int) -> list[dict[str, Any]]:
    """Released minus reference on the photos that both judged; the resamples are the same for both.

    Args:
        looked: the photos of the test split with what the release said of each, if they were looked at.
    """
    kinds = ["dog", "breed", *(["source", "source_at_all"] if sources_held_out(models) else [])]
    own = {unseen: cross_fitted(models, unseen) for unseen in kinds} | ({"test": looked} if looked else {})
    shown = ("accuracy", "macro_f1_without_mixed", "log_loss")
    rows = []
    for part, name in _PARTS.items():
        ours = own[part].judged if part in own else None
        theirs = reference_cases(ours, models, part.removesuffix("_at_all")) if ours else None
        if not ours or not theirs:
            continue
        released, reference = category_scores(ours), category_scores(theirs)
        for figure in shown:
            pair = {
                "released": released[figure],
                "reference": reference[figure],
                "difference": _difference(released[figure], reference[figure]),
            }
            found = bootstrap(pair, _units(theirs, _unit(name)), resamples=resamples)
            rows.append([f"{name}: {_FIGURE_NAMES[figure]}", len(theirs), *found.values()])
    if not rows:
        return []
    return [
        {
            "id": "beside_reference",
            "title": "Released and reference on the same photos",
            "text": "Paired: photos that both judged, the same resamples for both; 95 % intervals over dogs, or over "
            "breeds where the breed was never seen. A photo of the test split that the release refused is left out of "
            "both. The reference never saw the source either way. Negative is better for log loss.",
            "head": ["", "photos", "released", "reference", "released minus reference"],
            "rows": rows,
        }
    ]


def _difference(first: Callable[[Any], float], second: Callable[[Any], float]) -> Callable[[Any], float]:
    return lambda r: first(r) - second(r)


_PARTS = {
    "test": "test split",
    "dog": "out of fold, dog never seen",
    "breed": "out of fold, breed never seen",
    "source": "out of fold, source new to the network",
    "source_at_all": "out of fold, source new to network and members",
}
_FIGURE_NAMES = {
    "accuracy": "accuracy",
    "macro_f1_without_mixed": "macro-F1 without mixed",
    "log_loss": "log loss",
}


def mixed_out_of_fold(models: Path) -> dict[str, Any]:
    """The dangerous error on the mixed coats of train and val, read out of fold."""
    return mixed_section(cross_fitted(models))


def sure_and_unsure(models: Path, resamples: int) -> dict[str, Any]:
    """Accuracy out of fold by how sure the annotators were: three times as many border cases as the test split has."""
    rows = by_confidence(cross_fitted(models), resamples=resamples)
    shown = ("n", "accuracy", "log_loss", "settled", "wrong_among_settled")
    return {
        "id": "sure_and_unsure",
        "title": "Border cases, out of fold",
        "text": "Train and val, read by networks and members that never saw the dog, by the less sure annotator's "
        "confidence; photos with two labels.",
        "head": ["confidence", "photos", "accuracy", "log loss", "share settled", "settled and wrong"],
        "rows": [[f"{row['confidence']:g}", *(row[key] for key in shown)] for row in rows],
    }
