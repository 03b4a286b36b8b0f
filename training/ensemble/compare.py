"""Candidate members side by side: log loss out of fold on known and on unseen breeds."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from sklearn.base import ClassifierMixin
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import f1_score, log_loss
from sklearn.model_selection import GroupKFold, StratifiedGroupKFold

from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.ensemble.fusion import by_length, fuse, gate_weight, log_softmax, marginals
from coatclass.ensemble.members import N_CATEGORIES, N_SCORES, Array
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble.data import VISIBLE, Dataset, observed, tables
from training.ensemble.fit import RARE, Pool
from training.ensemble.members import fit_gate, fit_length, fit_member

__all__ = ["compare"]

_COLUMNS = ("regime", "member", "log_loss", "accuracy", "macro_f1_without_mixed", "unseen_log_loss", "unseen_accuracy")
_NOT_MIXED = [i for i, category in enumerate(CATEGORIES) if category is not CoatCategory.MIXED]
_TEXTURE, _KINSHIP, _BAND, _OUTLINE = slice(0, 7), slice(7, 14), slice(14, 18), slice(18, 25)
Fit = Callable[[Array, Array, Any], Any]


def compare(data: Dataset, config: dict[str, Any], path: Path, log: TextIO) -> None:
    """Cross-validate every candidate over groups of the pool and write one row each."""
    pool = data.take(data.split != "test")
    rows = []
    for row in (*_photo_rows(pool, config), *_both_rows(pool, config)):
        rows.append(row)
        print("  ".join(f"{key}={value}" for key, value in row.items()), file=log, flush=True)
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, (*_COLUMNS, "answers"))
        table.writeheader()
        table.writerows(rows)


def _photo_rows(pool: Dataset, config: dict[str, Any]) -> Iterator[dict[str, Any]]:
    floor = config["members"]["floor"]
    seen, unseen = pool.features(floor), pool.features(floor, unseen=True)
    yield _row("photo", "texture alone", np.exp(seen[:, _TEXTURE]), np.exp(unseen[:, _TEXTURE]), pool=pool)
    yield _row("photo", "kinship alone", np.exp(seen[:, _KINSHIP]), np.exp(unseen[:, _KINSHIP]), pool=pool)
    means = [np.exp(log_softmax((x[:, _TEXTURE] + x[:, _KINSHIP]) / 2)) for x in (seen, unseen)]
    yield _row("photo", "mean of logs", means[0], means[1], pool=pool)
    for strength in (0.003, 0.03, 0.3):
        yield _cross_validated(f"logistic regression, C = {strength:g}", _logistic(strength), seen, unseen, pool)
    for penalty in (1.0, 10.0, 100.0, 1000.0):
        settings = {**config, "members": {**config["members"], "bias_penalty": penalty}}
        always = np.array([20.0, 0.0])
        name = f"pool of three routes, penalty {penalty:g}"
        yield _cross_validated(name, _pool(settings, always), seen, unseen, pool)
    for say in (0.3, 0.5, 0.7):
        constant = np.array([np.log(say / (1 - say)), 0.0])
        yield _cross_validated(f"opinion pool, {say:g} to the member", _pool(config, constant), seen, unseen, pool)
    gate = fit_gate(pool)  # two numbers fitted on thousands of photos: no need to cross-fit them
    yield _cross_validated("opinion pool, say by unfamiliarity (released)", _pool(config, gate), seen, unseen, pool)
    name = "the same, hair and drop parted by the routes"
    yield _cross_validated(name, _pool(config, gate, length=False), seen, unseen, pool)
    yield _cross_validated("the same, without the outline", _pool(config, gate, outline=False), seen, unseen, pool)
    for times in (2, 3):
        name = f"the same, rare coats counted {times} times"
        yield _cross_validated(name, _pool(config, gate, rare_times=times), seen, unseen, pool)
    yield _cross_validated("gradient-boosted trees", _trees(_boosted), seen, unseen, pool)
    yield _cross_validated("extra trees (200)", _trees(_extra), seen, unseen, pool)


def _boosted() -> ClassifierMixin:
    return HistGradientBoostingClassifier(max_iter=60, learning_rate=0.05, max_leaf_nodes=8, l2_regularization=5.0)


def _extra() -> ClassifierMixin:
    return ExtraTreesClassifier(200, min_samples_leaf=5, random_state=0)


def _logistic(strength: float) -> Fit:
    """A full multinomial regression on evidence from networks that never saw the breed, as was released before."""

    def fit(seen: Array, unseen: Array, votes: Array) -> Any:
        photo, label = np.nonzero(votes)
        member = LogisticRegression(C=strength, max_iter=2000)
        return _ScoresOnly(member.fit(unseen[photo, :N_SCORES], label, sample_weight=2 * votes[photo, label]))

    return fit


class _ScoresOnly:
    """A member that does not look at the unfamiliarity."""

    def __init__(self, member: Any) -> None:
        self.member, self.classes_ = member, member.classes_

    def predict_proba(self, features: Array) -> Array:
        result: Array = self.member.predict_proba(features[:, :N_SCORES])
        return result


class _Pool:
    """The released form: an opinion pool of the plain mean and the member for unseen breeds, weighted by the gate.

    ``split``: coefficients that tell hair from drop by length; None to leave that to the routes.
    """

    classes_ = np.arange(N_CATEGORIES)

    def __init__(self, member: tuple[Array, Array], split: Array | None, gate: Array) -> None:
        (self.weights, self.bias), self.split, self.gate = member, split, gate

    def predict_proba(self, features: Array) -> Array:
        scores, say = features[:, :N_SCORES], gate_weight(features[:, N_SCORES], self.gate)[:, None]
        plain = (scores[:, _TEXTURE] + scores[:, _KINSHIP]) / 2
        strange = scores @ self.weights.T + self.bias
        if self.split is not None:
            strange = by_length(strange, log_softmax(scores[:, _BAND]), self.split)
        result: Array = np.exp(log_softmax(say * strange + (1 - say) * plain))
        return result


def _pool(
    config: dict[str, Any], gate: Array, *, length: bool = True, outline: bool = True, rare_times: int = 1
) -> Fit:
    def fit(seen: Array, unseen: Array, votes: Array) -> Any:
        rare = np.flatnonzero(np.isin(votes.argmax(axis=1), RARE))
        counted = np.concatenate([np.arange(len(votes)), *[rare] * (rare_times - 1)])
        learned = unseen[counted].copy()
        if not outline:  # a constant over the coats carries no information
            learned[:, _OUTLINE] = 0.0
        weights, bias = fit_member(learned, votes[counted], config)
        if not outline:
            weights[:, _OUTLINE] = 0.0
        return _Pool((weights, bias), fit_length(unseen, votes) if length else None, gate)

    return fit


def _trees(make: Callable[[], ClassifierMixin]) -> Fit:
    def fit(seen: Array, unseen: Array, votes: Array) -> Any:
        photo, label = np.nonzero(votes)
        say = np.tile(votes[photo, label], 2)
        return make().fit(np.concatenate([seen[photo], unseen[photo]]), np.tile(label, 2), sample_weight=say)

    return fit


def _cross_validated(name: str, fit: Fit, seen: Array, unseen: Array, pool: Dataset) -> dict[str, Any]:
    on_seen, on_unseen = np.zeros((len(pool), N_CATEGORIES)), np.zeros((len(pool), N_CATEGORIES))
    for keys, features, found in ((pool.group, seen, on_seen), (pool.breed, unseen, on_unseen)):
        for learn, held_out in _folds(pool, keys):
            member = fit(seen[learn], unseen[learn], pool.votes[learn])
            found[held_out] = _predict(member, features[held_out])
    return _row("photo", name, on_seen, on_unseen, pool=pool)


def _folds(pool: Dataset, keys: Any) -> Iterator[tuple[Any, Any]]:
    """Folds of the pool; photos with the same key (a dog, or a breed) stay together."""
    cut = StratifiedGroupKFold(5, shuffle=True, random_state=0)
    yield from cut.split(pool.texture, pool.category, keys)


def _predict(member: Any, features: Array) -> Array:
    """Probabilities (N, 7); a class missing from the training fold gets next to nothing."""
    full = np.full((len(features), N_CATEGORIES), 1e-4)
    full[:, member.classes_] = member.predict_proba(features)
    result: Array = full / full.sum(axis=1, keepdims=True)
    return result


def _both_rows(pool: Dataset, config: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Photo and all three observed answers: rows stated and counted, how much they count, fusion that is learned."""
    whole = Pool.of(pool, config)
    owners = [Answers(**observed(pool, row)) for row in range(len(pool))]
    stated = {question: {it: np.array(questionnaire.stated(question, it)) for it in questionnaire.outcomes(question)}
              for question in VISIBLE}  # fmt: skip
    for name, rows in (("stated rows", [stated] * len(pool)), ("counted rows", list(whole.rows))):
        told = tables(owners, rows)[0]
        for weight in (1.0, 0.75, 0.5, 0.25):
            fused = [marginals(fuse(by, told, weight))[0] for by in (whole.by_photo, whole.by_strangers)]
            yield _row("both", f"{name}, exponent {weight:g}", *fused, pool=pool)
        for member, make in _FUSERS.items():
            views = [_stacked(by, told) for by in (whole.by_photo, whole.by_strangers)]
            fused = [np.zeros((len(pool), N_CATEGORIES)) for _ in views]
            for learn, held_out in GroupKFold(5).split(told, groups=pool.breed):
                both = np.concatenate([view[learn] for view in views])
                fitted = make().fit(both, np.tile(pool.category[learn], 2))
                for place, view in enumerate(views):
                    fused[place][held_out] = _predict(fitted, view[held_out])
            yield _row("both", f"{name}, {member}", *fused, pool=pool)


