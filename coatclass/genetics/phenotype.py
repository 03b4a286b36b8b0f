"""Genotype to coat: traits at the five loci, then the seven categories and four length bands, as grown and as worn."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from typing import Literal

from coatclass.genetics.breed_states import Ancestry, Background
from coatclass.genetics.loci import LOCI, Genome, copies_distribution, data_rows, data_table
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, Curl, LengthBand, Undercoat

__all__ = [
    "Bands",
    "Categories",
    "CoatChances",
    "Copies",
    "Reading",
    "Shedding",
    "TraitChances",
    "Traits",
    "as_worn",
    "categories_by_traits",
    "categories_of_copies",
    "coat_chances",
    "copies_of_genome",
    "in_words",
    "readings",
    "trait_chances",
    "traits_of_copies",
]

Reading = Literal["cadieu", "laboratory"]
"""The effect of one copy of a curl variant: 'cadieu' says curly, 'laboratory' wavy."""

Shedding = Literal["minimal", "low", "average", "heavy"]

Copies = tuple[int, int, int, int, int]
"""Derived copies (0, 1, 2) at the five loci in the order of LOCI."""


@dataclass(frozen=True, order=True)
class Traits:
    """What the coat is like, as it grows.

    ``long``: the gene for long hair shows (two long alleles). ``furnished``: beard and brows.
    """

    long: bool
    furnished: bool
    curl: Curl
    undercoat: Undercoat
    shedding: Shedding


@dataclass(frozen=True)
class TraitChances:
    """Chances of each trait on its own, exact; every mapping sums to 1."""

    long: Fraction
    furnished: Fraction
    curl: dict[Curl, Fraction]
    undercoat: dict[Undercoat, Fraction]
    shedding: dict[Shedding, Fraction]


def readings(choice: Reading | Literal["both"]) -> dict[Reading, Fraction]:
    """The readings of one curl copy to use, with their weights."""
    if choice != "both":
        return {choice: Fraction(1)}
    weights = data_table("traits.toml")["curl"]["weights"]
    return {"cadieu": Fraction(weights["cadieu"]), "laboratory": Fraction(weights["laboratory"])}


@cache
def _undercoat(count: int) -> tuple[tuple[Undercoat, Fraction], ...]:
    row = data_table("traits.toml")["undercoat"]["copies"][count]
    return tuple(zip(Undercoat, map(Fraction, row), strict=True))


@cache
def traits_of_copies(found: Copies, reading: Reading) -> tuple[tuple[Traits, Fraction], ...]:
    """Distribution of the traits of a dog with known copies at all five loci, under one reading of a curl copy."""
    length, furnishings, curl, low_shed, single = found
    table = data_table("traits.toml")
    shedding: Shedding = table["shedding"]["table"][low_shed][furnishings]
    bend = Curl(table["curl"][reading]["copies"][curl])
    return tuple(
        (Traits(length == 2, furnishings > 0, bend, undercoat, shedding), chance)
        for undercoat, chance in _undercoat(single)
        if chance
    )


@lru_cache(maxsize=256)
def copies_of_genome(genome: Genome) -> tuple[tuple[Copies, Fraction], ...]:
    """Every possible combination of copies with its exact chance; at most 3^5 = 243."""
    per_locus = [
        [(count, chance) for count, chance in enumerate(copies_distribution(locus, genome.loci[locus])) if chance]
        for locus in LOCI
    ]
    found: list[tuple[Copies, Fraction]] = []
    for combination in itertools.product(*per_locus):
        chance = Fraction(1)
        for _, part in combination:
            chance *= part
        a, b, c, d, e = (count for count, _ in combination)
        found.append(((a, b, c, d, e), chance))
    return tuple(found)


@lru_cache(maxsize=1024)
def trait_chances(genome: Genome, reading: Reading | Literal["both"] = "both") -> TraitChances:
    """Chances of each trait of a dog, over its possible genotypes and the readings of a curl copy.

    Cached: callers must not modify the result.
    """
    long, furnished = Fraction(0), Fraction(0)
    curl: dict[Curl, Fraction] = dict.fromkeys(Curl, Fraction(0))
    undercoat: dict[Undercoat, Fraction] = dict.fromkeys(Undercoat, Fraction(0))
    shedding: dict[Shedding, Fraction] = dict.fromkeys(("minimal", "low", "average", "heavy"), Fraction(0))
    for way, weight in readings(reading).items():
        for found, chance in copies_of_genome(genome):
            for traits, share in traits_of_copies(found, way):
                p = weight * chance * share
                long += p * traits.long
                furnished += p * traits.furnished
                curl[traits.curl] += p
                undercoat[traits.undercoat] += p
                shedding[traits.shedding] += p
    return TraitChances(long, furnished, curl, undercoat, shedding)


Categories = dict[CoatCategory, Fraction]
"""Exact chances of the seven categories, summing to 1."""

Bands = dict[LengthBand, Fraction]
"""Exact chances of the four bands, summing to 1."""


@dataclass(frozen=True)
class CoatChances:
    """A dog's adult coat as it grows, untrimmed."""

    category: Categories
    band: Bands


