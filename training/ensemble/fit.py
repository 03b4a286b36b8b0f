"""The steps of a fit in their order: members, rows and weight of the answers, temperatures, thresholds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coatclass import decision
from coatclass.answers import Answers
from coatclass.decision import RegimeThresholds, Thresholds, band_set, category_set, promise
from coatclass.ensemble import fusion
from coatclass.ensemble.fusion import log_softmax, marginals
from coatclass.ensemble.members import Array, Members
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble.data import (
    UNKNOWN,
    VISIBLE,
    Dataset,
    Ints,
    Rows,
    answers_of,
    count_rows,
    cross_counted,
    draw_dogs,
    draw_owners,
    known_bands,
    observed,
    split_groups,
    tables,
)
from training.ensemble.members import (
    NEVER,
    conformal_threshold,
    cross_fitted,
    fit_members,
    settle_threshold,
    temperature,
)

__all__ = [
    "KNOWN",
    "RARE",
    "REGIMES",
    "UNSEEN",
    "Dogs",
    "Fitted",
    "Pool",
    "estimate_tables",
    "fit",
    "kinds",
    "met",
    "said_of",
]

REGIMES = ("photo", "answers", "both")
KNOWN, UNSEEN, BACKGROUND = "known_breeds", "unseen_breeds", "background"
RARE = [place for place, coat in enumerate(CATEGORIES) if coat not in (CoatCategory.FUR, CoatCategory.ARCTIC)]
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_FAMILY = sorted(CATEGORIES.index(category) for category in decision.LENGTH_FAMILY)
# A few answers can be given in a few ways only. Where the surest way can't carry the promise, the limit lies beyond it,
# by a tenth of its doubt, as rows of the release lie a little off those that read the dogs out of fold.
_BEYOND = 0.9
_GRID = np.round(np.arange(0.1, 1.55, 0.05), 2)


@dataclass(frozen=True)
class Fitted:
    """The released members, thresholds and rows of P(answer | coat); the photos, and what was noted on the way."""

    members: Members
    thresholds: Thresholds
    rows: Rows
    pool: Pool
    notes: dict[str, Any]


@dataclass(frozen=True)
class Pool:
    """Photos and what cross-fitted parts say of each: none has seen the dog that it reads.

    ``by_photo``, ``by_strangers`` (N, 7, 4): members on the networks' evidence, the latter of networks that never saw
    the breed. ``rows`` (N,): P(answer | coat), counted without the dog's breed.
    """

    data: Dataset
    by_photo: Array
    by_strangers: Array
    rows: tuple[Rows, ...]

    @classmethod
    def of(cls, data: Dataset, config: dict[str, Any]) -> Pool:
        """The photos of train and val, cross-fitted."""
        pool = data.take(data.split != "test")
        return cls(pool, *cross_fitted(pool, config), tuple(cross_counted(pool, config["answers"]["worth"])))

    def take(self, chosen: Any) -> Pool:
        """The chosen photos."""
        places = np.arange(len(self.data))[chosen]
        rows = tuple(self.rows[place] for place in places.tolist())
        return Pool(self.data.take(places), self.by_photo[places], self.by_strangers[places], rows)


@dataclass(frozen=True)
class Dogs:
    """Dogs whose coat is known, with answers, met in one way.

    ``known`` (N,) marks those whose band counts. ``by_photo`` (N, 7, 4), None without photos. ``told``, ``visible``
    (N, 7, 4): log likelihoods of the answers, and of those that a photo shows as well; ``stated``: of the same, by rows
    as they are stated.
    """

    category: Any
    band: Any
    known: Any
    by_photo: Array | None
    told: Array
    visible: Array
    stated: Array
    unfamiliarity: Array

    def __len__(self) -> int:
        return len(self.category)

    def joined(self, other: Dogs) -> Dogs:
        """Both together."""
        columns: dict[str, Any] = {
            name: None if value is None else np.concatenate([value, getattr(other, name)])
            for name, value in vars(self).items()
        }
        return Dogs(**columns)


def fit(data: Dataset, config: dict[str, Any], unfamiliar_above: float) -> Fitted:
    """Fit members and rows on the pool; then weights and temperatures, then thresholds, on cross-fitted tables.

    ``unfamiliar_above`` is the image model's own limit: the scale of the score changes with every network.
    """
    whole = Pool.of(data, config)
    parts = {role: whole.take(mask) for role, mask in split_groups(whole.data, config["pool"], config["seed"]).items()}
    members = fit_members(whole.data, config, unfamiliar_above)
    members, weighed = _weigh_answers(whole, members, config)
    members = _temper(parts["temper"], members, config)
    thresholds, settled = _thresholds(parts, members, config)
    notes = {
        "photos": {"members": len(whole.data), **{role: len(part.data) for role, part in parts.items()}},
        "mixed_photos": {role: int((part.data.category == _MIXED).sum()) for role, part in parts.items()},
        "answer_weight_log_loss": weighed,
        "settled": settled,
    }
    return Fitted(members, thresholds, count_rows(whole.data, config["answers"]["worth"]), whole, notes)


# --- what was said of which dogs ------------------------------------------------------------------------------------


def kinds(part: Pool, members: Members, config: dict[str, Any], stream: int) -> dict[str, dict[str, Dogs]]:
    """Dogs by regime and by how they were met; every promise must hold for each kind.

    Photos: of known and of unseen breeds. Photo and answers: each again with one, two and three observed answers, and
    with more that are simulated. Answers alone: dogs drawn from the background, with the observed answers of a
    photographed dog of that coat, and more that are simulated; and again with nothing but one, two or three observed
    ones.
    """
    rng = np.random.default_rng([config["seed"], stream])
    bands = known_bands(part.data, rng)
    nothing = np.zeros_like(part.by_photo)
    photo = {breed: met(part, breed, nothing, nothing, nothing) for breed in (KNOWN, UNSEEN)}
    both: dict[str, Dogs] = {}
    for count in (1, 2, 3):
        said = tables(_observed_owners(part, bands, rng, count), part.rows)
        both |= {f"{breed}, {count} observed": met(part, breed, *said) for breed in (KNOWN, UNSEEN)}
    said = tables(_many_answers(part, bands, rng, config), part.rows)
    both |= {f"{breed}, more simulated": met(part, breed, *said) for breed in (KNOWN, UNSEEN)}
    alone = {BACKGROUND: _drawn(part, bands, rng, members, config)}
    alone |= {f"{BACKGROUND}, {n} observed": _drawn(part, bands, rng, members, config, only=n) for n in (1, 2, 3)}
    return {"photo": photo, "answers": alone, "both": both}


def met(part: Pool, breed: str, told: Array, visible: Array, stated: Array) -> Dogs:
    """Photographed dogs as of known or of unseen breeds, with these answers."""
    data, strange = part.data, breed == UNSEEN
    return Dogs(
        data.category,
        data.band,
        data.usable & (data.band != UNKNOWN),
        part.by_strangers if strange else part.by_photo,
        told,
        visible,
        stated,
        data.unseen_unfamiliarity if strange else data.unfamiliarity,
    )


def _observed_owners(part: Pool, bands: Ints, rng: np.random.Generator, count: int) -> list[Answers]:
    """Owners who answer so many of the visible questions, drawn at random, as the observer did."""
    coats = zip(part.data.category.tolist(), bands.tolist(), strict=True)
    return [_some_observed(part, row, coat, rng, count) for row, coat in enumerate(coats)]


def _some_observed(part: Pool, row: int, coat: tuple[int, int], rng: np.random.Generator, count: int) -> Answers:
    seen = observed(part.data, row)
    chosen = rng.permutation(sorted(seen))[:count].tolist()
    return answers_of(*coat, rng, seen={question: seen[question] for question in chosen})


def _many_answers(part: Pool, bands: Ints, rng: np.random.Generator, config: dict[str, Any]) -> list[Answers]:
    """Owners who answer visible questions as the observer did, and others as simulated."""
    rates, asked = draw_owners(len(part.data), rng, config["answers"]["error_rates"], config["answers"]["answered"])
    return [
        _owner(part, row, (int(part.data.category[row]), int(bands[row])), rng, (float(rates[row]), asked[row]))
        for row in range(len(part.data))
    ]


def _owner(
    part: Pool, row: int, coat: tuple[int, int], rng: np.random.Generator, owner: tuple[float, Sequence[str]]
) -> Answers:
    """The owner of a photographed dog; ``coat`` is category and band, ``owner`` error rate and questions."""
    rate, asked = owner
    seen = {question: answer for question, answer in observed(part.data, row).items() if question in asked}
    simulated = [question for question in asked if question not in VISIBLE]
    return answers_of(*coat, rng, seen=seen, error_rate=rate, ask=simulated)


def _drawn(
    part: Pool,
    bands: Ints,
    rng: np.random.Generator,
    members: Members,
    config: dict[str, Any],
    *,
    only: int | None = None,
) -> Dogs:
    """Dogs drawn from the background: answers alone have nothing to learn from how many of a coat were photographed.

    ``only``: so many observed answers and no others; of a dog whose coat was not photographed, none.
    """
    n = config["answers"]["dogs"]
    category, band = draw_dogs(n, rng, members.prior)
    rates, asked = draw_owners(n, rng, config["answers"]["error_rates"], config["answers"]["answered"])
    alike = {
        (c, b): np.flatnonzero((part.data.category == c) & (bands == b))
        for c, b in set(zip(category.tolist(), band.tolist(), strict=True))
    }
    owners, rows = [], []
    for place, (c, b) in enumerate(zip(category.tolist(), band.tolist(), strict=True)):
        models = alike[c, b] if len(alike[c, b]) else np.flatnonzero(part.data.category == c)
        if len(models):
            row = int(rng.choice(models))
            if only is None:
                owners.append(_owner(part, row, (c, b), rng, (float(rates[place]), asked[place])))
            else:
                owners.append(_some_observed(part, row, (c, b), rng, only))
            rows.append(part.rows[row])
        else:
            ask = asked[place] if only is None else ()
            owners.append(answers_of(c, b, rng, error_rate=float(rates[place]), ask=ask))
            rows.append(part.rows[0])
    return Dogs(category, band, np.ones(n, bool), None, *tables(owners, rows), np.zeros(n))


# --- tables ---------------------------------------------------------------------------------------------------------


def estimate_tables(regime: str, dogs: Dogs, members: Members, *, calibrated: bool = True) -> Array:
    """Joint tables (N, 7, 4) of a regime, one photo a dog; the same steps as ``coatclass.ensemble.combine``."""
    if regime == "answers" or dogs.by_photo is None:
        base = np.broadcast_to(members.prior, dogs.told.shape)
        told, weight = dogs.told, members.answer_weight["answers"]
    else:
        base = dogs.by_photo
        told, weight = fusion.beside_photo(dogs.told, dogs.visible, dogs.stated, members.answer_weight["both"]), 1.0
    if regime != "photo":
        base = fusion.fuse(base, told, weight)
    if not calibrated:
        return base
    return fusion.calibrate(base, members.category_temperature[regime], members.band_temperature[regime])


def _loss(joint: Array, dogs: Dogs) -> float:
    """Log loss of the category, half of it that of rare coats (all but fur and arctic)."""
    of_category = -np.log(marginals(joint)[0][np.arange(len(dogs)), dogs.category].clip(1e-12))
    rare = np.isin(dogs.category, RARE)
    return float(of_category.mean() + of_category[rare].mean()) / 2


# --- weight and temperatures ----------------------------------------------------------------------------------------


def _weigh_answers(part: Pool, members: Members, config: dict[str, Any]) -> tuple[Members, dict[str, Any]]:
    """The exponents with the least log loss: of all answers alone, and of the visible ones beside a photo.

    The latter on observed answers, and as often on breeds that no network had seen as on known ones.
    """
    found = kinds(part, members, config, stream=1)
    found["both"] = {kind: dogs for kind, dogs in found["both"].items() if kind.endswith("observed")}
    found["answers"] = {BACKGROUND: found["answers"][BACKGROUND]}
    weights, losses = dict(members.answer_weight), {}
    for regime in ("answers", "both"):
        by_weight = {}
        for weight in _GRID.tolist():
            tried = replace(members, answer_weight={**members.answer_weight, regime: weight})
            losses_of = [_loss(estimate_tables(regime, dogs, tried, calibrated=False), dogs)
                     for dogs in found[regime].values()]  # fmt: skip
            by_weight[weight] = float(np.mean(losses_of))
        weights[regime] = min(by_weight, key=lambda weight: by_weight[weight])
        losses[regime] = round(by_weight[weights[regime]], 4)
    return replace(members, answer_weight=weights), losses


def _temper(part: Pool, members: Members, config: dict[str, Any]) -> Members:
    """Temperatures by regime, on dogs that no member of theirs was fitted on, of known breeds."""
    of_category, of_band = {}, {}
    for regime, met in kinds(part, members, config, stream=2).items():
        first, *others = (dogs for kind, dogs in met.items() if kind == BACKGROUND or kind.startswith(KNOWN))
        dogs = first
        for other in others:
            dogs = dogs.joined(other)
        joint = estimate_tables(regime, dogs, members, calibrated=False)
        given_truth = log_softmax(joint[np.arange(len(dogs)), dogs.category])
        of_category[regime] = temperature(np.log(marginals(joint)[0]), dogs.category)
        of_band[regime] = temperature(given_truth[dogs.known], dogs.band[dogs.known])
    return replace(members, category_temperature=of_category, band_temperature=of_band)


# --- thresholds -----------------------------------------------------------------------------------------------------


def _thresholds(parts: dict[str, Pool], members: Members, config: dict[str, Any]) -> tuple[Thresholds, dict[str, Any]]:
    """The limit for mixed coats on one part; sets and *settled* on another, by the strictest of all kinds of dogs."""
    dogs = parts["conform"].take(_one_a_group(parts["conform"].data))
    tempering = kinds(parts["temper"], members, config, stream=3)
    met = kinds(dogs, members, config, stream=4)
    regimes, settled = {}, {}
    for regime in REGIMES:
        mixed_at = min(_mixed_threshold(regime, one, members) for one in tempering[regime].values())
        at = _sets(regime, list(met[regime].values()), members, mixed_at)
        regimes[regime], settled[regime] = _settle(regime, met[regime], tempering[regime], members, at)
    return Thresholds(version="", regimes=regimes), settled


def _one_a_group(data: Dataset) -> Any:
    """The first photo of each dog: the promises are about dogs, and near-duplicates would count twice."""
    return np.sort(np.unique(data.group, return_index=True)[1])


def _mixed_threshold(regime: str, dogs: Dogs, members: Members) -> float:
    others = marginals(estimate_tables(regime, dogs, members))[0][dogs.category != _MIXED, _MIXED]
    return float(np.quantile(others, 1 - promise()["mixed_false_alarm"]))


def _sets(regime: str, met: list[Dogs], members: Members, mixed_at: float) -> RegimeThresholds:
    """Limits that keep the truth in the set for each kind of dogs: the lowest of each."""
    found = [_set_limits(regime, dogs, members) for dogs in met]
    category_at, band_at, length_at = (min(column) for column in zip(*found, strict=True))
    return RegimeThresholds(
        category_at=category_at,
        band_at=band_at,
        settle_at=0.0,
        mixed_at=mixed_at,
        length_at=length_at,
        calibrated_on=len(met[0]),
        simulated=regime == "answers",
    )


def _set_limits(regime: str, dogs: Dogs, members: Members) -> tuple[float, float, float]:
    """Limits for families of coats, for bands, and for the share at which length leaves hair and drop both open."""
    category, band = marginals(estimate_tables(regime, dogs, members))
    joined = np.array([decision.families(row) for row in category.tolist()])
    family = np.where(np.isin(dogs.category, _FAMILY), CATEGORIES.index(CoatCategory.HAIR), dogs.category)
    reliability = promise()["set_reliability"]
    soft = np.isin(dogs.category, _FAMILY)
    apart = category[soft][:, _FAMILY]
    apart = apart / apart.sum(axis=1, keepdims=True)
    truth = np.searchsorted(_FAMILY, dogs.category[soft])
    return (
        conformal_threshold(joined, family, reliability),
        conformal_threshold(band[dogs.known], dogs.band[dogs.known], reliability),
        conformal_threshold(apart, truth, 1 - promise()["length_risk"]) if len(truth) else 0.0,
    )


def _settle(
    regime: str, met: dict[str, Dogs], others: dict[str, Dogs], members: Members, at: RegimeThresholds
) -> tuple[RegimeThresholds, dict[str, Any]]:
    """How sure one must be to call a coat settled, so that the promise holds for each kind of dogs.

    Returns:
        The thresholds, and by kind what they settle: among the dogs that set them, and among ``others`` that did not.
    """
    risk, confidence = promise()["settled_risk"], promise()["settled_confidence"]
    limits = {}
    for kind, dogs in met.items():
        said = said_of(regime, dogs, members, at)
        limits[kind] = settle_threshold(said.sureness, said.right, risk, confidence)
        if limits[kind] == NEVER and kind.startswith(f"{BACKGROUND}, "):
            limits[kind] = 1 - _BEYOND * (1 - float(said.sureness.max()))
    at = at.model_copy(update={"settle_at": max(limits.values())})
    measured: dict[str, Any] = {"limit_found": at.settle_at != NEVER}
    for kind, dogs in met.items():
        measured[kind] = said_of(regime, dogs, members, at).counts() | {"limit": limits[kind]}
        measured[kind]["on_other_dogs"] = said_of(regime, others[kind], members, at).counts()
    return at, measured


@dataclass(frozen=True)
class Claims:
    """What is said of dogs, (N,): how sure (0 where nothing may be settled), rightly so, with the truth in the set.

    ``clash``: photo and answers are said to contradict each other. ``hands``: a groomer is asked, for that, because a
    mixed coat or too many coats are possible, or the dog is unlike anything seen.
    """

    sureness: Array
    right: Any
    settled: Any
    covered: Any
    size: Any
    hands: Any
    clash: Any

    def counts(self) -> dict[str, Any]:
        """Dogs, settled ones, wrong among them, and the share whose set holds the truth."""
        return {
            "dogs": len(self.right),
            "settled": int(self.settled.sum()),
            "wrong": int((self.settled & ~self.right).sum()),
            "covered": int(self.covered.sum()),
            "clash": int(self.clash.sum()),
            "mean_size": float(self.size.mean()),
        }


def said_of(regime: str, dogs: Dogs, members: Members, at: RegimeThresholds) -> Claims:
    """Sets and verdicts of many dogs at once, by the rules of ``coatclass.decision``."""
    category, band = marginals(estimate_tables(regime, dogs, members))
    sets = [
        category_set(row, at, band_set(lengths, at))
        for row, lengths in zip(category.tolist(), band.tolist(), strict=True)
    ]
    clash = _clash(regime, dogs, members)
    flagged = clash | (dogs.unfamiliarity > members.unfamiliar_above)
    alone = np.array([len(one) == 1 for one in sets]) & ~flagged
    most = decision.limits()["most_categories"]
    sure = category.max(axis=1)
    return Claims(
        sureness=np.where(alone, sure, 0.0),
        right=np.array([CATEGORIES.index(one[0]) for one in sets]) == dogs.category,
        settled=alone & (sure >= at.settle_at),
        covered=np.array([CATEGORIES[c] in one for one, c in zip(sets, dogs.category.tolist(), strict=True)]),
        size=np.array([len(one) for one in sets]),
        clash=clash,
        hands=flagged | np.array([CoatCategory.MIXED in one or len(one) > most for one in sets]),
    )


def _clash(regime: str, dogs: Dogs, members: Members) -> Any:
    """Where photo and answers are said to contradict each other, (N,), by the rule of ``coatclass.decision``."""
    if regime != "both":
        return np.zeros(len(dogs), bool)
    photo = marginals(estimate_tables("photo", dogs, members))[0]
    shown, said = photo.argmax(axis=1), marginals(estimate_tables("answers", dogs, members))[0].argmax(axis=1)
    differ = (shown != said) & ~(np.isin(shown, _FAMILY) & np.isin(said, _FAMILY))
    return differ & (fusion.answers_fit(photo, dogs.told) < decision.limits()["clash_below"])