def _stacked(by_photo: Array, told: Array) -> Array:
    """Log P(category) by the photo beside the answers' log likelihood of each category, (N, 14)."""
    views = np.log(marginals(by_photo)[0].clip(1e-6)), np.log(np.exp(told).mean(axis=2))
    logs: Array = np.concatenate(views, axis=1)
    return logs


_FUSERS: dict[str, Callable[[], ClassifierMixin]] = {
    "logistic regression on both": lambda: LogisticRegression(C=0.03, max_iter=2000),
    "gradient-boosted trees on both": _boosted,
}


def _row(regime: str, name: str, on_seen: Array, on_unseen: Array, *, pool: Dataset) -> dict[str, Any]:
    def normalised(p: Array) -> Array:
        result: Array = p.clip(1e-6) / p.clip(1e-6).sum(axis=1, keepdims=True)
        return result

    known, strange, truth, labels = normalised(on_seen), normalised(on_unseen), pool.category, range(N_CATEGORIES)
    f1 = f1_score(truth, known.argmax(axis=1), labels=_NOT_MIXED, average="macro")
    return {
        "regime": regime,
        "member": name,
        "log_loss": round(log_loss(truth, known, labels=labels), 4),
        "accuracy": round(float((known.argmax(axis=1) == truth).mean()), 4),
        "macro_f1_without_mixed": round(float(f1), 4),
        "unseen_log_loss": round(log_loss(truth, strange, labels=labels), 4),
        "unseen_accuracy": round(float((strange.argmax(axis=1) == truth).mean()), 4),
        "answers": "observed" if regime == "both" else "none",
    }