@cache
def _rules() -> tuple[tuple[Mapping[str, str], Categories], ...]:
    rows = data_rows("category_rules.csv")
    coats = ("hair", "fur", "wire", "curly", "drop")
    return tuple((row, {CoatCategory(coat): Fraction(row[coat]) for coat in coats}) for row in rows)


@cache
def categories_by_traits(traits: Traits) -> Categories:
    """The category by the traits alone: the first row of ``data/category_rules.csv`` that fits."""
    found = {
        "length": "long" if traits.long else "short",
        "furnished": "yes" if traits.furnished else "no",
        "curl": str(traits.curl),
        "undercoat": str(traits.undercoat),
    }
    for row, shares in _rules():
        if all(row[key] in ("*", value) for key, value in found.items()):
            return shares
    raise AssertionError("category_rules.csv does not cover every combination of traits")


def _betweenness(found: Copies) -> Fraction:
    """How far a genotype stands between hair and fur: 0 all of one, 1 halfway (assumption, ``data/ancestry.toml``)."""
    weights = data_table("ancestry.toml")["mixed"]["weights"]
    total = sum(weights.values())
    hair = sum((Fraction(weights.get(locus, 0) * n, 2) for locus, n in zip(LOCI, found, strict=True)), Fraction(0))
    apart: Fraction = abs(2 * hair / total - 1)
    return 1 - apart


@lru_cache(maxsize=4096)  # shares are as many as DNA tests
def _stand_off_by_share(share: Fraction) -> Fraction:
    table = data_table("ancestry.toml")["stand_off"]
    points = list(zip(map(Fraction, table["share"]), map(Fraction, table["chance"]), strict=True))
    for (left, low), (right, high) in itertools.pairwise(points):
        if share <= right:
            return low + (high - low) * (share - left) / (right - left)
    return points[-1][1]


def _stand_off(traits: Traits, northern: Fraction) -> Fraction:
    """Chance of the plush stand-off coat, which none of the five loci decides."""
    if traits.furnished:
        return Fraction(0)
    table = data_table("ancestry.toml")["stand_off"]
    return (
        _stand_off_by_share(northern)
        * Fraction(table["undercoat"][traits.undercoat])
        * Fraction(table["curl"][traits.curl])
    )


def _band_row(traits: Traits, stand_off: bool) -> tuple[Fraction, ...]:
    name = f"{'long' if traits.long else 'short'}_{'furnished' if traits.furnished else 'plain'}"
    return tuple(map(Fraction, data_table("ancestry.toml")["band"]["stand_off" if stand_off else name]))


@cache
def _unmixed(traits: Traits, background: Background) -> CoatChances:
    """The coat of a dog with these traits and ancestors that isn't mixed."""
    plush = _stand_off(traits, background.northern)
    category: Categories = dict.fromkeys(CATEGORIES, Fraction(0))
    category[CoatCategory.ARCTIC] = plush
    for coat, part in categories_by_traits(traits).items():
        harsh = background.harsh if coat is CoatCategory.WIRE else Fraction(1)
        category[coat] += (1 - plush) * part * harsh
        category[CoatCategory.MIXED] += (1 - plush) * part * (1 - harsh)
    own, stand = _band_row(traits, stand_off=False), _band_row(traits, stand_off=True)
    band = {name: (1 - plush) * p + plush * q for name, p, q in zip(BANDS, own, stand, strict=True)}
    return CoatChances(category, band)


