"""How good the release is on unseen dogs, breeds and sources, with observed answers, and what each part adds."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from coatclass.breeds import named_by_imagenet
from coatclass.contract import Verdict
from coatclass.ensemble import Members
from coatclass.reports.evaluation import (
    Figure,
    LabelledPhoto,
    LabelledPhotos,
    binomial_interval,
    bootstrap,
    by_confidence,
    metrics,
    mixed_section,
    with_decisions,
)
from coatclass.reports.evaluation.figures import category_figures, category_scores
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory
from training.ensemble.release import wrong_of_settled
from training.evaluation.cases import cross_fitted, pool, role, sources_held_out
from training.evaluation.reference import reference_cases

__all__ = [
    "ablations",
    "beside_reference",
    "counts",
    "mixed_out_of_fold",
    "observed_answers",
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
    """The resampling unit: ``group`` (the dog), or ``breed`` where a breed is held out as a whole."""
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
            "ones. The dog itself is never seen, in any row. Networks that never saw the source looked at the whole "
            "picture only, the others at the dog from nearer as well, so that the former are a little underrated.",
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
        "dogs of one breed are not quite. Networks to which the source was new looked at the whole picture only.",
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
            [f"{name}: {group}", *_with_promises(part, resamples)]
            for group, keep in _GROUPS.items()
            for name, whole in ways.items()
            if len(part := whole.where(keep))
        ],
    }  # fmt: skip


def _with_promises(cases: LabelledPhotos, resamples: int) -> list[Any]:
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
        wrong_of_settled(wrong, int(settled.sum())),
        f"{int(in_set.sum())} of {len(cases)}",
        f"{int((in_set | hands).sum())} of {len(cases)}",
    ]


def ablations(models: Path) -> list[dict[str, Any]]:
    """The tables of what each part is worth, as far as they were measured: image model, ensemble members."""
    image = _table(models / "ablations.csv", _ABLATION_COLUMNS, needed="val_blend_log_loss")
    intervals = _intervals(models / "ablation_intervals.csv")
    members = _table(models / "ensemble_comparison.csv", _MEMBER_COLUMNS)
    found = []
    if image:
        text = (
            "One row a variant, at the share of fine-tuned weights that was chosen out of fold on unseen dogs and "
            "unseen breeds of train and val (0: frozen); figures of the category are those of the mean of texture and "
            "kinship, before the ensemble, without intervals; the next table has those of differences. Other shares, "
            "further columns, and runs without these figures: ablations.csv. Minutes: on the device named there."
        )
        found.append({"id": "ablations", "title": "What each part of the image model is worth", "text": text, **image})
    if intervals:
        found.append(intervals)
    if members:
        text = (
            "Cross-validated over dogs on train and val, on breeds seen and never seen, without intervals; answers are "
            "observed, from the photos. Microseconds are those of scikit-learn for one dog; 0: no fitted member."
        )
        found.append({"id": "members", "title": "What each member of the ensemble is worth", "text": text, **members})
    return found


def _intervals(path: Path) -> dict[str, Any] | None:
    """The paired differences between variants, if they were measured."""
    if not path.exists():
        return None
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))

    def figure(row: dict[str, str], of: str) -> Figure:
        value, low, high = (float(row[f"{of}_{what}"]) for what in ("difference", "low", "high"))
        return Figure(value, low, high, int(row["photos"]))

    shown = [f"{where}_{of}" for where in ("unseen_dogs", "unseen_breeds") for of in ("log_loss", "accuracy")]
    return {
        "id": "ablation_intervals",
        "title": "What tells the variants of the image model apart",
        "text": "Variant minus what it is compared with, on the same photos of train and val, out of fold: blend of "
        "texture and kinship, paired 95 % intervals over dogs, and over breeds where breeds were held out. An interval "
        "that holds 0 tells nothing apart; ends that round to 0 are told more exactly in "
        "ablation_intervals.csv. One run of each is compared: chance in training comes on top. Each variant at half "
        "fine-tuned weights; tuned-lite2 is what most of them change one thing of (its readings were kept in half "
        "precision).",
        "head": [
            "variant", "compared with", "unseen dogs: log loss", "unseen dogs: accuracy", "unseen breeds: log loss",
            "unseen breeds: accuracy",
        ],
        "rows": [[row["config"], row["compared_with"], *(figure(row, of) for of in shown)] for row in rows],
    }  # fmt: skip


def _table(path: Path, columns: dict[str, str], needed: str | None = None) -> dict[str, Any] | None:
    """The columns of a CSV under their titles; rows that lack what is ``needed`` stay in the file only."""
    if not path.exists():
        return None
    with path.open(newline="", encoding="utf-8") as stream:
        reader = csv.DictReader(stream)
        names = [name for name in reader.fieldnames or () if name in columns]
        rows = [[_value(name, row[name]) for name in names] for row in reader if needed is None or row[needed]]
    return {"head": [columns[name] for name in names], "rows": rows}


def _value(column: str, told: str) -> float | str:
    """A figure as a number, so that all get the same number of digits; any other text unchanged."""
    return float(told) if told and column.endswith(_FIGURES) else told


_ABLATION_COLUMNS = {
    "config": "variant",
    "finetuned_share": "share of fine-tuned weights",
    "chosen": "chosen",
    "seeds": "seeds",
    "val_blend_log_loss": "val: log loss",
    "unseen_dogs_blend_accuracy": "unseen dogs: accuracy",
    "unseen_dogs_blend_macro_f1_without_mixed": "unseen dogs: macro-F1 without mixed",
    "unseen_dogs_blend_log_loss": "unseen dogs: log loss",
    "unseen_dogs_band_kappa": "unseen dogs: band kappa",
    "unseen_breeds_blend_accuracy": "unseen breeds: accuracy",
    "unseen_breeds_blend_log_loss": "unseen breeds: log loss",
    "background_changed": "share of answers changed by another background",
    "minutes": "minutes of training",
}

_MEMBER_COLUMNS = {
    "regime": "regime",
    "member": "member",
    "log_loss": "breeds seen: log loss",
    "accuracy": "breeds seen: accuracy",
    "macro_f1_without_mixed": "breeds seen: macro-F1 without mixed",
    "unseen_log_loss": "breeds never seen: log loss",
    "unseen_accuracy": "breeds never seen: accuracy",
    "answers": "answers",
}
_FIGURES = ("log_loss", "accuracy", "macro_f1_without_mixed", "band_kappa", "background_changed")
