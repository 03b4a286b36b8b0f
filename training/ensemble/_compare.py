"""Candidate members side by side: log loss out of fold on known and on unseen breeds, and what one dog costs."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from sklearn.base import ClassifierMixin
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import f1_score, log_loss
from sklearn.model_selection import StratifiedGroupKFold

from coatclass.ensemble._fusion import log_softmax, marginals, members_say
from coatclass.ensemble._members import N_CATEGORIES, N_SCORES, Array
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble._answers import draw_owners, known_bands, simulate
from training.ensemble._data import Dataset
from training.ensemble._fit import estimate_tables
from training.ensemble._members import fit_gate, fit_member, fit_members

__all__ = ["compare"]

_COLUMNS = ("regime", "member", "log_loss", "accuracy", "macro_f1_without_mixed", "unseen_log_loss", "unseen_accuracy")
_NOT_MIXED = [i for i, category in enumerate(CATEGORIES) if category is not CoatCategory.MIXED]
_WEIGHT = 0.95  # about what fitting finds
_TEXTURE, _KINSHIP = slice(0, 7), slice(7, 14)
Fit = Callable[[Array, Array, Any], Any]


def compare(data: Dataset, config: dict[str, Any], path: Path, log: TextIO) -> None:
    """Cross-validate every candidate over groups of the pool and write one row each."""
    pool = data.take(data.split != "test")
    rows = []
    for row in (*_photo_rows(pool, config), *_both_rows(pool, config)):
        rows.append(row)
        print("  ".join(f"{key}={value}" for key, value in row.items()), file=log, flush=True)
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, (*_COLUMNS, "microseconds_a_dog", "answers"))
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
    gate = fit_gate(pool)  # two numbers of thousands of photos, on all folds together
    yield _cross_validated("opinion pool, say by unfamiliarity (released)", _pool(config, gate), seen, unseen, pool)
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
    """The released form: an opinion pool of the plain mean and the member for strangers, whose say a gate tells."""

    classes_ = np.arange(N_CATEGORIES)

    def __init__(self, member: tuple[Array, Array], gate: Array) -> None:
        (self.weights, self.bias), self.gate = member, gate

    def predict_proba(self, features: Array) -> Array:
        scores, say = features[:, :N_SCORES], members_say(features[:, N_SCORES], self.gate)[:, None]
        plain = (scores[:, _TEXTURE] + scores[:, _KINSHIP]) / 2
        result: Array = np.exp(log_softmax(say * (scores @ self.weights.T + self.bias) + (1 - say) * plain))
        return result


def _pool(config: dict[str, Any], gate: Array) -> Fit:
    return lambda seen, unseen, votes: _Pool(fit_member(unseen, votes, config), gate)


def _trees(make: Callable[[], ClassifierMixin]) -> Fit:
    def fit(seen: Array, unseen: Array, votes: Array) -> Any:
        photo, label = np.nonzero(votes)
        say = np.tile(votes[photo, label], 2)
        return make().fit(np.concatenate([seen[photo], unseen[photo]]), np.tile(label, 2), sample_weight=say)

    return fit


def _cross_validated(name: str, fit: Fit, seen: Array, unseen: Array, pool: Dataset) -> dict[str, Any]:
    on_seen, on_unseen, seconds = np.zeros((len(pool), N_CATEGORIES)), np.zeros((len(pool), N_CATEGORIES)), 0.0
    for keys, features, found in ((pool.group, seen, on_seen), (pool.breed, unseen, on_unseen)):
        for learn, held_out in _folds(pool, keys):
            member = fit(seen[learn], unseen[learn], pool.votes[learn])
            found[held_out] = _predict(member, features[held_out])
            seconds = _seconds_a_dog(lambda row, member=member: member.predict_proba(row), seen)
    return _row("photo", name, on_seen, on_unseen, pool=pool, seconds=seconds)


def _folds(pool: Dataset, keys: Any) -> Iterator[tuple[Any, Any]]:
    """Parts of the pool; photos of one key (a dog, or a breed) stay together."""
    cut = StratifiedGroupKFold(5, shuffle=True, random_state=0)
    yield from cut.split(pool.texture, pool.category, keys)


def _predict(member: Any, features: Array) -> Array:
    """Probabilities (N, 7); a class that the fold did not hold gets next to nothing."""
    full = np.full((len(features), N_CATEGORIES), 1e-4)
    full[:, member.classes_] = member.predict_proba(features)
    result: Array = full / full.sum(axis=1, keepdims=True)
    return result


def _seconds_a_dog(predict: Callable[[Array], Any], features: Array, repeats: int = 30) -> float:
    started = time.perf_counter()
    for row in range(repeats):
        predict(features[row : row + 1])
    return (time.perf_counter() - started) / repeats


def _both_rows(pool: Dataset, config: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Fusing photo and simulated answers: the product against members that learn to fuse."""
    rng = np.random.default_rng([config["seed"], 99])
    rates, asked = draw_owners(len(pool), rng, config["answers"]["error_rates"], config["answers"]["answered"])
    answers = simulate(pool.category, known_bands(pool, rng), rng, rates, asked)
    seen, unseen = (pool.features(config["members"]["floor"], unseen=flag) for flag in (False, True))
    fused = {name: [np.zeros((len(pool), N_CATEGORIES)) for _ in range(2)] for name in _FUSERS}
    seconds = dict.fromkeys(_FUSERS, 0.0)
    for learn, held_out in _folds(pool, pool.group):
        members = fit_members(pool.take(learn), config, np.inf)
        members = replace(members, answer_weight={**members.answer_weight, "both": _WEIGHT})
        for place, features in enumerate((seen, unseen)):
            product = marginals(estimate_tables("both", features, answers, members))[0]
            stacked = _stacked(features, answers, members)
            for name, fit in _FUSERS.items():
                if fit is None:
                    fused[name][place][held_out] = product[held_out]
                    continue
                both = np.concatenate([_stacked(x, answers, members)[learn] for x in (seen, unseen)])
                member = fit().fit(both, np.tile(pool.category[learn], 2))
                fused[name][place][held_out] = _predict(member, stacked[held_out])
                seconds[name] = _seconds_a_dog(lambda row, member=member: member.predict_proba(row), stacked)
    for name, (on_seen, on_unseen) in fused.items():
        yield _row("both", name, on_seen, on_unseen, pool=pool, seconds=seconds[name])


def _stacked(features: Array, answers: Array, members: Any) -> Array:
    """Log P(category) by photo, by answers and by their product, side by side, (N, 21)."""
    views = [
        marginals(estimate_tables(regime, features, answers, members))[0] for regime in ("photo", "answers", "both")
    ]
    logs: Array = np.log(np.concatenate(views, axis=1).clip(1e-6))
    return logs


_FUSERS: dict[str, Callable[[], ClassifierMixin] | None] = {
    "product of experts": None,
    "logistic regression on the three": lambda: LogisticRegression(C=0.1, max_iter=2000),
    "gradient-boosted trees on the three": _boosted,
}


def _row(
    regime: str, name: str, on_seen: Array, on_unseen: Array, *, pool: Dataset, seconds: float = 0.0
) -> dict[str, Any]:
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
        "microseconds_a_dog": round(seconds * 1e6),
        "answers": "simulated" if regime == "both" else "none",
    }
