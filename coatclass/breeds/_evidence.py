"""From breeds to the coat: a distribution over categories and over length bands, never a certainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Literal

from coatclass.breeds._lookup import BreedMatch
from coatclass.breeds._table import BreedFacts, facts
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, band_limits_mm

_DATA = Path(__file__).with_name("data") / "breeds.toml"

KnownBy = Literal["papers", "dna_test", "guess"]
Breeds = BreedMatch | str | Sequence[str | None] | Mapping[str, float]
Vector = tuple[float, ...]

_DROP, _HAIR = CATEGORIES.index(CoatCategory.DROP), CATEGORIES.index(CoatCategory.HAIR)
# 90 % of a normal distribution lies within this many standard deviations of the mean.
_NINETY_PERCENT = 1.6449


def category_distribution(breeds: Breeds, *, known_by: KnownBy | None = None, trimmed: bool | None = None) -> Vector:
    """P(category) of a dog by its breeds, (7,) in the order of CATEGORIES, all above 0.

    Args:
        breeds: a match, a breed id, the ids of one or two parents (None for one unknown), or shares by id as a DNA test
            gives them (percent or fractions; what is missing to the whole counts as unknown).
        known_by: how the breed is known; a guess counts less, by the amounts in ``data/breeds.toml``.
        trimmed: whether the dog wears a trim; None weighs both by what is customary for the breed.

    Source of the weight of a guess: Gunter et al. 2018, PLoS ONE 13:e0202633.
    """
    pool = _pool(breeds)
    if pool is None:
        return background()
    row = read_toml(_DATA)["trust"][known_by or "unstated"]
    alone = _blend((share, _crossed(pool, trimmed, parts)) for share, parts in _pairs(pool))
    if len(pool) == 1 and row["pure"] < 1:
        (only,) = pool
        outcross = _crossed(pool, trimmed, (only, None))
        alone = _blend([(row["pure"], alone), (1 - row["pure"], outcross)])
    return _blend([(row["trust"], alone), (1 - row["trust"], background())])


def band_distribution(breeds: Breeds, *, known_by: KnownBy | None = None, trimmed: bool | None = None) -> Vector:
    """P(length band) of a grown dog by its breeds, (4,) in the order of BANDS, all above 0.

    Args:
        breeds, known_by, trimmed: as in :func:`category_distribution`.
    """
    pool = _pool(breeds)
    if pool is None:
        return background_band()
    row = read_toml(_DATA)["trust"][known_by or "unstated"]
    alone = _blend((share, _bands(breed, trimmed)) for breed, share in pool.items())
    if len(pool) == 1:
        alone = _blend([(row["pure"], alone), (1 - row["pure"], background_band())])
    return _blend([(row["trust"], alone), (1 - row["trust"], background_band())])


@cache
def background() -> Vector:
    """P(category) of a dog about which nothing is known, (7,)."""
    return tuple(float(read_toml(_DATA)["background"][category]) for category in CATEGORIES)


@cache
def background_band() -> Vector:
    """P(length band) of a dog about which nothing is known, (4,)."""
    return tuple(float(read_toml(_DATA)["background_band"][band]) for band in BANDS)


def _pool(breeds: Breeds) -> dict[str | None, float] | None:
    """Shares by breed id, None for unknown, summing to 1; None if nothing at all is known."""
    if isinstance(breeds, BreedMatch):
        breeds = (breeds.id,) if breeds.id else breeds.parents
    if isinstance(breeds, str):
        breeds = (breeds,)
    if isinstance(breeds, Mapping):
        total = sum(breeds.values())
        whole = 100.0 if total > 1.5 else 1.0
        pool: dict[str | None, float] = {name: share / max(whole, total) for name, share in breeds.items() if share > 0}
        unknown = 1 - sum(pool.values())
        if unknown > 1e-9:
            pool[None] = unknown
    else:
        pool = {}
        for name in breeds:
            pool[name] = pool.get(name, 0.0) + 1 / len(breeds)
    return pool if any(name is not None for name in pool) else None


def _pairs(pool: Mapping[str | None, float]) -> Iterable[tuple[float, tuple[str | None, ...]]]:
    """Which two breeds meet in the dog: its one breed twice, its two parents, or any two of many by their shares."""
    names = list(pool)
    if len(names) == 1:
        return [(1.0, (names[0],))]
    if len(names) == 2 and math.isclose(pool[names[0]], pool[names[1]]):
        return [(1.0, (names[0], names[1]))]
    return [
        (pool[one] * pool[other], (one,) if one == other and one is not None else (one, other))
        for one in names
        for other in names
    ]


def _crossed(pool: Mapping[str | None, float], trimmed: bool | None, parts: tuple[str | None, ...]) -> Vector:
    if len(parts) == 1 and parts[0] is not None:
        return _wearing(facts(parts[0]), trimmed)
    if parts == (None, None):
        return background()
    parents = [background() if part is None else _grown(facts(part)) for part in parts]
    grown = cross(parents[0], parents[-1])
    share = _trimmed_share((facts(part) for part in parts if part is not None), trimmed)
    return _blend([(1 - share, grown), (share, _cut_short(grown))])


def cross(one: Vector, other: Vector) -> Vector:
    """P(category) as grown of a first cross, (7,), from both parents' P(category).

    Source: the table ``cross`` in ``data/breeds.toml`` (assumption, from common practice).
    """
    rules = _rules()
    return _blend((a * b, rules[frozenset((i, j))]) for i, a in enumerate(one) for j, b in enumerate(other) if a * b)


@cache
def _rules() -> dict[frozenset[int], Vector]:
    return {
        frozenset(CATEGORIES.index(CoatCategory(name)) for name in row["coats"]): tuple(
            float(row["gives"].get(category, 0.0)) for category in CATEGORIES
        )
        for row in read_toml(_DATA)["cross"]
    }


def _grown(breed: BreedFacts) -> Vector:
    main = 1 - sum(breed.alternatives.values())
    return tuple(
        main if category is breed.category_grown else breed.alternatives.get(category, 0.0) for category in CATEGORIES
    )


def _wearing(breed: BreedFacts, trimmed: bool | None) -> Vector:
    grown = _grown(breed)
    main = CATEGORIES.index(breed.category_grown)
    cut = list(_cut_short(tuple(0.0 if place == main else value for place, value in enumerate(grown))))
    cut[CATEGORIES.index(breed.category_trimmed)] += grown[main]
    share = _trimmed_share([breed], trimmed)
    return _blend([(1 - share, grown), (share, tuple(cut))])


def _cut_short(grown: Vector) -> Vector:
    """A drop coat in a trim is hair; every other coat stays what it is (definition of the categories)."""
    cut = list(grown)
    cut[_HAIR] += cut[_DROP]
    cut[_DROP] = 0.0
    return tuple(cut)


def _trimmed_share(breeds: Iterable[BreedFacts], trimmed: bool | None) -> float:
    if trimmed is not None:
        return float(trimmed)
    shares = [float(read_toml(_DATA)["trimmed_share"][breed.trimmed]) for breed in breeds]
    return sum(shares) / len(shares) if shares else 0.0


def _bands(breed_id: str | None, trimmed: bool | None) -> Vector:
    if breed_id is None:
        return background_band()
    breed = facts(breed_id)
    grown = _band_masses(*breed.length_mm)
    if breed.trimmed_mm is None:
        return grown
    share = _trimmed_share([breed], trimmed)
    return _blend([(1 - share, grown), (share, _band_masses(*breed.trimmed_mm))])


def _band_masses(low: float, high: float) -> Vector:
    """Mass of a log-normal trunk length in each band; low to high hold its middle 90 %."""
    spread = read_toml(_DATA)["length"]
    low, high = max(low, spread["hairless_mm"]), max(high, spread["hairless_mm"])
    middle = math.sqrt(low * high)
    half = max(math.log(high / middle), math.log(1 + spread["least_spread"]))
    deviation = half / _NINETY_PERCENT

    def below(length_mm: float) -> float:
        if length_mm <= 0:
            return 0.0
        return 0.5 * (1 + math.erf((math.log(length_mm / middle)) / deviation / math.sqrt(2)))

    limits = [band_limits_mm(band) for band in BANDS]
    return tuple((1.0 if upper == math.inf else below(upper)) - below(lower) for lower, upper in limits)


def _blend(parts: Iterable[tuple[float, Vector]]) -> Vector:
    """Weighted mean of vectors, normalised to sum 1."""
    weighted = [tuple(weight * value for value in vector) for weight, vector in parts]
    sums = [sum(column) for column in zip(*weighted, strict=True)]
    total = sum(sums)
    return tuple(value / total for value in sums)