@lru_cache(maxsize=50_000)
def _mixed(found: Copies, blend: Fraction) -> Fraction:
    return Fraction(data_table("ancestry.toml")["mixed"]["cap"]) * blend * _betweenness(found)


def _summed(dogs: Iterable[tuple[Copies, Fraction]], background: Background, reading: Reading) -> CoatChances:
    """Expected coat over genotypes and their chances; sums over traits first, which are fewer."""
    all_of: dict[Traits, Fraction] = {}
    not_mixed: dict[Traits, Fraction] = {}
    for found, chance in dogs:
        left = 1 - _mixed(found, background.blend)
        for traits, share in traits_of_copies(found, reading):
            part = chance * share
            all_of[traits] = all_of.get(traits, Fraction(0)) + part
            not_mixed[traits] = not_mixed.get(traits, Fraction(0)) + part * left
    category: Categories = dict.fromkeys(CATEGORIES, Fraction(0))
    band: Bands = dict.fromkeys(BANDS, Fraction(0))
    for traits, part in all_of.items():
        coat = _unmixed(traits, background)
        category[CoatCategory.MIXED] += part - not_mixed[traits]
        for name, share in coat.category.items():
            category[name] += not_mixed[traits] * share
        for length, share in coat.band.items():
            band[length] += part * share
    return CoatChances(category, band)


@lru_cache(maxsize=50_000)
def categories_of_copies(found: Copies, background: Background, reading: Reading) -> CoatChances:
    """The coat as grown of a dog with known copies at the five loci and known ancestors.

    Args:
        found: derived copies at the loci, in the order of LOCI.
        background: what the ancestors add to the five loci.
        reading: what one copy of a curl variant does.

    Cached: callers must not modify the result.
    """
    return _summed([(found, Fraction(1))], background, reading)


@lru_cache(maxsize=1024)
def coat_chances(genome: Genome, ancestry: Ancestry, reading: Reading | Literal["both"] = "both") -> CoatChances:
    """The adult coat as grown, summed exactly over every possible genotype and the readings of a curl copy.

    Cached: callers must not modify the result.
    """
    background = ancestry.background()
    category: Categories = dict.fromkeys(CATEGORIES, Fraction(0))
    band: Bands = dict.fromkeys(BANDS, Fraction(0))
    for way, weight in readings(reading).items():
        coat = _summed(copies_of_genome(genome), background, way)
        for name in category:
            category[name] += weight * coat.category[name]
        for length in band:
            band[length] += weight * coat.band[length]
    return CoatChances(category, band)


def as_worn(grown: CoatChances, trimmed: bool | None) -> CoatChances:
    """The coat as the dog wears it. A drop coat in a trim is hair; curly, wire and mixed coats stay what they are.

    Args:
        trimmed: whether the dog wears a trim; None weighs both by ``data/ancestry.toml`` for coats that keep growing.
    """
    table = data_table("ancestry.toml")
    share = Fraction(table["trim"]["share"]) if trimmed is None else Fraction(int(trimmed))
    category = dict(grown.category)
    moved = category[CoatCategory.DROP] * share
    category[CoatCategory.DROP] -= moved
    category[CoatCategory.HAIR] += moved
    keeps_growing = sum(grown.category[coat] for coat in CoatCategory if coat in _KEEPS_GROWING)
    cut = share * (keeps_growing if trimmed is None else 1)
    short = map(Fraction, table["band"]["trimmed"])
    band = {
        name: (1 - cut) * chance + cut * part for (name, chance), part in zip(grown.band.items(), short, strict=True)
    }
    return CoatChances(category, band)


_KEEPS_GROWING = frozenset({CoatCategory.HAIR, CoatCategory.DROP, CoatCategory.CURLY, CoatCategory.MIXED})


def in_words(chance: float) -> str:
    """The key of the words for a chance, ``chance.<key>`` in the texts of reasons; always the same ones."""
    for limit, words in data_table("words.toml")["chance"]:
        if chance >= limit:
            return str(words)
    raise AssertionError("words.toml must end with the limit 0")
